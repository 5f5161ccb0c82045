"""``lieboard clubs`` and ``lieboard sheet``: the club table and the bend sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
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

    from analysis.plan.types import SetPlan
    from logger.session.evidence.evidence import ClubEvidence, SessionPicture


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
    from logger.session.corrections.strikes import forgotten_steps
    from logger.session.evidence.evidence import session_picture
    from logger.session.results.planning import advise

    with open_store(db, read_only=True) as store:
        row = pick_session(store, session)
        picture = session_picture(store, row)
        console = output()
        print_clubs(console, picture, inches=inches)
        advice = advise(store, row, picture)
        if advice is not None:
            console.print(f"next: {advice.why}")
        for step in forgotten_steps(store, row.id):
            console.print(step.words)
        if budget:
            print_budgets(console, picture.clubs)


def sheet(
    session: SessionOption = None,
    increment: Annotated[
        float | None, typer.Option(help="Smallest step of the machine, degrees.")
    ] = None,
    lock: Annotated[
        list[str] | None, typer.Option(help="Leave this club alone; may be given again.")
    ] = None,
    must_bend: Annotated[
        list[str] | None,
        typer.Option(
            help="Bend this club whatever the evidence says: 6i as is best, 6i=1f by 1 degree "
            "flat, 6i=0.5u upright; may be given again."
        ),
    ] = None,
    most: Annotated[
        list[str] | None,
        typer.Option(
            help="Farthest from the present lie that a club may end, degrees: 1 for every club, "
            "6i=0.5 for one; may be given again."
        ),
    ] = None,
    within: Annotated[
        list[str] | None,
        typer.Option(
            help="Farthest from the wanted lie that a club may end, degrees: 1, or 6i=0.5; may be "
            "given again."
        ),
    ] = None,
    loft: Annotated[
        list[str] | None,
        typer.Option(
            help="Bend the loft too, and say what that does to the bounce: PW=1s strong, PW=1w "
            "weak, 0.5w for every club; may be given again."
        ),
    ] = None,
    into_line: Annotated[
        bool,
        typer.Option(
            "--into-line", help="Put clubs into line with the set and leave its level alone."
        ),
    ] = False,
    degrees: Annotated[
        bool, typer.Option("--degrees", help="Weigh misses in degrees, not in metres at carry.")
    ] = False,
    why: Annotated[
        str | None, typer.Option(help="Tell the story of one club's row, such as 5i.")
    ] = None,
    db: DbOption = None,
) -> None:
    """Work out the bend sheet of a session: the best one for the whole set.

    Examples: lieboard sheet; lieboard sheet --increment 0.25 --lock SW; lieboard sheet --why 6i;
    lieboard sheet --must-bend 6i=1f --most 1 --loft PW=1w
    """
    from logger.cli.sheets import WEAK_STRONG, bends_by_club, degrees_by_club
    from logger.errors import UsageError
    from logger.session.evidence.evidence import session_picture
    from logger.session.results.planning import PlanWishes, bend_plan

    if increment is not None and not 0.05 <= increment <= 4:
        raise UsageError(f"--increment {increment:g}: a machine steps by 0.05 to 4 degrees")
    wishes = PlanWishes(
        increment,
        lock or (),
        into_line,
        not degrees,
        must_bend=bends_by_club("--must-bend", must_bend),
        most_bend_deg=degrees_by_club("--most", most),
        within_deg=degrees_by_club("--within", within),
        loft_change_deg=degrees_by_club("--loft", loft, WEAK_STRONG),
    )
    with open_store(db, read_only=True) as store:
        row = pick_session(store, session)
        picture = session_picture(store, row)
        plan = bend_plan(store, row, picture, wishes)
        if why is None:
            print_sheet(output(), plan)
        else:
            output().print(_story(plan, why))


def _story(plan: SetPlan, label: str) -> str:
    from analysis.plan.rows import why
    from logger.errors import UsageError

    for row in plan.rows:
        if row.label.casefold() == label.casefold():
            return why(plan, row.label)
    known = " ".join(row.label for row in plan.rows)
    raise UsageError(f"there is no club {label} on this sheet: it has {known}")


def print_clubs(console: Console, picture: SessionPicture, *, inches: bool = False) -> None:
    """Print the club table.

    Contact is each club's own; the lie error is that of the set model, in which clubs with few
    strikes lean on the others.
    """
    from rich.table import Table

    from logger.setfiles.units import inches_from_mm

    unit, digits = ("in", 2) if inches else ("mm", 1)

    def length(mm: float) -> str:
        return f"{inches_from_mm(mm) if inches else mm:+.{digits}f}"

    table = Table(box=None, padding=(0, 1), title="Clubs", title_justify="left")
    for heading in ("club", "used", "aside", "lost", f"contact {unit}", "90 %", "spread"):
        table.add_column(heading, justify="left" if heading == "club" else "right")
    for heading in ("lie error", "90 %", "verdict"):
        table.add_column(heading, justify="left" if heading == "verdict" else "right")
    together = picture.together
    for place, one in enumerate(picture.clubs):
        contact = one.contact
        interval = contact.interval_mm
        lie, doubt = "-", "-"
        if together is not None and one.used:
            lie = f"{together.mean_deg[place]:+z.1f}°"
            doubt = f"{together.low_deg[place]:+z.1f} … {together.high_deg[place]:+z.1f}°"
        table.add_row(
            one.club.label,
            str(one.used),
            str(one.set_aside),
            str(one.lost),
            "-" if contact.mean_mm is None else length(contact.mean_mm),
            "-" if interval is None else f"{length(interval.low)} … {length(interval.high)}",
            "-" if contact.spread_mm is None else length(contact.spread_mm).lstrip("+"),
            lie,
            doubt,
            ", ".join(part for part in (one.verdict_words, picture.words_of(place)) if part),
        )
    console.print(table)
    console.print("contact: + toe, - heel; lie error: + too upright, - too flat as delivered")
    for level in sorted({one.lie.level_words for one in picture.clubs if one.lie is not None}):
        console.print(f"level resolved by: {level}")
    if together is not None:
        half = (together.slope.interval.high - together.slope.interval.low) / 2
        console.print(
            f"along the set: {together.level.value:+z.1f}° at the pivot, "
            f"{together.slope.value:+.2f} ± {half:.2f}° for each half inch longer"
        )
        for note in together.notes:
            console.print(note)


def print_budgets(console: Console, evidence: Sequence[ClubEvidence]) -> None:
    """Print what each lie error's uncertainty is made of, the largest part first."""
    from rich.table import Table

    from analysis.statistics.budget import WHAT_TO_IMPROVE

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


