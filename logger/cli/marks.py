"""``lieboard mark``: what the fitter reads off the sole."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import (
    MOST_ROWS,
    DbOption,
    InsteadOption,
    local_time,
    open_store,
    output,
    said_here,
)

if TYPE_CHECKING:
    from logger.session.logging.fitting import FittingSession
    from logger.store.store import Store

# Further out than any sole; a typing slip is more likely.
_MOST_TOE_MM = 60.0
_MOST_TRAIL_MM = 25.0


def mark(
    club: Annotated[str, typer.Argument(help="Label of the club, such as 7i.")],
    toe: Annotated[
        str, typer.Argument(help="mm from the middle of the sole, + toward the toe; or 5t / 3h.")
    ],
    trail: Annotated[
        str | None,
        typer.Argument(help="mm from mid-sole, + toward the trailing edge; or 2t / 2l."),
    ] = None,
    u: Annotated[float, typer.Option(help="How well it could be read, mm (one sigma).")] = 1.0,
    player: Annotated[str | None, typer.Option(help="Whose set.")] = None,
    set_name: Annotated[str | None, typer.Option("--set", help="Which set.")] = None,
    session: Annotated[
        int | None,
        typer.Option(min=1, max=MOST_ROWS, help="Its session. Left out: the open one."),
    ] = None,
    audits: Annotated[
        int | None,
        typer.Option(help="Number of the board's strike of the same swing.", min=1, max=MOST_ROWS),
    ] = None,
    instead_of: InsteadOption = None,
    stance: Annotated[
        float | None,
        typer.Option(
            help="Of a session that begins with this mark: how much lower the feet stand than "
            "what the club struck, mm (0 on one floor)."
        ),
    ] = None,
    db: DbOption = None,
) -> None:
    """Keep a mark read off the sole; it counts like a strike of the board.

    Examples: lieboard mark 7i 4.5; lieboard mark 7i 6h 2l
    """
    from logger.cli.log.checks import check_lengths
    from logger.errors import UsageError
    from logger.session.corrections.words import keep_mark
    from logger.session.logging.fitting import club_of

    toe_mm = _length(toe, {"t": 1, "h": -1}, "toe (t) or heel (h)", _MOST_TOE_MM)
    trail_mm = (
        None
        if trail is None
        else _length(trail, {"t": 1, "l": -1}, "trailing (t) or leading edge (l)", _MOST_TRAIL_MM)
    )
    if not (math.isfinite(u) and 0 < u <= 10):
        raise UsageError(f"--u {u:g}: how well a mark can be read is between 0 and 10 mm")
    check_lengths(stance=stance)
    said = said_here()
    with open_store(db) as store:
        begun = _session_for(store, session, player, set_name, said.utc_ns, club, stance)
        # A mark names its club: which one is up on a board beside it is no business of a mark.
        row = club_of(begun.set, club)
        try:
            strike = None if audits is None else begun.audited(audits, row)
            words = keep_mark(
                store, begun.row.id, row, said, toe_mm=toe_mm, u_mm=u, trail_mm=trail_mm,
                audits=None if strike is None else strike.id, instead_of=instead_of,
            )  # fmt: skip
        except UsageError:
            store.sessions.remove_empty(begun.row.id)
            raise
        count = len(store.strikes.contacts(begun.row.id, club=row.id, source="mark"))
    output().print(
        f"{words} kept (mark {count} of {row.label}, session {begun.row.id}). Back: lieboard undo"
    )


def _session_for(
    store: Store,
    number: int | None,
    player: str | None,
    set_name: str | None,
    now_utc_ns: int,
    club: str,
    stance: float | None,
) -> FittingSession:
    """Return the session that a mark belongs to: asked for if one is open and nobody said."""
    from logger.cli.log.checks import ask_stance, check_agreed
    from logger.session.logging.fitting import FittingSession
    from logger.session.logging.opening import Circumstances, open_session, session_to_resume

    if number is not None:
        check_agreed(store.sessions.get(number), stance=stance, sole_middle=None, left=False)
        return FittingSession(store, number)
    resumed = session_to_resume(store, player=player, set_name=set_name, now_utc_ns=now_utc_ns)
    new, asked = False, sys.stdin.isatty() and sys.stdout.isatty()
    if resumed is not None and asked:
        own = store.sets.get(resumed.set)
        new = not typer.confirm(
            f"Does it belong to session {resumed.id} ({own.player.name}, {own.name}, since "
            f"{local_time(resumed.started_utc_ns)}), which is open? Else a new one begins",
            default=True,
        )
    if resumed is not None and not new:
        check_agreed(resumed, stance=stance, sole_middle=None, left=False)
    elif stance is None and asked:
        stance = ask_stance()
    return open_session(
        store,
        player=player,
        set_name=set_name,
        now_utc_ns=now_utc_ns,
        circumstances=Circumstances(stance_mm=stance),
        always_new=new,
        club=club,
    )


def _length(text: str, sides: dict[str, int], words: str, most_mm: float) -> float:
    from logger.errors import UsageError

    sign = 1
    number = text.strip().lower().replace(",", ".")
    if number[-1:] in sides:
        sign = sides[number[-1]]
        number = number[:-1]
        if number[:1] in ("+", "-"):
            raise UsageError(f"{text!r} has a sign and a side: write one of them, with {words}")
    try:
        value = sign * float(number)
    except ValueError:
        raise UsageError(
            f"{text!r} is not a length in mm; write 4.5, -3, or with {words}"
        ) from None
    if not math.isfinite(value) or abs(value) > most_mm:
        raise UsageError(
            f"{text!r}: no sole reaches {most_mm:.0f} mm from its middle; write mm, {words}"
        )
    return value


# A heel mark is typed as -12: that is a number and no option.
mark.context_settings = {"ignore_unknown_options": True}  # type: ignore[attr-defined]
