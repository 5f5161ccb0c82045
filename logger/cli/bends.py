"""``lieboard bent``, ``learned`` and ``bounce``: what was bent, what it did, and front to back."""

from __future__ import annotations

import math
from typing import Annotated

import typer

from logger.cli.common import (
    DbOption,
    InsteadOption,
    SessionOption,
    YesOption,
    agree_to,
    moment_of,
    open_store,
    output,
    pick_session,
    said_here,
)


def bent(
    club: Annotated[str, typer.Argument(help="Label of the club, such as 7i.")],
    before: Annotated[str, typer.Argument(help="Lie before, degrees, as measured.")],
    after: Annotated[str, typer.Argument(help="Lie after the last step, as measured.")],
    loft_before: Annotated[str | None, typer.Option(help="Loft before, degrees.")] = None,
    loft_after: Annotated[str | None, typer.Option(help="Loft after, degrees.")] = None,
    planned: Annotated[
        str | None,
        typer.Option(
            help="What the bend sheet asked for, + upright. Left out: what it asks for now."
        ),
    ] = None,
    note: Annotated[str | None, typer.Option(help="A remark, such as what the metal did.")] = None,
    on: Annotated[
        str | None, typer.Option(help="When it was bent, such as 2026-03-14. Left out: now.")
    ] = None,
    yes: YesOption = False,
    instead_of: InsteadOption = None,
    player: Annotated[str | None, typer.Option(help="Whose set.")] = None,
    set_name: Annotated[str | None, typer.Option("--set", help="Which set.")] = None,
    db: DbOption = None,
) -> None:
    """Keep what was bent and measured; past bends count against a head's limit.

    Measure lie and loft after the last step: the two move together.

    Example: lieboard bent 6i 61.5 60.0 --planned -1.5
    """
    from logger.session.corrections.words import (
        BendWords,
        bend_said,
        doubts_of_bend,
        keep_bend,
        planned_bend_deg,
    )
    from logger.session.logging.fitting import club_of
    from logger.session.logging.opening import which_set
    from logger.session.results.bench import bent_so_far_deg

    lie_before, lie_after = _degrees("before", before), _degrees("after", after)
    lofts = (
        None if loft_before is None else _degrees("--loft-before", loft_before),
        None if loft_after is None else _degrees("--loft-after", loft_after),
    )
    plan = None if planned is None else _degrees("--planned", planned)
    with open_store(db) as store:
        own = store.sets.get(which_set(store, player, set_name))
        row = club_of(own, club)
        if plan is None:
            plan = (
                planned_bend_deg(store, own, row)
                if instead_of is None
                else bend_said(store, instead_of).planned_bend_deg
            )
        bend = BendWords(lie_before, lie_after, lofts[0], lofts[1], plan, note)
        if instead_of is None:
            agree_to(doubts_of_bend(store, own, row, bend), yes=yes)
        said = said_here()
        at = None if on is None else moment_of(on, said.utc_ns)
        keep_bend(store, own, row, bend, said, bent_utc_ns=at, instead_of=instead_of)
        total = bent_so_far_deg(store, row.id)
        kept = store.readings.bends(row.id)
        asked = next((one.planned_bend_deg for one in kept if one.bent_utc_ns == at), None)
        asked = kept[-1].planned_bend_deg if at is None else asked
        output().print(
            f"{row.label}: lie {lie_before:g}° to {lie_after:g}° kept"
            + ("" if asked is None else f" (asked for: {asked:+g}°)")
            + f"; this head was bent {total:g}° in all. Hit it again to see whether it did what "
            "it should. Back: lieboard undo"
        )


def _degrees(name: str, text: str) -> float:
    from logger.errors import UsageError

    plain = text.strip().removesuffix("°").strip().replace(",", ".").replace("−", "-")
    try:
        value = float(plain)
    except ValueError:
        raise UsageError(f"{name} {text!r} is not a number of degrees: write 61.5") from None
    if not math.isfinite(value):
        raise UsageError(f"{name} {text!r} is not a number of degrees: write 61.5")
    return value


def bounce(session: SessionOption = None, db: DbOption = None) -> None:
    """Show where each sole touched front to back, and what that says of its bounce.

    Needs a board with two rows, or marks read with their second number.

    Example: lieboard bounce
    """
    from analysis.answers import NoAnswerError
    from analysis.conventions import WEDGE_LOFT_DEG
    from analysis.plan.bounce import SoleKind, bounce_error
    from logger.session.evidence.evidence import session_evidence

    console = output()
    with open_store(db, read_only=True) as store:
        evidence = session_evidence(store, pick_session(store, session))
        hit = [one for one in evidence if one.used]
        if not any(one.trail.n_used for one in evidence):
            seen = any(seen.source == "board" for one in hit for seen in one.seen)
            what = "this board has one row of cells and sees" if seen else "what was kept shows"
            console.print(
                f"Nothing is known front to back: {what} only heel to toe. Read marks with a "
                "second number, such as 'lieboard mark 7i 4 2t', or build the board with a second "
                "row of cells."
            )
            return
        for one in evidence:
            loft = one.club.spec.loft_deg
            wedge = loft is not None and loft >= WEDGE_LOFT_DEG
            try:
                read = bounce_error(one.trail, kind=SoleKind.WEDGE if wedge else SoleKind.IRON)
            except NoAnswerError as error:
                if not one.used:
                    console.print(f"{one.club.label}: not hit")
                elif one.trail.n_used == 0:
                    console.print(
                        f"{one.club.label}: not seen front to back; read marks with a second number"
                    )
                else:
                    console.print(f"{one.club.label}: {error}")
            else:
                console.print(f"{one.club.label}: {read.words}")
    console.print("One degree of loft is one degree of bounce: strong takes it away, weak adds it.")


def learned(
    player: Annotated[str | None, typer.Option(help="Whose set.")] = None,
    set_name: Annotated[str | None, typer.Option("--set", help="Which set.")] = None,
    db: DbOption = None,
) -> None:
    """Hold each bend against the session after it, and learn the head's mm per degree.

    Example: lieboard learned
    """
    from logger.errors import UsageError
    from logger.session.logging.opening import which_set
    from logger.session.results.follow_up import follow_bends

    console = output()
    with open_store(db, read_only=True) as store:
        own = store.sets.get(which_set(store, player, set_name))
        followed, waiting = follow_bends(store, own)
    if not followed and not waiting:
        raise UsageError(f"no bend of {own.name} is kept: lieboard bent CLUB BEFORE AFTER")
    for one in followed:
        console.print(f"{one.club.label}: {one.learned.words}")
    for words in waiting:
        console.print(words)


# A plan toward flat is typed as --planned -1.5: that is a number and no option.
bent.context_settings = {"ignore_unknown_options": True}  # type: ignore[attr-defined]
