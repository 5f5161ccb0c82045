"""Begin a fitting session, or resume one that was cut off."""

from __future__ import annotations

import math
from dataclasses import dataclass

from logger.errors import UsageError
from logger.session.logging.fitting import BEFORE_START_NS, FittingSession, club_of
from logger.setfiles.clubs import HandName
from logger.store.rows import SessionRow
from logger.store.store import Store

# An open session older than this is not what the fitter means to resume.
_STALE_NS = 12 * 3600 * 1_000_000_000
# A stance read with a ruler on a mat that gives under the shoes: within 2.5 mm either way, evenly
# likely (JCGM 100:2008, 4.3.7).
STANCE_U_MM = 1.5
# Feet against the board where nobody measured. Common practice, no source.
_STANCE_NOT_TOLD_U_MM = 8.0
# How far a player's mean delivery lies from where the club was addressed. Common practice, no
# source; it is what an address mark alone can say, and it is wide on purpose.
DELIVERY_U_MM = 10.0


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What is agreed at the start of a session."""

    hand: HandName | None = None
    """None: the player's own."""
    stance_mm: float | None = None
    """Positive = feet lower than the board's surface; None: nobody said."""
    stance_u_mm: float = STANCE_U_MM
    sole_middle_mm: float = 0.0
    """Address mark, board frame."""
    sole_middle_u_mm: float = DELIVERY_U_MM
    ball: bool = True
    surface: str | None = None
    machine_increment_deg: float | None = None


def session_to_resume(
    store: Store, *, player: str | None, set_name: str | None, now_utc_ns: int
) -> SessionRow | None:
    """Return the session that `open_session` would resume; None if it would start one.

    Raises
    ------
    UsageError
        If it is not clear which set is meant.
    """
    return _open_one(store, which_set(store, player, set_name), now_utc_ns)


def open_session(
    store: Store,
    *,
    player: str | None,
    set_name: str | None,
    now_utc_ns: int,
    circumstances: Circumstances | None = None,
    always_new: bool = False,
    club: str | None = None,
) -> FittingSession:
    """Resume the open session of this set, or start one.

    A session that was cut off has its strikes worked out again from what is stored.

    Raises
    ------
    UsageError
        If it is not clear which set is meant, or it has no such ``club``; nothing is begun then.
    """
    set_id = which_set(store, player, set_name)
    if club is not None:
        club_of(store.sets.get(set_id), club)
    resumed = None if always_new else _open_one(store, set_id, now_utc_ns)
    if resumed is not None:
        session = FittingSession(store, resumed.id)
        session.recover()
        if session.current_club(now_utc_ns) is None:
            # The club that was up has left the set.
            session.step_club(0, now_utc_ns, cause="start")
        return session
    agreed = circumstances or Circumstances()
    stance_mm, stance_u_mm = stance_to_keep(agreed.stance_mm, agreed.stance_u_mm)
    row = store.sessions.start(
        set_id,
        started_utc_ns=now_utc_ns,
        hand=agreed.hand,
        stance_mm=stance_mm,
        stance_u_mm=stance_u_mm,
        sole_middle_mm=agreed.sole_middle_mm,
        sole_middle_u_mm=agreed.sole_middle_u_mm,
        ball=agreed.ball,
        surface=agreed.surface,
        machine_increment_deg=agreed.machine_increment_deg,
    )
    session = FittingSession(store, row)
    session.step_club(0, now_utc_ns, cause="start")
    return session


def stance_to_keep(stance_mm: float | None, u_mm: float = STANCE_U_MM) -> tuple[float, float]:
    """Stance and its standard uncertainty as they are stored; None = not measured."""
    if stance_mm is None:
        return 0.0, _STANCE_NOT_TOLD_U_MM
    if (stance_mm, u_mm) == (0.0, 2.0):
        # Exactly this stands in files of old for "nobody was asked".
        u_mm = math.nextafter(u_mm, 3.0)
    return stance_mm, u_mm


def which_set(store: Store, player: str | None, set_name: str | None) -> int:
    """Return the id of the set that is meant.

    Raises
    ------
    UsageError, StoreError
        If it is not clear which, naming those there are.
    """
    if player is not None:
        return store.sets.find(player, set_name)
    every = [s for s in store.sets.all() if set_name in (None, s.name)]
    if len(every) == 1:
        return every[0].id
    if not every:
        raise UsageError(
            f"{store.path}: no set is stored yet. Import one: lieboard set import FILE "
            "(examples are in the folder examples)"
        )
    names = ", ".join(f"{row.player} ({row.name})" for row in every)
    first = every[0]
    raise UsageError(
        f"several sets are stored: {names}; say which, such as --player "
        f'"{first.player}" --set "{first.name}"'
    )


def _open_one(store: Store, set_id: int, now_utc_ns: int) -> SessionRow | None:
    # One that begins later than now began while the computer's clock was wrong: strikes of now
    # would count as struck before it.
    own = [
        row
        for row in store.sessions.all(set_id)
        if row.ended_utc_ns is None
        and -BEFORE_START_NS < now_utc_ns - row.started_utc_ns < _STALE_NS
    ]
    return own[-1] if own else None
