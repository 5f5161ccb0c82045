"""``lieboard board study`` and ``lieboard board audit``: how far the board can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import DbOption, SessionOption, open_store, output, pick_session

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.board.gauge import GaugeStudy
    from logger.session.evidence.audits import Pair
    from logger.store.rows import BoardRow
    from logger.store.store import Store

_LIES = ("lie", "part", "club", "item")
_PEOPLE = ("person", "operator", "who", "fitter")
_VALUES = ("value_deg", "value", "reading_deg", "degrees")
_BOARD = ("board_toe_mm", "board_mm", "board")
_MARK = ("mark_toe_mm", "mark_mm", "mark")
# Longer than any iron's sole, heel to toe: only a slip of typing lies beyond (common practice).
_LONGEST_SOLE_MM = 90.0


def study(
    file: Annotated[
        Path, typer.Argument(help="CSV with columns lie, person and value_deg; a row a reading.")
    ],
    tolerance: Annotated[
        float, typer.Option(help="What the fitter tolerates either way, degrees.")
    ] = 0.5,
) -> int:
    """Is the board good enough to bend by? Several lies, several people, each read several times.

    Five or more lies that cover what you meet, two or three people, three readings each, in mixed
    order. A value is one reading as it is used: if a club is judged by the mean of ten strikes,
    each value is such a mean. Ends with exit code 1 if the answer is no.

    Example: lieboard board study study.csv --tolerance 0.5
    """
    from analysis.answers import NoAnswerError, Verdict
    from analysis.board.gauge import crossed_study
    from logger.cli.board.tables import read_table
    from logger.errors import ConfigError, UsageError

    if not 0 < tolerance <= 10:
        raise UsageError(f"--tolerance {tolerance:g}: give degrees, more than 0 and up to 10")
    table = read_table(file, {"lie": _LIES, "person?": _PEOPLE, "value_deg": _VALUES})
    lies, values = table.texts("lie"), table.numbers("value_deg")
    people = table.texts("person") if "person" in table.columns else ["one"] * len(lies)
    _refuse_gaps(file, lies, people)
    try:
        result = crossed_study(lies, people, values, tolerance_deg=tolerance)
    except NoAnswerError as reason:
        raise ConfigError(f"{file}: {reason}") from None
    _show_study(output(), result, tolerance)
    return 1 if result.verdict is Verdict.FAIL else 0


def _refuse_gaps(file: Path, lies: list[str], people: list[str]) -> None:
    """Raise if some person did not read some lie as often as the others."""
    from collections import Counter

    from logger.errors import ConfigError

    counts = Counter(zip(lies, people, strict=True))
    most = max(counts.values())
    for lie in dict.fromkeys(lies):
        for person in dict.fromkeys(people):
            number = counts[lie, person]
            if number < most:
                raise ConfigError(
                    f"{file}: {lie} was read {number} times by {person}, others {most} times: "
                    "every person has to read every lie equally often; add the missing readings"
                )


def _show_study(console: Console, result: GaugeStudy, tolerance: float) -> None:
    from rich.table import Table

    console.print(
        f"{result.parts} lies, {result.people} people, {result.repeats} readings each; tolerance "
        f"±{tolerance:g}°"
    )
    table = Table("scatter of", box=None)
    for heading in (
        "sd °",
        f"{100 * result.level:.0f} % interval °",
        "% of study",
        "% of tolerance",
    ):
        table.add_column(heading, justify="right")
    names = (
        ("the board itself (repeatability)", result.repeatability),
        ("people", result.person),
        ("people from lie to lie", result.interaction),
        ("people in all (reproducibility)", result.reproducibility),
        ("board and people together", result.gauge),
        ("the lies", result.part),
        ("all", result.total),
    )
    for name, part in names:
        table.add_row(
            name,
            f"{part.sd:.3f}",
            f"{part.interval[0]:.3f} to {part.interval[1]:.3f}",
            f"{part.percent_study:.1f}",
            f"{part.percent_tolerance:.1f}",
        )
    console.print(table)
    if result.pooled and result.people > 1:
        console.print("People do not differ from lie to lie: that part was counted with the board.")
    if result.categories is not None:
        console.print(f"distinct categories: {result.categories} (5 or more is fair)")
    console.print(f"{result.verdict.value}: {result.reason}")


def audit(
    file: Annotated[
        Path | None,
        typer.Argument(
            help="CSV with columns board_toe_mm and mark_toe_mm. Left out: the marks of a session "
            "that were typed in with 'lieboard mark ... --audits NUMBER'."
        ),
    ] = None,
    sole_length: Annotated[
        float | None, typer.Option(help="Length of the longest sole among them, mm.")
    ] = None,
    mark_u: Annotated[
        float,
        typer.Option(help="How far all marks may be read wrong alike, mm (one sigma)."),
    ] = 0.5,
    keep: Annotated[
        bool,
        typer.Option(
            "--keep",
            help="Keep it, dated: the level of later sessions of this player, or on this board, "
            "rests on it where no sole end prints and no marks are read. A file needs --session.",
        ),
    ] = False,
    moved: Annotated[
        bool,
        typer.Option(
            "--moved",
            help="Note that the board's strip was moved under its address mark after that session: "
            "earlier audits of the board hold no more.",
        ),
    ] = False,
    session: SessionOption = None,
    db: DbOption = None,
) -> None:
    """Compare the board with marks on the sole of the same swings: bias, agreement, level.

    Both count from the middle of the score lines, in mm, positive toward the toe.

    Examples: lieboard board audit; lieboard board audit --keep; lieboard board audit pairs.csv
    """
    from logger.errors import UsageError

    if mark_u < 0 or (sole_length is not None and not 20 <= sole_length <= 150):
        raise UsageError("--mark-u is 0 or more, and --sole-length within 20 and 150 mm")
    if keep and file is not None and session is None:
        raise UsageError("--keep with a file: name the session of these swings with --session")
    if moved:
        _note_moved(db, session)
        return
    found = _pairs_of(file, sole_length, session, db)
    _show_audit(output(), found, mark_u)
    if keep:
        _keep(found, mark_u, session, db)


@dataclass(frozen=True, slots=True)
class _Found:
    """Pairs of board and mark, mm, and where they are from."""

    board: list[float]
    mark: list[float]
    names: list[str]
    source: str
    longest_mm: float
    pairs: tuple[Pair, ...] = ()
    """Those that the data file holds."""


def _pairs_of(
    file: Path | None, sole_length: float | None, session: int | None, db: Path | None
) -> _Found:
    from logger.cli.board.tables import read_table

    if file is None:
        with open_store(db, read_only=True) as store:
            return _stored_pairs(store, session, sole_length)
    table = read_table(file, {"board_toe_mm": _BOARD, "mark_toe_mm": _MARK})
    return _Found(
        table.numbers("board_toe_mm"),
        table.numbers("mark_toe_mm"),
        [f"row {number}" for number in table.line_numbers],
        str(file),
        sole_length or _LONGEST_SOLE_MM,
    )


def _show_audit(console: Console, found: _Found, mark_u: float) -> None:
    from analysis.answers import NoAnswerError
    from analysis.board.audit import agreement, audit_line, level_from_marks
    from logger.errors import LieboardError

    board, mark = found.board, found.mark
    try:
        agreed = agreement(board, mark)
        level = level_from_marks(
            board, mark, sole_length_mm=found.longest_mm, u_mark_common_mm=mark_u
        )
    except NoAnswerError as reason:
        raise LieboardError(f"{found.source}: {reason}") from None
    try:
        scale = audit_line(board, mark).words
    except NoAnswerError as reason:
        scale = f"Scales were not compared: {reason}."
    low, high = agreed.bias_interval
    console.print(f"{found.source}: {agreed.n} swings read both ways, board minus mark")
    console.print(f"bias {agreed.bias:+.2f} mm (95 % {low:+.2f} to {high:+.2f})")
    console.print(
        f"limits of agreement {agreed.limits[0]:+.2f} (95 % {agreed.lower_interval[0]:+.2f} to "
        f"{agreed.lower_interval[1]:+.2f}) and {agreed.limits[1]:+.2f} mm (95 % "
        f"{agreed.upper_interval[0]:+.2f} to {agreed.upper_interval[1]:+.2f})"
    )
    console.print(
        f"level: take {level.offset_mm:+.2f} ± {level.u_mm:.2f} mm off the board's contacts "
        "(reading error of the marks included)"
    )
    console.print(scale)
    for index in agreed.odd_pairs:
        console.print(
            f"Look at {found.names[index]}: board {board[index]:+.1f}, mark {mark[index]:+.1f} mm; "
            "likely not the same swing."
        )


def _keep(found: _Found, mark_u: float, session: int | None, db: Path | None) -> None:
    """Keep an audit, and say what it will be worth in a session without marks."""
    from dataclasses import replace

    from logger.session.evidence.audits import (
        board_of_session,
        carried_audit,
        keep_audit,
        keep_pairs,
    )

    console = output()
    with open_store(db) as store:
        row = pick_session(store, session)
        if found.pairs:
            boards = keep_audit(store, row, found.pairs, u_mark_common_mm=mark_u)
        else:
            boards = [_one_board(board_of_session(store, row.id), row.id)]
            toes = list(zip(found.board, found.mark, strict=True))
            keep_pairs(store, row, boards[0], toes, u_mark_common_mm=mark_u)
        names = ", ".join(board.name for board in boards)
        # As of a session of the same player on the same board, one nanosecond later.
        carried = carried_audit(store, replace(row, started_utc_ns=row.started_utc_ns + 1))
        player = store.sets.get(row.set).player.name
    console.print(f"Kept for {names} and {player}.")
    if carried is None:
        return
    level = carried.level
    console.print(
        f"In a session without marks it says {level.offset_mm:+.1f} ± {level.u_mm:.1f} mm: a "
        "player's delivery wanders from day to day"
        + (
            ", yet that settles the level."
            if level.settles_level
            else ". That is too wide to rest a level on: read more marks, best in another session."
        )
    )


def _note_moved(db: Path | None, session: int | None) -> None:
    from logger.session.evidence.audits import board_of_session, note_moved

    with open_store(db) as store:
        row = pick_session(store, session)
        board = _one_board(board_of_session(store, row.id), row.id)
        note_moved(store, board, row.started_utc_ns + 1)
    output().print(
        f"Audits of {board.name} up to session {row.id} say nothing of its strip any more; what "
        "they say of a player stays."
    )


def _one_board(board: BoardRow | None, session: int) -> BoardRow:
    from logger.errors import UsageError

    if board is None:
        raise UsageError(
            f"session {session} was not swung on one board: choose another with --session"
        )
    return board


def _stored_pairs(store: Store, session: int | None, sole_length: float | None) -> _Found:
    from logger.errors import UsageError
    from logger.session.evidence.audits import audit_pairs

    row = pick_session(store, session)
    pairs = audit_pairs(store, row.id)
    if not pairs:
        raise UsageError(
            f"session {row.id} has no mark that audits a strike: type marks in with 'lieboard mark "
            "CLUB MM --audits NUMBER', NUMBER as in 'lieboard strikes'"
        )
    lengths = [
        club.spec.sole_length_mm
        for club in store.sets.get(row.set).clubs
        if club.spec.sole_length_mm is not None
    ]
    return _Found(
        [pair.board_toe_mm for pair in pairs],
        [pair.mark_toe_mm for pair in pairs],
        [pair.name for pair in pairs],
        f"session {row.id}",
        sole_length or (max(lengths) if lengths else _LONGEST_SOLE_MM),
        tuple(pairs),
    )