def print_sheet(console: Console, plan: SetPlan) -> None:
    """Print the bend sheet with its cautions."""
    from rich.table import Table

    from analysis.conventions import NORMAL_90

    table = Table(
        box=None,
        padding=(0, 1),
        title=f"Bend sheet (machine step {plan.rules.increment_deg:g}°)",
        title_justify="left",
    )
    lofts = any(row.loft_change_deg for row in plan.rows)
    headings = ["club", "bend", "lie error", "after", "static lie", "pulls", "miss", "why"]
    if lofts:
        headings.insert(2, "loft")
    for heading in headings:
        table.add_column(heading, justify="left" if heading in ("club", "why") else "right")
    for row in plan.rows:
        static = "-"
        if row.static_before_deg is not None and row.static_after_deg is not None:
            static = f"{row.static_before_deg:g}"
            if row.bend_deg:
                static += f" → {row.static_after_deg:g}"
        table.add_row(
            row.label,
            "leave" if row.bend_deg == 0 else _way(row.bend_deg),
            *([_loft(row.loft_change_deg)] if lofts else []),
            f"{row.error_before_deg:+z.1f} ± {NORMAL_90 * row.u_before_deg:.1f}°",
            f"{row.error_after_deg:+z.1f}°" if row.bend_deg else "",
            static,
            " ".join(f"{pull:+g}" for pull in row.pulls_deg),
            "" if row.change_m is None or not row.bend_deg else f"{row.change_m:+z.1f} m",
            f"{row.why}. Loft {row.loft_words}" if row.loft_words else row.why,
        )
    console.print(table)
    if lofts:
        console.print("A change of loft changes the carry with it; measure loft and lie together.")
    if plan.p_better is not None:
        console.print(
            f"The sheet as a whole brings the misses down with {100 * plan.p_better:.0f} %. "
            "miss: change of the expected distance aside at carry."
        )
    for note in plan.notes:
        console.print(note)
    console.print()
    for caution in plan.cautions:
        console.print(f"  ! {caution}")


