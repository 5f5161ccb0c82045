"""Findings as a table or JSON, and the tables that people type for the board commands."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.answers import Verdict
from logger.errors import ConfigError

if TYPE_CHECKING:
    from rich.table import Table

    from analysis.board.check import Finding

_WORDS = {Verdict.PASS: "pass", Verdict.LOOK: "look at this", Verdict.FAIL: "fail"}
_ORDER = {Verdict.FAIL: 0, Verdict.LOOK: 1, Verdict.PASS: 2}
_DELIMITERS = (";", "\t", ",")


def verdict_words(verdict: Verdict) -> str:
    """Say a verdict on the whole as a sentence."""
    return {
        Verdict.PASS: "pass, good enough to fit with as far as a check can see.",
        Verdict.LOOK: "look at this: usable, with the doubts named above.",
        Verdict.FAIL: "fail: put right what is named above before fitting with it.",
    }[verdict]


def findings_table(findings: Sequence[Finding]) -> Table:
    """Lay findings out, what is worst first."""
    from rich.table import Table

    table = Table("looked at", "cell", box=None)
    table.add_column("found", justify="right")
    table.add_column("verdict")
    table.add_column("what to do")
    for finding in sorted(findings, key=lambda f: _ORDER[f.verdict]):
        table.add_row(
            finding.item,
            "" if finding.cell is None else f"{finding.cell[0]}:{finding.cell[1]}",
            _found(finding),
            _WORDS[finding.verdict],
            finding.what_to_do,
        )
    return table


def _found(finding: Finding) -> str:
    if finding.value is None:
        return "-"
    value = finding.value
    if value == int(value) and abs(value) < 1e6:
        number = f"{int(value)}"
    elif abs(value) >= 1e4 or abs(value) < 0.01:
        number = f"{value:.1e}"
    else:
        number = f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return f"{number} {finding.unit}".rstrip()


def findings_json(name: str, verdict: Verdict, findings: Sequence[Finding]) -> str:
    """Give findings as one JSON object."""
    rows = [
        {
            "item": f.item,
            "cell": None if f.cell is None else list(f.cell),
            "value": f.value if f.value is not None and math.isfinite(f.value) else None,
            "unit": f.unit,
            "verdict": f.verdict.value,
            "what_to_do": f.what_to_do,
        }
        for f in findings
    ]
    return json.dumps({"board": name, "verdict": verdict.value, "findings": rows}, indent=1)


@dataclass(frozen=True, slots=True)
class TypedTable:
    """Columns of a file that somebody typed, with where each row stands in it."""

    path: Path
    columns: Mapping[str, tuple[str, ...]]
    line_numbers: tuple[int, ...]

    def texts(self, name: str) -> list[str]:
        """Return a column as text; no cell is empty.

        Raises
        ------
        ConfigError
            Naming the row.
        """
        for number, cell in zip(self.line_numbers, self.columns[name], strict=True):
            if not cell:
                raise ConfigError(f"{self.path} row {number}: {name} is empty")
        return list(self.columns[name])

    def numbers(self, name: str) -> list[float]:
        """Return a column as numbers; a decimal comma is taken.

        Raises
        ------
        ConfigError
            Naming the row.
        """
        values = []
        for number, cell in zip(self.line_numbers, self.texts(name), strict=True):
            try:
                value = float(cell.replace(",", ".").replace("−", "-"))
            except ValueError:
                value = math.nan
            if not math.isfinite(value):
                raise ConfigError(f"{self.path} row {number}: {cell!r} in {name} is not a number")
            values.append(value)
        return values


def read_table(path: Path, names: Mapping[str, Sequence[str]]) -> TypedTable:
    """Read a file with one row of headings; other columns, empty rows and # rows are skipped.

    Parameters
    ----------
    path
        Cells parted by commas, semicolons or tabs.
    names
        Column -> the headings it may have. A column whose name ends in ``?`` may be missing.

    Raises
    ------
    ConfigError
        With one line that says what is wrong and where.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: is not UTF-8 text: save it as CSV (UTF-8)") from error
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if _says_something(line)]
    if not lines:
        raise ConfigError(f"{path}: is empty")
    delimiter = max(_DELIMITERS, key=lines[0][1].count)
    rows = [
        (
            number,
            [cell.strip() for cell in next(csv.reader(io.StringIO(line), delimiter=delimiter))],
        )
        for number, line in lines
    ]
    headings = [heading.casefold().replace(" ", "_") for heading in rows[0][1]]
    places: dict[str, int] = {}
    for name, spellings in names.items():
        found = [k for k, heading in enumerate(headings) if heading in spellings]
        if found:
            places[name.rstrip("?")] = found[0]
        elif not name.endswith("?"):
            raise ConfigError(
                f"{path}: there is no column {spellings[0]}; its first row must name the columns "
                + ", ".join(spelling[0] for spelling in names.values())
            )
    body = rows[1:]
    if not body:
        raise ConfigError(f"{path}: there are headings and no rows below them")
    columns = {
        name: tuple(cells[place] if place < len(cells) else "" for _, cells in body)
        for name, place in places.items()
    }
    return TypedTable(path, columns, tuple(number for number, _ in body))


def _says_something(line: str) -> bool:
    return bool(line.strip(" \t,;")) and not line.lstrip().startswith("#")
