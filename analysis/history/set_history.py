"""Week to week: whether a club's lie error changed, or the player, or nothing.

Every club is held against its own past, with each session as sure as it was. What moves all clubs
of a session together (the swing, the stance, the board's level) is told apart from what moves one
club alone (a bend, a knock, a shaft).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray
from analysis.history.changes import ChangePosterior, Series, change_points
from analysis.history.charts import (
    CUSUM_LIMIT,
    CUSUM_SLACK,
    CusumChart,
    EwmaChart,
    cusum_chart,
    ewma_chart,
    past_mean,
)
from analysis.history.split import hang_together, split_sessions
from analysis.statistics.budget import coverage_factor
from analysis.statistics.estimation import Interval

# Sessions that make a club's past, if there are more. Common practice, no source.
PAST_SESSIONS = 3
# A change is named from this probability on, and "moved" is said from the second.
NAME_CHANGE = 0.5
SAY_MOVED = 0.9
# Clubs seldom change by themselves between two weeks, swings more often; a bend may do more or less
# than was measured of it. Common practice, no source.
P_CLUB_CHANGE, P_SWING_CHANGE, P_BEND_OFF = 0.03, 0.10, 0.20
# Standard uncertainty of a bend measured before and after: two readings of the gauge. Common
# practice, no source.
U_BEND_DEG = 0.25
# Half-normal scales of what a session differs from the next beyond its stated uncertainty: one club
# against the others, and the whole set with the player's day. Common practice, no source.
_OWN_WOBBLE_DEG, _COMMON_WOBBLE_DEG = 0.25, 0.5

# Prior probability of a change before one of these sessions.
_Prior: TypeAlias = Callable[[range], float]


@dataclass(frozen=True, slots=True)
class ClubBend:
    """A bend of one club.

    Attributes
    ----------
    club : int
        Column of the club.
    session : int
        Row of the first session after it.
    bend_deg, u_deg : float
        As measured, positive = more upright, and its standard uncertainty.
    """

    club: int
    session: int
    bend_deg: float
    u_deg: float = U_BEND_DEG


@dataclass(frozen=True, slots=True)
class Change:
    """A point of change.

    Attributes
    ----------
    session : int
        Row of the first session after it.
    probability : float
        That it changed between the session before and this one.
    size_deg, u_deg : float
        Given that it did; positive = more upright.
    """

    session: int
    probability: float
    size_deg: float
    u_deg: float


@dataclass(frozen=True, slots=True)
class Stream:
    """One series over the sessions in which it was seen.

    Attributes
    ----------
    sessions : tuple of int
        Rows of the sessions.
    values, u : ndarray, shape (n,)
        Degrees, bends taken off, with standard uncertainties.
    u_target_deg : float
        Standard uncertainty of the mean of its past, the target of both charts.
    changes : tuple of Change
        Those at least `NAME_CHANGE` probable, in order.
    last : Change
        Between its last session and the one before, however probable.
    """

    sessions: tuple[int, ...]
    values: FloatArray
    u: FloatArray
    u_target_deg: float
    past: int
    ewma: EwmaChart
    cusum: CusumChart
    changes: tuple[Change, ...]
    last: Change

    @property
    def moved(self) -> bool:
        """Whether the evidence says that it moved since last time."""
        return self.last.probability >= SAY_MOVED


@dataclass(frozen=True, slots=True)
class BendOutcome:
    """What the swings say of a bend.

    Attributes
    ----------
    seen_deg : float
        Change of the club's own lie error from before to after.
    interval_deg : Interval
        Of ``seen_deg``.
    held : bool
        Whether it agrees with the bend as measured, 90 %, the bend's own uncertainty allowed for.
    """

    bent: ClubBend
    seen_deg: float
    interval_deg: Interval
    held: bool


@dataclass(frozen=True, slots=True)
class ClubHistory:
    """One club's past; ``own`` is what moved it apart from the set, bends taken off."""

    label: str
    own: Stream
    bends: tuple[BendOutcome, ...]


