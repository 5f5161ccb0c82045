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
    from rich.console import Console
    from rich.table import Table

    from analysis.plan.types import SetPlan
    from analysis.statistics.estimation import Interval
    from logger.session.evidence.evidence import ClubEvidence
    from logger.session.results.clubs import ClubResult, SessionResults


def clubs(
    session: SessionOption = None,
    budget: Annotated[
        bool, typer.Option("--budget", help="Also show what makes each lie error doubtful.")
    ] = False,
    inches: InchesOption = False,
    db: DbOption = None,
) -> None:
    """Show per club where the sole touched, how far its lie is off, and what is decided.

    Examples: lieboard clubs; lieboard clubs --budget
    """
    from logger.session.corrections.strikes import forgotten_steps
    from logger.session.results.clubs import session_results

    with open_store(db, read_only=True) as store:
        row = pick_session(store, session)
        results = session_results(store, row)
        console = output()
        print_clubs(console, results, inches=inches)
        for step in forgotten_steps(store, row.id):
            console.print(step.words)
        if budget:
            print_budgets(console, results.picture.clubs)


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


def print_clubs(console: Console, results: SessionResults, *, inches: bool = False) -> None:
    """Print the club table, and what a reader must know of it."""
    from logger.setfiles.units import inches_from_mm

    unit, digits = ("in", 2) if inches else ("mm", 1)

    def length(mm: float, sign: str = "+z") -> str:
        return f"{inches_from_mm(mm) if inches else mm:{sign}.{digits}f}"

    def contact(one: ClubResult) -> str:
        mean, ends = one.evidence.contact.mean_mm, one.evidence.contact.interval_mm
        if mean is None:
            return "-"
        return length(mm=mean) + (
            "" if ends is None else f" ± {length((ends.high - ends.low) / 2, '')}"
        )

    clubs = results.clubs
    table = _table("Clubs")
    table.add_column("club")
    table.add_column("used", justify="right")
    for heading, count in (("aside", "set_aside"), ("lost", "lost")):
        if any(getattr(one.evidence, count) for one in clubs):
            table.add_column(heading, justify="right")
    table.add_column(f"contact {unit}", justify="right")
    # A wide terminal has room for what a narrow one does without.
    wide = console.width >= _WIDE
    if wide:
        table.add_column("spread", justify="right")
    table.add_column("touched")
    table.add_column("lie °", justify="right")
    table.add_column("90 %", justify="right", no_wrap=True)
    table.add_column("decision")
    for one in clubs:
        evidence, spread = one.evidence, one.evidence.contact.spread_mm
        counts = [
            str(getattr(evidence, count))
            for count in ("set_aside", "lost")
            if any(getattr(other.evidence, count) for other in clubs)
        ]
        table.add_row(
            one.label,
            str(evidence.used),
            *counts,
            contact(one),
            *(["-" if spread is None else length(spread, "")] if wide else []),
            one.touched or "-",
            "-" if one.lie_error_deg is None else f"{one.lie_error_deg:+z.1f}",
            _ends(one.interval_deg),
            one.decision.words,
        )
    console.print(table)
    console.print("contact: + toe, - heel; lie error: + too upright, - too flat as delivered")
    for remark in results.remarks:
        console.print(remark)
    for one in clubs:
        for words in (one.wanted.words, one.off_line):
            if words:
                console.print(f"{one.label}: {words}")
    together = results.picture.together
    if together is not None:
        half = (together.slope.interval.high - together.slope.interval.low) / 2
        console.print(
            f"along the set: {together.level.value:+z.1f}° at the pivot, "
            f"{together.slope.value:+z.2f} ± {half:.2f}° for each half inch longer"
        )
        for note in together.notes:
            console.print(note)
    if results.no_plan and together is not None:
        console.print(f"no bend sheet: {results.no_plan}")
    if results.advice is not None:
        console.print(f"next: {results.advice.why}")


# Columns from which a table shows all it has.
_WIDE = 100


def _table(title: str) -> Table:
    from rich.table import Table

    return Table(box=None, padding=(0, 1, 0, 0), title=title, title_justify="left")


def _ends(interval: Interval | None) -> str:
    return "-" if interval is None else f"{interval.low:+z.1f} … {interval.high:+z.1f}"


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
            title=(
                f"{one.club.label}: {total.value:+z.1f}° ± {total.expanded:.2f}° "
                f"({100 * total.level:.0f} %; one standard uncertainty is {total.u:.2f}°)"
            ),
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
    """Print the bend sheet with its reasons and cautions."""
    from rich.table import Table

    from analysis.conventions import sure_words

    gaps = ", by gaps between the clubs" if plan.gaps else ""
    table = _table(f"Bend sheet (machine step {plan.rules.increment_deg:g}°){gaps}")
    lofts = any(row.loft_change_deg for row in plan.rows)
    table.add_column("club")
    table.add_column("decision")
    if lofts:
        table.add_column("loft")
    for heading in ("off line °" if plan.gaps else "lie °", "90 %", "after"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("measured lie", justify="right")
    table.add_column("pulls", justify="right", no_wrap=True)
    metres = any(row.bend_deg and row.change_m is not None for row in plan.rows)
    if metres:
        table.add_column("miss", justify="right", no_wrap=True)
    for row in plan.rows:
        static = "-"
        if row.static_before_deg is not None and row.static_after_deg is not None:
            static = f"{row.static_before_deg:g}"
            if row.bend_deg:
                static += f" → {row.static_after_deg:g}"
        miss = ""
        if row.change_m is not None and row.bend_deg:
            miss = f"{row.change_m:+z.1f} m"
        table.add_row(
            row.label,
            row.decision.words,
            *([_loft(row.loft_change_deg)] if lofts else []),
            f"{row.error_before_deg:+z.1f}",
            _ends(row.interval_deg),
            f"{row.error_after_deg:+z.1f}" if row.bend_deg else "",
            static,
            " ".join(f"{pull:+g}" for pull in row.pulls_deg),
            *([miss] if metres else []),
        )
    console.print(table)
    console.print()
    reasons = Table(box=None, padding=(0, 1, 0, 0), show_header=False)
    for row in plan.rows:
        why = f"{row.why}. Loft {row.loft_words}" if row.loft_words else row.why
        reasons.add_row(row.label, f"{why[:1].upper()}{why[1:]}.")
    console.print(reasons)
    console.print()
    for note in plan.notes:
        console.print(note)
    if lofts:
        console.print("A change of loft changes the carry with it; measure loft and lie together.")
    if plan.p_better is not None:
        console.print(
            f"The sheet as a whole brings the misses down with {sure_words(plan.p_better)}."
            + (" miss: change of the expected distance aside at carry." if metres else "")
        )
    console.print()
    for caution in plan.cautions:
        console.print(f"  ! {caution}")


def _loft(change_deg: float) -> str:
    return f"{abs(change_deg):g}° {'weak' if change_deg > 0 else 'strong'}" if change_deg else ""


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
