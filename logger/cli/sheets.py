"""``lieboard clubs`` and ``lieboard sheet``: the club table and the bend sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import (
    DbOption,
    InchesOption,
    SessionOption,
    open_store,
    output,
    pick_session,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from analysis.correction import BendPlan
    from logger.session.evidence import ClubEvidence


def clubs(
    session: SessionOption = None,
    budget: Annotated[
        bool, typer.Option("--budget", help="Also show what makes each lie error doubtful.")
    ] = False,
    inches: InchesOption = False,
    db: DbOption = None,
) -> None:
    """Show per club where the sole touched and how far its lie is off.

    Examples: lieboard clubs; lieboard clubs --budget
    """
    from logger.session.evidence import session_evidence

    with open_store(db, read_only=True) as store:
        row = pick_session(store, session)
        evidence = session_evidence(store, row)
        console = output()
        print_clubs(console, evidence, inches=inches)
        if budget:
            print_budgets(console, evidence)


def sheet(
    session: SessionOption = None,
    increment: Annotated[
        float | None, typer.Option(help="Smallest step of the machine, degrees.")
    ] = None,
    tolerance: Annotated[
        float, typer.Option(help="A club nearer than this to its wanted lie is left alone.")
    ] = 0.5,
    db: DbOption = None,
) -> None:
    """Work out the bend sheet of a session.

    Example: lieboard sheet --increment 0.25
    """
    from logger.errors import UsageError
    from logger.session.evidence import session_evidence
    from logger.session.planning import bend_plan

    for name, value in (("--increment", increment), ("--tolerance", tolerance)):
        if value is not None and not 0 < value <= 5:
            raise UsageError(f"{name} {value:g}: give degrees above 0 and up to 5")
    with open_store(db, read_only=True) as store:
        row = pick_session(store, session)
        evidence = session_evidence(store, row)
        plan = bend_plan(store, row, evidence, increment_deg=increment, tolerance_deg=tolerance)
        print_sheet(output(), plan)


def print_clubs(
    console: Console, evidence: Sequence[ClubEvidence], *, inches: bool = False
) -> None:
    """Print the club table."""
    from rich.table import Table

    from logger.units import inches_from_mm

    unit, digits = ("in", 2) if inches else ("mm", 1)

    def length(mm: float) -> str:
        return f"{inches_from_mm(mm) if inches else mm:+.{digits}f}"

    table = Table(box=None, padding=(0, 1), title="Clubs", title_justify="left")
    for heading in ("club", "used", "aside", "lost", f"contact {unit}", "90 %", "spread"):
        table.add_column(heading, justify="left" if heading == "club" else "right")
    for heading in ("lie error", "90 %", "verdict"):
        table.add_column(heading, justify="left" if heading == "verdict" else "right")
    for one in evidence:
        contact, lie = one.contact, one.lie
        interval = contact.interval_mm
        table.add_row(
            one.club.label,
            str(one.used),
            str(one.set_aside),
            str(one.lost),
            "-" if contact.mean_mm is None else length(contact.mean_mm),
            "-" if interval is None else f"{length(interval.low)} … {length(interval.high)}",
            "-" if contact.spread_mm is None else length(contact.spread_mm).lstrip("+"),
            "-" if lie is None else f"{lie.lie_error_deg:+.1f}°",
            "-" if lie is None else f"{lie.interval_deg.low:+.1f} … {lie.interval_deg.high:+.1f}°",
            _verdict(one),
        )
    console.print(table)
    console.print("contact: + toe, - heel; lie error: + too upright, - too flat as delivered")
    levels = {one.lie.level_source for one in evidence if one.lie is not None}
    for level in sorted(levels, key=lambda level: level.value):
        console.print(f"level resolved by: {level.value}")


def print_budgets(console: Console, evidence: Sequence[ClubEvidence]) -> None:
    """Print what each lie error's uncertainty is made of, the largest part first."""
    from rich.table import Table

    from analysis.budget import WHAT_TO_IMPROVE

    for one in evidence:
        if one.lie is None:
            continue
        total = one.lie.budget
        console.print()
        table = Table(
            box=None,
            padding=(0, 1),
            title=f"{one.club.label}: {total.value:+.2f}° ± {total.u:.2f}° (standard uncertainty)",
            title_justify="left",
        )
        for heading in ("made of", "u", "brings", "share", "to improve it"):
            left = heading in ("made of", "to improve it")
            table.add_column(heading, justify="left" if left else "right")
        for line in total.lines:
            part = line.contribution
            table.add_row(
                part.name,
                f"{part.u:.2g} {part.unit}",
                f"{line.u_result:.2f}°",
                f"{100 * line.share:.0f} %",
                WHAT_TO_IMPROVE[part.improve_key],
            )
        console.print(table)


def print_sheet(console: Console, plan: BendPlan) -> None:
    """Print the bend sheet with its cautions."""
    from rich.table import Table

    table = Table(
        box=None,
        padding=(0, 1),
        title=f"Bend sheet (machine step {plan.rules.increment_deg:g}°)",
        title_justify="left",
    )
    for heading in ("club", "bend", "± (90 %)", "lie error now", "after", "in steps of", "why"):
        table.add_column(heading, justify="left" if heading in ("club", "why") else "right")
    for row in plan.rows:
        table.add_row(
            row.label,
            "leave" if row.bend_deg == 0 else _way(row.bend_deg),
            "-" if row.u_bend_deg is None else f"{1.645 * row.u_bend_deg:.1f}°",
            "-" if row.lie_before_deg is None else f"{row.lie_before_deg:+.1f}°",
            "-" if row.lie_after_deg is None else f"{row.lie_after_deg:+.1f}°",
            " ".join(f"{step:+g}" for step in row.steps_deg) or "-",
            row.why,
        )
    console.print(table)
    console.print()
    for caution in plan.cautions:
        console.print(f"  ! {caution}")


def _way(bend_deg: float) -> str:
    return f"{abs(bend_deg):g}° {'upright' if bend_deg > 0 else 'flat'}"


def _verdict(one: ClubEvidence) -> str:
    judgement = one.judgement
    words = judgement.verdict.value
    if judgement.more_swings:
        words += f" (about {judgement.more_swings} more)"
    elif judgement.more_swings is None:
        words += " (level unknown)"
    if one.trail_judgement is not None and one.trail_judgement.verdict.is_sided:
        words += f", {one.trail_judgement.verdict.value}"
    return words