@dataclass(frozen=True, slots=True)
class History:
    """A set's past.

    Attributes
    ----------
    common : Stream or None
        What moved all clubs together, about a mean of 0; None if it cannot be told.
    clubs : tuple of ClubHistory
        Those seen in at least two sessions.
    left_out : tuple of int
        Rows of sessions that share no club with the others.
    wobble_deg : float
        What a club differs from session to session beyond its stated uncertainty, by its own past.
    """

    common: Stream | None
    clubs: tuple[ClubHistory, ...]
    left_out: tuple[int, ...]
    wobble_deg: float
    common_wobble_deg: float | None


def read_history(
    labels: Sequence[str],
    lie_error_deg: FloatArray,
    u_own_deg: FloatArray,
    shared_deg: FloatArray,
    bends: Sequence[ClubBend] = (),
) -> History:
    """Read a set's past.

    Parameters
    ----------
    labels : sequence of str
        Of the clubs.
    lie_error_deg, u_own_deg : ndarray, shape (n_sessions, n_clubs)
        By time; positive = too upright; the uncertainty that is each club's own in each session
        (scatter of the contacts; not the radius, which is the same every week). NaN = not hit.
    shared_deg : ndarray, shape (n_sessions, n_clubs, n_causes)
        Signed effects of one standard uncertainty of what the session's clubs share.
    bends : sequence of ClubBend
        Between the sessions.

    Returns
    -------
    History

    Raises
    ------
    NoAnswerError
        No two sessions with a club in common.
    ValueError
        Shapes that do not fit.
    """
    lie = np.asarray(lie_error_deg, dtype=np.float64)
    u = np.asarray(u_own_deg, dtype=np.float64)
    shared = np.asarray(shared_deg, dtype=np.float64)
    if lie.ndim != 2 or u.shape != lie.shape or shared.shape[:2] != lie.shape:
        raise ValueError("lie errors, uncertainties and shared effects must be of one shape")
    if lie.shape[1] != len(labels):
        raise ValueError("each club needs a label")
    joined = hang_together(np.isfinite(lie)) if lie.size else np.zeros(0, dtype=bool)
    rows = np.flatnonzero(joined)
    if rows.size < 2:
        raise NoAnswerError("history needs two sessions with a club in common")
    lie = _bends_off(lie, bends)[rows]
    split = split_sessions(lie, np.hypot(u[rows], _unevenly_shared(shared[rows])))
    all_shared = np.sqrt(np.nanmean(np.sum(shared[rows] ** 2, axis=2), axis=1))
    u_own = split.u_own if split.known else np.hypot(split.u_own, all_shared[:, None])
    columns = [c for c in range(len(labels)) if np.isfinite(split.own[:, c]).sum() > 1]
    own = [_series(split.own[:, c], u_own[:, c], rows, _own_prior(c, bends)) for c in columns]
    posteriors, wobble = change_points([s for s, _ in own], wobble_scale=_OWN_WOBBLE_DEG)
    clubs = tuple(
        ClubHistory(
            labels[c],
            stream := _stream(series, at, posterior, wobble),
            tuple(_outcome(bent, stream, wobble) for bent in bends if _between(bent, c, at)),
        )
        for c, (series, at), posterior in zip(columns, own, posteriors, strict=True)
    )
    common, common_wobble = None, None
    if split.known:
        series, at = _series(
            split.common, np.hypot(split.u_common, all_shared), rows, lambda _: P_SWING_CHANGE
        )
        (posterior,), common_wobble = change_points([series], wobble_scale=_COMMON_WOBBLE_DEG)
        common = _stream(series, at, posterior, common_wobble)
    return History(
        common=common,
        clubs=clubs,
        left_out=tuple(int(row) for row in np.flatnonzero(~joined)),
        wobble_deg=wobble,
        common_wobble_deg=common_wobble,
    )


