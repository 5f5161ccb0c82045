"""``lieboard mark``: what the fitter reads off the sole."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import MOST_ROWS, DbOption, open_store, output, utc_now_ns

if TYPE_CHECKING:
    from logger.session.logging.fitting import FittingSession
    from logger.store.rows import ClubRow

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
    audits: Annotated[
        int | None,
        typer.Option(help="Number of the board's strike of the same swing.", min=1, max=MOST_ROWS),
    ] = None,
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
    from logger.cli.log.checks import ask_stance, check_agreed, check_lengths
    from logger.errors import UsageError
    from logger.session.logging.fitting import club_of
    from logger.session.logging.opening import Circumstances, open_session, session_to_go_on_with

    toe_mm = _length(toe, {"t": 1, "h": -1}, "toe (t) or heel (h)", _MOST_TOE_MM)
    trail_mm = (
        None
        if trail is None
        else _length(trail, {"t": 1, "l": -1}, "trailing (t) or leading edge (l)", _MOST_TRAIL_MM)
    )
    if not (math.isfinite(u) and 0 < u <= 10):
        raise UsageError(f"--u {u:g}: how well a mark can be read is between 0 and 10 mm")
    check_lengths(stance=stance)
    with open_store(db) as store:
        now = utc_now_ns()
        going_on = session_to_go_on_with(store, player=player, set_name=set_name, now_utc_ns=now)
        if going_on is not None:
            check_agreed(going_on, stance=stance, sole_middle=None, left=False)
        elif stance is None and sys.stdin.isatty() and sys.stdout.isatty():
            stance = ask_stance()
        session = open_session(
            store,
            player=player,
            set_name=set_name,
            now_utc_ns=now,
            circumstances=Circumstances(stance_mm=stance),
            club=club,
        )
        # A mark names its club: which one is up on a board beside it is no business of a mark.
        row = club_of(session.set, club)
        if audits is not None:
            _check_audited(session, audits, row)
        store.add_mark(
            session.row.id,
            row.id,
            struck_utc_ns=now,
            toe_mm=toe_mm,
            trail_mm=trail_mm,
            u_mm=u,
            audits=audits,
        )
        count = len(store.contacts(session.row.id, club=row.id, source="mark"))
    side = "toe" if toe_mm >= 0 else "heel"
    output().print(f"{row.label}: mark {abs(toe_mm):.1f} mm to the {side} kept (mark {count})")


def _check_audited(session: FittingSession, strike: int, club: ClubRow) -> None:
    from logger.errors import UsageError

    try:
        session.audited(strike, club)
    except UsageError:
        session.store.remove_empty_session(session.row.id)
        raise


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
