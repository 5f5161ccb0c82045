"""``lieboard bent``, ``learned`` and ``bounce``: what was bent, what it did, and front to back."""

from __future__ import annotations

from typing import Annotated

import typer

from logger.cli.common import DbOption, SessionOption, open_store, output, pick_session, utc_now_ns

# Outside these no iron or wedge was ever measured; a slip of the finger is more likely.
# Common practice, no source.
_LIE_DEG = (50.0, 75.0)
_LOFT_DEG = (10.0, 70.0)
_MOST_BEND_DEG = 6.0


def bent(
    club: Annotated[str, typer.Argument(help="Label of the club, such as 7i.")],
    before: Annotated[float, typer.Argument(help="Lie before, degrees, as measured.")],
    after: Annotated[float, typer.Argument(help="Lie after the last step, as measured.")],
    loft_before: Annotated[float | None, typer.Option(help="Loft before, degrees.")] = None,
    loft_after: Annotated[float | None, typer.Option(help="Loft after, degrees.")] = None,
    planned: Annotated[
        float | None, typer.Option(help="What the bend sheet asked for, + upright.")
    ] = None,
    note: Annotated[str | None, typer.Option(help="A remark, such as what the metal did.")] = None,
    player: Annotated[str | None, typer.Option(help="Whose set.")] = None,
    set_name: Annotated[str | None, typer.Option("--set", help="Which set.")] = None,
    db: DbOption = None,
) -> None:
    """Keep what was bent and measured; past bends count against a head's limit.

    Measure lie and loft after the last step: the two move together.

    Example: lieboard bent 6i 61.5 60.0 --planned -1.5
    """
    from logger.errors import UsageError
    from logger.session.logging.opening import which_set

    for name, value, (low, high) in (
        ("before", before, _LIE_DEG),
        ("after", after, _LIE_DEG),
        ("--loft-before", loft_before, _LOFT_DEG),
        ("--loft-after", loft_after, _LOFT_DEG),
    ):
        if value is not None and not low <= value <= high:
            raise UsageError(f"{name} {value:g}: an iron has between {low:g} and {high:g} degrees")
    if abs(after - before) > _MOST_BEND_DEG:
        raise UsageError(
            f"{before:g} to {after:g} is a bend of {after - before:+g} degrees: "
            f"no head takes more than {_MOST_BEND_DEG:g}; check the numbers"
        )
    with open_store(db) as store:
        own = store.get_set(which_set(store, player, set_name))
        found = [c for c in own.clubs if c.label.casefold() == club.casefold()]
        if not found:
            known = " ".join(c.label for c in own.clubs)
            raise UsageError(f"there is no club {club} in the set {own.name}: it has {known}")
        row = found[0]
        store.add_bend(
            row.id,
            bent_utc_ns=utc_now_ns(),
            planned_bend_deg=planned,
            lie_before_deg=before,
            lie_after_deg=after,
            loft_before_deg=loft_before,
            loft_after_deg=loft_after,
            note=note,
        )
        total = sum(
            abs(bend.lie_after_deg - bend.lie_before_deg)
            for bend in store.bends(row.id)
            if bend.lie_after_deg is not None and bend.lie_before_deg is not None
        )
        output().print(
            f"{row.label}: lie {before:g}° to {after:g}° kept; this head was bent {total:g}° in "
            "all. Hit it again to see whether it did what it should."
        )


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
        own = store.get_set(which_set(store, player, set_name))
        followed, waiting = follow_bends(store, own)
    if not followed and not waiting:
        raise UsageError(f"no bend of {own.name} is kept: lieboard bent CLUB BEFORE AFTER")
    for one in followed:
        console.print(f"{one.club.label}: {one.learned.words}")
    for words in waiting:
        console.print(words)
