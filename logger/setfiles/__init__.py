"""Read a player's set of clubs from a TOML file or a spreadsheet saved as CSV."""

from __future__ import annotations

from pathlib import Path

from logger.errors import ConfigError
from logger.setfiles.assemble import assemble
from logger.setfiles.clubs import SetFile
from logger.setfiles.csv_form import read_csv
from logger.setfiles.entries import Entry, Problems
from logger.setfiles.fields import SET_FIELDS
from logger.setfiles.toml_form import read_toml

# A set is a few kilobytes; this keeps a wrong file name from filling the memory.
_MAX_BYTES = 200_000
# The time that tomllib takes for a key grows with the square of how many parts it has.
_LONGEST_LINE = 10_000
_READERS = {".toml": read_toml, ".csv": read_csv, ".tsv": read_csv, ".txt": read_csv}


def load_set(
    path: Path, *, player: str | None = None, hand: str | None = None, name: str | None = None
) -> SetFile:
    """Read a set file.

    Parameters
    ----------
    path
        ``.toml``, or a spreadsheet as ``.csv``, ``.tsv`` or ``.txt``, in UTF-8.
    player, hand, name
        Taken instead of what the file says, or for what it does not say. A set without a name
        is called as its file.

    Raises
    ------
    ConfigError
        One line that names the file and every row and column that is wrong.
    """
    reader = _READERS.get(path.suffix.lower())
    if reader is None:
        raise ConfigError(f"{path}: a set file ends in .toml or .csv: save the spreadsheet as CSV")
    text = _text_of(path)
    problems = Problems(str(path))
    entries = reader(text, problems)
    if not problems or entries.clubs:
        for field in SET_FIELDS:
            given = {"player": player, "hand": hand, "name": name}.get(field.name)
            if given is not None:
                entries.facts[field.name] = Entry(field, given, None, field.name)
        return assemble(entries, path.stem, problems)
    raise problems.error()


def _text_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(_MAX_BYTES + 1)
    except FileNotFoundError as exc:
        raise ConfigError(f"{path}: there is no such file: check the name") from exc
    except OSError as exc:
        raise ConfigError(f"{path}: it cannot be read ({exc.strerror})") from exc
    if len(data) > _MAX_BYTES:
        raise ConfigError(f"{path}: more than {_MAX_BYTES} bytes: this is not a set file")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        row = data.count(b"\n", 0, exc.start) + 1
        raise ConfigError(
            f"{path}: row {row} is not UTF-8 text: save the file as 'CSV UTF-8'"
        ) from exc
    if "\0" in text:
        raise ConfigError(f"{path}: this is not a text file: save the spreadsheet as CSV")
    for row, line in enumerate(text.splitlines(), start=1):
        if len(line) > _LONGEST_LINE:
            raise ConfigError(
                f"{path}: row {row} has more than {_LONGEST_LINE} characters: "
                "this is not a set file"
            )
    if not text.strip():
        raise ConfigError(f"{path}: the file is empty")
    return text
