"""Options that several commands share, and how they open the data file."""

from __future__ import annotations

import inspect
import sys
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias, TypeVar, get_type_hints

import typer

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console

    from logger.session.corrections.acts import Said
    from logger.store.rows import SessionRow
    from logger.store.store import Store

_Options = TypeVar("_Options")
# What SQLite can number.
MOST_ROWS = 2**63 - 1
# Data files of this run of a command.
_OPENED: list[Path] = []

DbOption: TypeAlias = Annotated[
    Path | None,
    typer.Option(
        "--db",
        envvar="LIEBOARD_DB",
        help="Data file. Left out: lieboard.db in your own data folder.",
        show_default=False,
    ),
]
SessionOption: TypeAlias = Annotated[
    int | None,
    typer.Option(
        "--session",
        min=1,
        max=MOST_ROWS,
        help="Number of the session. Left out: the latest.",
    ),
]
YesOption: TypeAlias = Annotated[
    bool, typer.Option("--yes", help="Keep it although something speaks against it.")
]
InsteadOption: TypeAlias = Annotated[
    int | None,
    typer.Option(
        "--instead-of", min=1, help="Number of the word that this corrects ('lieboard words')."
    ),
]
InchesOption: TypeAlias = Annotated[
    bool, typer.Option("--inches", help="Show lengths in inches instead of millimetres.")
]


def command_of(options: type[_Options], work: Callable[[_Options], None]) -> Callable[..., None]:
    """Make a command whose options are the fields of a dataclass, written as typer reads them."""
    hints = get_type_hints(options, include_extras=True)

    def command(**given: Any) -> None:  # noqa: ANN401 - what the fields say
        work(options(**given))

    signature = inspect.Signature(
        [
            inspect.Parameter(
                field.name,
                inspect.Parameter.KEYWORD_ONLY,
                default=field.default,
                annotation=hints[field.name],
            )
            for field in fields(options)  # type: ignore[arg-type]
        ]
    )
    command.__dict__["__signature__"] = signature
    command.__annotations__ = hints
    command.__doc__ = work.__doc__
    return command


def open_store(db: Path | None, *, read_only: bool = False) -> Store:
    """Open the data file that was asked for.

    Raises
    ------
    StoreError, ConfigError
        With one line that says what to do.
    """
    from logger.config import default_db_path
    from logger.errors import OlderFileError, StoreError
    from logger.store.store import Store

    path = db or default_db_path(make_folder=not read_only)
    _OPENED.append(path)
    if read_only and not is_there(path):
        raise StoreError(
            f"{path}: there is no data yet. Import a set with 'lieboard set import FILE' "
            "and log with 'lieboard log PORT', or name another file with --db"
        )
    try:
        return Store.open(path, read_only=read_only)
    except OlderFileError:
        # Looking at a file of an older version upgrades it, as writing to it would.
        Store.open(path).close()
        return Store.open(path, read_only=True)


def why_unreadable() -> str | None:
    """Say which rows that nobody can have logged a data file of this command has.

    For an error that nobody foresaw: such rows are looked for only where they are taken in and
    when ``check`` is told to, since that takes longer than most commands.
    """
    from contextlib import closing

    from logger.errors import LieboardError
    from logger.store.store import Store

    for path in dict.fromkeys(_OPENED):
        try:
            with closing(Store.open(path, read_only=True)) as store:
                rows = store.unfit()
        except (LieboardError, OSError):
            continue
        if rows:
            first = f"row {rows[0].number} of {rows[0].table}: {rows[0].reason}"
            return (
                f"{path}: {len(rows)} rows hold what cannot be ({first}), which another program "
                "must have put there: 'lieboard check --set-aside' takes them out and keeps a copy"
            )
    return None


def is_there(path: Path) -> bool:
    """Whether there is a file of a name; one that no file can have is nowhere."""
    try:
        return path.exists() or path.name == ":memory:"
    except OSError:
        # Opening says what is wrong with it.
        return True


def pick_session(store: Store, session: int | None) -> SessionRow:
    """Return the session asked for, or the latest.

    Raises
    ------
    UsageError
        If there is none.
    """
    from logger.errors import UsageError

    if session is not None:
        return store.sessions.get(session)
    every = store.sessions.all()
    if not every:
        raise UsageError(
            f"{store.path}: no session yet. Start one with 'lieboard log PORT' or type marks in "
            "with 'lieboard mark CLUB MM'"
        )
    return every[-1]


def output() -> Console:
    """Return the console for results: plain when piped, and as wide as it takes then.

    Square brackets are no markup: labels, reasons and notes are shown as they were typed. What
    would tell the terminal to do something is not.
    """
    from logger.cli.terminal.screen import FitConsole

    width = None if sys.stdout.isatty() else 160
    # emoji: else a name such as ":bug:" becomes a picture.
    return FitConsole(highlight=False, markup=False, emoji=False, width=width)


def say(words: str = "", *, err: bool = False) -> None:
    """Print a line; what in it would tell the terminal to do something is not printed."""
    from logger.cli.terminal.safe_text import fit

    print(fit(words), file=sys.stderr if err else sys.stdout, flush=True)


def utc_now_ns() -> int:
    """Return UTC for things that a person does at a prompt."""
    from logger.hostclock import HostClock

    return HostClock().utc_ns()


def said_here() -> Said:
    """Return when and where what is typed now is said."""
    from logger.session.corrections.acts import Said

    return Said(utc_now_ns(), "terminal")


def agree_to(doubts: Sequence[str], *, yes: bool) -> None:
    """Tell what speaks against an act, and go on only if it is wanted all the same.

    Raises
    ------
    UsageError
        It is not, or nobody can be asked.
    """
    from logger.errors import UsageError

    if not doubts or yes:
        for doubt in doubts:
            say(f"note: {doubt}")
        return
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError(f"{'; '.join(doubts)}: nothing was kept; --yes keeps it all the same")
    for doubt in doubts:
        say(doubt)
    if not typer.confirm("Keep it all the same?"):
        raise UsageError("nothing was kept")


def moment_of(text: str, now_utc_ns: int) -> int:
    """Read a date, or date and time, of this machine's clock; return UTC ns.

    Raises
    ------
    UsageError
        It is none, or lies in the future.
    """
    import datetime

    from logger.errors import UsageError

    try:
        moment = datetime.datetime.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(f"{text!r} is no date: write 2026-03-14, or 2026-03-14T17:30") from None
    utc_ns = round(moment.astimezone(datetime.UTC).timestamp()) * 10**9
    if utc_ns > now_utc_ns:
        raise UsageError(f"{text} lies in the future: check the date; nothing was changed")
    return utc_ns


def local_time(utc_ns: int) -> str:
    """Return a moment as this machine's local date and time."""
    import datetime

    moment = datetime.datetime.fromtimestamp(utc_ns / 1e9, tz=datetime.UTC).astimezone()
    return moment.strftime("%Y-%m-%d %H:%M")
