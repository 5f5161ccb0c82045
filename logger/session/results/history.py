"""A set's sessions from the store, as the analysis of history wants them. Read-only."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray, lie_error_from_toe
from analysis.history.set_history import U_BEND_DEG, ClubBend, History, read_history
from analysis.lie.club import LieError, SoleArc
from logger.errors import UsageError
from logger.session.evidence.soles import sole_arc
from logger.session.results.clubs import session_results
from logger.store.rows import BendRow, SessionRow, SetRow
from logger.store.store import Store

# How well a bend is known that nobody measured after: the machine's step was asked for, the head
# sprang back. Common practice, no source.
_U_ONLY_PLANNED_DEG = 0.5


@dataclass(frozen=True, slots=True)
class SetHistory:
    """A set's past and the sessions that it rests on."""

    set: SetRow
    sessions: tuple[SessionRow, ...]
    """Rows of the tables below."""
    lie_error_deg: FloatArray
    """(n_sessions, n_clubs): as delivered, bends not taken off; NaN = not hit."""
    u_deg: FloatArray
    """(n_sessions, n_clubs): combined standard uncertainty."""
    wanted_deg: tuple[float, ...]
    """(n_clubs,): lie error that is wanted now."""
    history: History
    remarks: tuple[str, ...]


def set_history(
    store: Store, set_id: int, *, working: Callable[[int, int], None] = lambda done, of: None
) -> SetHistory:
    """Read the past of a set, each session as sure as it was.

    A sole's radius measured since is applied to all sessions: it is the same sole. ``working`` is
    told how many sessions were worked out, and of how many; what it raises ends it.

    Raises
    ------
    UsageError
        Fewer than two sessions that can be compared.
    """
    own = store.sets.get(set_id)
    clubs = [club.id for club in own.clubs]
    arcs = {club.id: sole_arc(club.spec) for club in own.clubs}
    sessions: list[SessionRow] = []
    found: list[dict[int, LieError]] = []
    wanted: dict[int, float] = {}
    every = store.sessions.all(set_id)
    for done, session in enumerate(every):
        working(done, len(every))
        results = session_results(store, session).clubs
        lies = {
            one.evidence.club.id: one.lie
            for one in results
            if one.lie is not None and one.evidence.club.id in arcs
        }
        wanted |= {one.evidence.club.id: one.wanted.lie_error_deg for one in results}
        if lies:
            sessions.append(session)
            found.append(lies)
    what = f"{own.player.name}, {own.name}"
    if len(sessions) < 2:
        count = "one session" if sessions else "no session"
        raise UsageError(
            f"{what}: {count} so far with two strikes of a club; history begins with the second"
        )
    shape = (len(sessions), len(clubs))
    lie, u, u_own = np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)
    shared = np.full((*shape, 2), np.nan)
    for row, lies in enumerate(found):
        for column, club in enumerate(clubs):
            if club in lies:
                one = _with_arc(lies[club], arcs[club])
                lie[row, column], u_own[row, column], shared[row, column] = one
                u[row, column] = lies[club].u_deg
    bends, remarks = _bends(store, own, sessions)
    try:
        history = read_history([club.label for club in own.clubs], lie, u_own, shared, bends)
    except NoAnswerError as error:
        raise UsageError(f"{what}: {error}") from error
    if history.left_out:
        dates = ", ".join(str(sessions[row].id) for row in history.left_out)
        remarks.append(f"left out, no club in common with the others: session {dates}")
    wishes = tuple(wanted.get(club, 0.0) for club in clubs)
    return SetHistory(own, tuple(sessions), lie, u, wishes, history, tuple(remarks))


def _with_arc(lie: LieError, arc: SoleArc) -> tuple[float, float, tuple[float, float]]:
    """Lie error on the radius as it is known now; what is the club's own, what is shared."""
    scale = lie.camber_mm / arc.camber_mm
    moved = lie_error_from_toe(lie.toe_mm, arc.camber_mm) - lie_error_from_toe(
        lie.toe_mm, lie.camber_mm
    )
    value = lie.lie_error_deg + float(moved)
    level, stance = lie.shared_deg
    return value, scale * lie.components_deg["contact"], (scale * level, stance)


def _bends(
    store: Store, own: SetRow, sessions: Sequence[SessionRow]
) -> tuple[list[ClubBend], list[str]]:
    # Pulls between the same two sessions are one bend: each gauge reading between them is the end
    # of one pull and the beginning of the next, so what it is wrong by cancels.
    pulls: dict[tuple[int, int], tuple[float, float]] = {}
    remarks = []
    for column, club in enumerate(own.clubs):
        for bend in store.readings.bends(club.id):
            after = [
                row
                for row, session in enumerate(sessions)
                if session.started_utc_ns >= bend.bent_utc_ns
            ]
            size = _size(bend)
            if size is None:
                remarks.append(f"{club.label}: a bend whose size nobody noted is not taken off")
            elif not after:
                remarks.append(f"{club.label}: bent {size[0]:+g}° and not hit since")
            elif after[0] > 0:
                bent, u_bent = pulls.get((column, after[0]), (0.0, 0.0))
                pulls[column, after[0]] = bent + size[0], max(u_bent, size[1])
    bends = [ClubBend(column, row, *size) for (column, row), size in pulls.items()]
    return bends, remarks


def _size(bend: BendRow) -> tuple[float, float] | None:
    if bend.lie_after_deg is not None and bend.lie_before_deg is not None:
        return bend.lie_after_deg - bend.lie_before_deg, U_BEND_DEG
    if bend.planned_bend_deg is not None:
        return bend.planned_bend_deg, _U_ONLY_PLANNED_DEG
    return None
