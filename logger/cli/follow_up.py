"""``lieboard bounce`` and ``lieboard learned``: front to back, and what bends did."""

from __future__ import annotations

from typing import Annotated

import typer

from logger.cli.common import DbOption, SessionOption, open_store, output, pick_session

# Lofts from here on are wedges. Common practice, no source.
_WEDGE_LOFT_DEG = 44.0


def bounce(session: SessionOption = None, db: DbOption = None) -> None:
    """Show where each sole touched front to back, and what that says of its bounce.

    Needs a board with two rows, or marks read with their second number.

    Example: lieboard bounce
    """
    from analysis.answers import NoAnswerError
    from analysis.plan.bounce import SoleKind, bounce_error
    from logger.session.evidence.evidence import session_evidence

    console = output()
    with open_store(db, read_only=True) as store:
        for one in session_evidence(store, pick_session(store, session)):
            loft = one.club.spec.loft_deg
            wedge = loft is not None and loft >= _WEDGE_LOFT_DEG
            try:
                read = bounce_error(one.trail, kind=SoleKind.WEDGE if wedge else SoleKind.IRON)
            except NoAnswerError as error:
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
