"""``lieboard gradation`` and ``lieboard overlay``: does the set step evenly."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import (
    DbOption,
    InchesOption,
    InsteadOption,
    open_store,
    output,
    said_here,
)

if TYPE_CHECKING:
    from rich.console import Console

    from logger.session.results.gradation import Grading

PlayerOption = Annotated[str | None, typer.Option(help="Whose set.")]
SetOption = Annotated[str | None, typer.Option("--set", help="Which set.")]


def overlay(
    first: Annotated[str, typer.Argument(help="Label of one club, the longer as a rule.")],
    second: Annotated[str, typer.Argument(help="Label of its neighbour.")],
    offset: Annotated[
        float,
        typer.Argument(
            help="How far apart the grip ends stand, soles aligned: mm, + if the second club "
            "stands on the upright side."
        ),
    ],
    widths: Annotated[
        bool, typer.Option("--widths", help="The offset is given in grip widths, not in mm.")
    ] = False,
    grip: Annotated[float, typer.Option(help="Width of these grips, mm.")] = 26.0,
    u: Annotated[float, typer.Option(help="How well it could be read, mm (one sigma).")] = 3.0,
    instead_of: InsteadOption = None,
    player: PlayerOption = None,
    set_name: SetOption = None,
    db: DbOption = None,
) -> None:
    """Keep how two neighbours laid sole to sole stand apart at the grip ends.

    Examples: lieboard overlay 6i 7i 13; lieboard overlay 6i 7i 0.5 --widths
    """
    from logger.errors import UsageError
    from logger.session.corrections.words import keep_overlay
    from logger.session.logging.fitting import club_of
    from logger.session.logging.opening import which_set

    if not (0 < u <= 50 and 5 <= grip <= 60):
        raise UsageError("--u lies within 0 and 50 mm, --grip within 5 and 60 mm")
    offset_mm = offset * grip if widths else offset
    with open_store(db) as store:
        own = store.sets.get(which_set(store, player, set_name))
        words = keep_overlay(
            store, own, club_of(own, first), club_of(own, second), said_here(),
            offset_mm=offset_mm, u_mm=u, instead_of=instead_of,
        )  # fmt: skip
    output().print(f"{words}. Next: lieboard gradation. Back: lieboard undo")


def gradation(
    player: PlayerOption = None,
    set_name: SetOption = None,
    inches: InchesOption = False,
    db: DbOption = None,
) -> None:
    """Show whether lies, lofts and lengths step evenly, and what the swings ask for.

    Example: lieboard gradation
    """
    from logger.session.logging.opening import which_set
    from logger.session.results.clubs import session_results
    from logger.session.results.gradation import grade_set

    with open_store(db, read_only=True) as store:
        own = store.sets.get(which_set(store, player, set_name))
        sessions = store.sessions.all(own.id)
        results = session_results(store, sessions[-1]) if sessions else None
        clubs = () if results is None else results.clubs
        known = {club.label for club in own.clubs}
        lies = {one.label: one.lie for one in clubs if one.lie is not None and one.label in known}
        grading = grade_set(store, own, None if results is None else lies)
        decisions = {one.label: one.decision.words for one in clubs}
        print_grading(output(), grading, decisions, inches=inches)


def print_grading(
    console: Console, grading: Grading, decisions: Mapping[str, str], *, inches: bool = False
) -> None:
    """Print steps, findings, overlays and needed against measured lies."""
    from rich.table import Table

    from logger.setfiles.units import inches_from_mm

    def number(value: float | None, digits: int = 1, sign: bool = True) -> str:
        return "-" if value is None else f"{value:{'+z' if sign else ''}.{digits}f}"

    unit = "in" if inches else "mm"
    table = Table(box=None, padding=(0, 1), title="Steps", title_justify="left")
    for heading in ("from", "to", f"length {unit}", "lie °", "usual °", "loft °"):
        table.add_column(heading, justify="left" if heading in ("from", "to") else "right")
    for step in grading.static.steps:
        length = step.length_mm
        if inches and length is not None:
            length = inches_from_mm(length)
        table.add_row(
            step.first,
            step.second,
            number(length, 2 if inches else 1),
            number(step.lie_deg),
            number(step.expected_lie_deg),
            number(step.loft_deg),
        )
    console.print(table)
    for finding in grading.static.findings:
        console.print(f"  {'!' if finding.kind.is_fault else '-'} {finding.words}")
    if grading.static.grades_evenly:
        console.print("  Lies, lofts and lengths step evenly.")
    if grading.network is not None:
        for words in grading.network.findings:
            console.print(f"  {words}")
    if grading.delivered is not None:
        console.print()
        rows = Table(
            box=None,
            padding=(0, 1),
            title="Measured lie, and the lie this swing needs (latest session)",
            title_justify="left",
        )
        for heading in ("club", "static °", "lie °", "needed °", "±", "decision"):
            rows.add_column(heading, justify="left" if heading in ("club", "decision") else "right")
        for row in grading.delivered.rows:
            rows.add_row(
                row.label,
                number(row.static_deg, sign=False),
                number(row.lie_error_deg),
                number(row.needed_deg, sign=False),
                number(row.u_needed_deg, sign=False),
                decisions.get(row.label, "-"),
            )
        console.print(rows)
        said: dict[str, list[str]] = {}
        for row in grading.delivered.rows:
            said.setdefault(row.words, []).append(row.label)
        for words, labels in said.items():
            console.print(f"  {', '.join(labels)}: {words}")
        console.print(f"  {grading.delivered.words}")


# An offset on the flat side is typed as -13: that is a number and no option.
overlay.context_settings = {"ignore_unknown_options": True}  # type: ignore[attr-defined]