def _bends_off(lie: FloatArray, bends: Sequence[ClubBend]) -> FloatArray:
    """Lie errors as they would be had nobody bent anything."""
    off = lie.copy()
    for bent in bends:
        off[bent.session :, bent.club] -= bent.bend_deg
    return off


def _unevenly_shared(shared: FloatArray) -> FloatArray:
    """Tell what shared causes do to one club more than to its session's mean club, degrees."""
    seen = np.isfinite(shared)
    count = np.maximum(seen.sum(axis=1, keepdims=True), 1)
    mean = np.where(seen, shared, 0.0).sum(axis=1, keepdims=True) / count
    return np.asarray(np.sqrt(np.sum((shared - mean) ** 2, axis=2)))


def _own_prior(club: int, bends: Sequence[ClubBend]) -> _Prior:
    bent_before = {bent.session for bent in bends if bent.club == club}

    def prior(sessions: range) -> float:
        return P_BEND_OFF if bent_before.intersection(sessions) else P_CLUB_CHANGE

    return prior


def _series(
    values: FloatArray,
    u: FloatArray,
    rows: np.ndarray[tuple[int], np.dtype[np.intp]],
    prior: _Prior,
) -> tuple[Series, tuple[int, ...]]:
    """Those sessions in which it was seen; a prior for each step from one to the next."""
    seen = np.isfinite(values)
    at = tuple(int(row) for row in rows[seen])
    p = [prior(range(before + 1, after + 1)) for before, after in itertools.pairwise(at)]
    return Series(values[seen], u[seen], np.array(p, dtype=np.float64)), at


def _stream(
    series: Series, at: tuple[int, ...], posterior: ChangePosterior, wobble: float
) -> Stream:
    every = tuple(
        Change(at[i + 1], float(p), float(posterior.size[i]), float(posterior.u_size[i]))
        for i, p in enumerate(posterior.probability)
    )
    # As much past as leaves one session to hold against it.
    past = min(PAST_SESSIONS, len(at) - 1)
    u = np.hypot(series.u, wobble)
    target, u_target = past_mean(series.values, u, past)
    middle = math.hypot(float(np.median(u)), u_target)
    return Stream(
        sessions=at,
        values=series.values,
        u=series.u,
        u_target_deg=u_target,
        past=past,
        ewma=ewma_chart(series.values, u, past=past),
        cusum=cusum_chart(
            series.values,
            u=np.hypot(u, u_target),
            target=target,
            slack=CUSUM_SLACK * middle,
            limit=CUSUM_LIMIT * middle,
        ),
        changes=tuple(change for change in every if change.probability >= NAME_CHANGE),
        last=every[-1],
    )


def _between(bent: ClubBend, club: int, at: tuple[int, ...]) -> bool:
    return bent.club == club and at[0] < bent.session <= at[-1]


def _outcome(bent: ClubBend, stream: Stream, wobble: float) -> BendOutcome:
    """Own lie error after a bend, up to the next named change, against the one before."""
    at = np.array(stream.sessions)
    edges = [change.session for change in stream.changes if change.session != bent.session]
    first = max((edge for edge in edges if edge < bent.session), default=0)
    end = min((edge for edge in edges if edge > bent.session), default=int(at[-1]) + 1)
    before = (at >= first) & (at < bent.session)
    after = (at >= bent.session) & (at < end)
    w = 1.0 / (stream.u**2 + wobble**2)
    difference = _weighted(stream.values, w, after) - _weighted(stream.values, w, before)
    seen = bent.bend_deg + difference
    u = math.sqrt(1 / w[after].sum() + 1 / w[before].sum())
    half = coverage_factor(math.inf) * u
    with_bend = coverage_factor(math.inf) * math.hypot(u, bent.u_deg)
    return BendOutcome(
        bent,
        seen,
        Interval(seen - half, seen + half, 0.90),
        held=abs(difference) <= with_bend,
    )


def _weighted(values: FloatArray, w: FloatArray, which: np.ndarray) -> float:
    return float(w[which] @ values[which] / w[which].sum())
