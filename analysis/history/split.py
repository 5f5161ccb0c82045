"""Sessions by clubs: what moved all clubs together, and what moved one alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conventions import FloatArray

# Huber's constant: 95 % efficiency where nothing strays. Huber, Ann. Math. Statist. 35 (1964).
_HUBER = 1.345
# A club's own wobble from session to session that no session can show by itself. Common practice.
_LEAST_U_DEG = 0.15
# With two clubs either may be the one that moved.
FEWEST_CLUBS = 3


@dataclass(frozen=True, slots=True)
class Split:
    """Lie errors of some sessions, split.

    Attributes
    ----------
    common, u_common : ndarray, shape (n_sessions,)
        What all clubs of a session share, about a mean of 0, and its standard uncertainty from
        the clubs' own scatter alone.
    own, u_own : ndarray, shape (n_sessions, n_clubs)
        What is left to each club; NaN where it was not hit.
    known : bool
        False if no session has `FEWEST_CLUBS` clubs that other sessions have too: ``common`` is
        then 0 and everything stays with the clubs.
    """

    common: FloatArray
    u_common: FloatArray
    own: FloatArray
    u_own: FloatArray
    known: bool


def split_sessions(values: ArrayLike, u: ArrayLike) -> Split:
    """Split lie errors into what a session's clubs share and each club's own.

    Parameters
    ----------
    values, u : array_like, shape (n_sessions, n_clubs)
        Lie errors and the standard uncertainties that are each club's own; NaN = not hit. All
        sessions must hang together by clubs that they share (`hang_together`).

    Returns
    -------
    Split

    Raises
    ------
    ValueError
        Shapes that differ, or an uncertainty that is not positive.

    Notes
    -----
    ``value = club + session``, fitted with Huber's loss by iterated weights: one club that was bent
    or damaged hardly moves its session. Our definition; with equal weights it is the two-way table
    of means.
    """
    y, s = np.asarray(values, dtype=np.float64), np.asarray(u, dtype=np.float64)
    seen = np.isfinite(y)
    if y.ndim != 2 or y.shape != s.shape:
        raise ValueError("values and uncertainties must be tables of sessions by clubs")
    if not np.all(s[seen] > 0):
        raise ValueError("an uncertainty must be positive")
    n = y.shape[0]
    shared = seen & (seen.sum(axis=0) > 1)
    if n < 2 or not np.all(shared.sum(axis=1) >= FEWEST_CLUBS):
        return Split(np.zeros(n), np.zeros(n), y.copy(), s.copy(), known=False)
    common, u_common = _fit(y, np.hypot(s, _LEAST_U_DEG), shared)
    own = y - common[:, None]
    return Split(
        common, u_common, own, np.where(seen, np.hypot(s, u_common[:, None]), np.nan), True
    )


def _fit(y: FloatArray, s: FloatArray, shared: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    n, m = y.shape
    session, club = np.nonzero(shared)
    design = np.zeros((session.size, n + m))
    design[np.arange(session.size), session] = 1.0
    design[np.arange(session.size), n + club] = 1.0
    # Only differences between sessions are known: their mean is set to 0.
    centre = np.concatenate([np.ones(n), np.zeros(m)])
    base = s[shared] ** -2.0
    weight = base.copy()
    solved = np.zeros(n + m)
    for _ in range(200):
        normal = design.T @ (weight[:, None] * design) + np.outer(centre, centre) * base.mean()
        before = solved
        solved = np.linalg.lstsq(normal, design.T @ (weight * y[shared]), rcond=None)[0]
        off = np.abs(y[shared] - design @ solved) / s[shared]
        weight = base * np.minimum(1.0, _HUBER / np.maximum(off, 1e-12))
        if np.max(np.abs(solved - before)) < 1e-10:
            break
    covariance = np.linalg.pinv(normal, hermitian=True)
    # Taken about the mean of the sessions, which is set and not measured.
    about = np.eye(n) - 1.0 / n
    var = np.diag(about @ covariance[:n, :n] @ about.T)
    return solved[:n], np.sqrt(np.maximum(var, 0.0))


def hang_together(seen: ArrayLike) -> NDArray[np.bool_]:
    """Which sessions are joined to the last one by clubs that they share, shape (n_sessions,)."""
    hit = np.asarray(seen, dtype=bool)
    joined = np.zeros(hit.shape[0], dtype=bool)
    joined[-1] = True
    while True:
        clubs = hit[joined].any(axis=0)
        more = (hit & clubs).any(axis=1)
        if np.array_equal(more | joined, joined):
            return joined
        joined |= more