def _loft(change_deg: float) -> str:
    return f"{abs(change_deg):g}° {'weak' if change_deg > 0 else 'strong'}" if change_deg else ""


def _way(bend_deg: float) -> str:
    from analysis.conventions import lie_word

    return f"{abs(bend_deg):g}° {lie_word(bend_deg)}"


UPRIGHT_FLAT = {"u": 1, "f": -1}
WEAK_STRONG = {"w": 1, "s": -1}


def degrees_by_club(
    option: str, given: Sequence[str] | None, sides: Mapping[str, int] | None = None
) -> dict[str, float]:
    """Read ``CLUB=DEGREES`` or ``DEGREES`` alone, which stands for every club (label "").

    Parameters
    ----------
    option
        As a person types it, for the message.
    given
        What was typed behind it, each time it was given.
    sides
        Letters that may follow the number instead of a sign; None = no sign makes sense.

    Raises
    ------
    UsageError
        One line that names the option and the text.
    """
    from logger.errors import UsageError

    found: dict[str, float] = {}
    for text in given or ():
        label, _, number = text.rpartition("=")
        label = label.strip()
        if label.casefold() in {known.casefold() for known in found}:
            raise UsageError(f"{option} says two things of {label or 'every club'}")
        found[label] = _degrees(option, text, number, sides)
    return found


def bends_by_club(option: str, given: Sequence[str] | None) -> dict[str, float | None]:
    """Read ``CLUB=DEGREES``, or ``CLUB`` alone for as far as is best (None)."""
    from logger.errors import UsageError

    plain = [text.strip() for text in given or () if "=" not in text]
    found: dict[str, float | None] = dict.fromkeys(plain)
    for text in given or ():
        if "=" in text:
            label = text.rpartition("=")[0].strip()
            if label.casefold() in {known.casefold() for known in found}:
                raise UsageError(f"{option} says two things of {label}")
            number = text.rpartition("=")[2].strip()
            if label and number[:1].isdigit() and number[-1:].isdigit():
                raise UsageError(
                    f"{option} {text}: say which way, {label}={number}u for upright or "
                    f"{label}={number}f for flat"
                )
            found |= degrees_by_club(option, [text], UPRIGHT_FLAT)
    if "" in found:
        raise UsageError(f"{option} needs a club, such as {option} 6i or {option} 6i=1f")
    return found


def _degrees(option: str, text: str, number: str, sides: Mapping[str, int] | None) -> float:
    from logger.errors import UsageError

    number = number.strip().lower().replace(",", ".").removesuffix("°")
    sign = 1
    if sides and number[-1:] in sides:
        sign = sides[number[-1]]
        number = number[:-1]
    how = "degrees" if not sides else f"degrees with {' or '.join(sides)} behind, or with a sign"
    try:
        value = float(number)
    except ValueError:
        raise UsageError(f"{option} {text!r}: write CLUB=NUMBER in {how}") from None
    signed = number.lstrip().startswith(("+", "-"))
    if not math.isfinite(value) or (signed and (sign < 0 or not sides)) or abs(value) > 10:
        raise UsageError(f"{option} {text!r}: write CLUB=NUMBER, up to 10, in {how}")
    return sign * value
