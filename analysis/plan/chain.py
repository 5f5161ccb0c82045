"""Exact optimum of choices along a chain, and the smallest set of limits that clash.

Every club picks one of the same m bends; a limit is a mask on one club's choices or on those of two
neighbours. Minimum by dynamic programming (Bellman, Dynamic Programming (1957)): n m^2 steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Limit:
    """One limit, in words, on club ``at`` alone or on it and the next one along the chain."""

    words: str
    at: int
    allowed: BoolArray
    """(m,) or (m, m): which choices it allows; rows are club ``at``'s."""
    weight: float = 1.0
    """Near 1: of clashes of equally many limits the lightest is named."""


def best_chain(cost: FloatArray, limits: Sequence[Limit]) -> tuple[NDArray[np.intp], float] | None:
    """Choices of least total cost under all limits, and that cost; None if there are none.

    Parameters
    ----------
    cost : ndarray, (n, m)
        Of each choice of each club.
    limits : sequence of Limit
        All must hold.
    """
    n, m = cost.shape
    own = cost.astype(np.float64, copy=True)
    pair: dict[int, BoolArray] = {}
    for limit in limits:
        if limit.allowed.ndim == 1:
            own[limit.at, ~limit.allowed] = np.inf
        else:
            held = pair.get(limit.at)
            pair[limit.at] = limit.allowed if held is None else held & limit.allowed
    total = own[0]
    back = np.zeros((n, m), dtype=np.intp)
    for i in range(1, n):
        mask = pair.get(i - 1)
        if mask is None:
            # No limit between them: the cheapest so far goes with any.
            back[i] = int(np.argmin(total))
            total = total[back[i]] + own[i]
            continue
        joined = np.where(mask, total[:, None], np.inf)
        back[i] = np.argmin(joined, axis=0)
        total = joined[back[i], np.arange(m)] + own[i]
    last = int(np.argmin(total))
    if not np.isfinite(total[last]):
        return None
    choice = np.zeros(n, dtype=np.intp)
    choice[-1] = last
    for i in range(n - 1, 0, -1):
        choice[i - 1] = back[i, choice[i]]
    return choice, float(total[last])


def smallest_clash(clubs: int, limits: Sequence[Limit]) -> tuple[int, ...]:
    """Places of the fewest limits that cannot hold together; empty if all can.

    By implicit hitting sets (Ignatiev, Previti, Liffiton and Marques-Silva, Smallest MUS extraction
    with minimal hitting set dualization, CP 2015): the least set that hits every correction set
    found so far is either a clash, and then a smallest one, or it is grown to a largest set that
    can hold, whose complement is one more correction set.
    """
    choices = limits[0].allowed.shape[0] if limits else 1
    free = np.zeros((clubs, choices))

    def holds(chosen: Sequence[int]) -> bool:
        return best_chain(free, [limits[k] for k in chosen]) is not None

    everything = range(len(limits))
    if holds(everything):
        return ()
    corrections: list[set[int]] = []
    weights = np.array([limit.weight for limit in limits])
    while True:
        seed = _least_hitting_set(weights, corrections)
        if not holds(seed):
            return tuple(sorted(seed))
        grown = list(seed)
        for k in everything:
            if k not in grown and holds([*grown, k]):
                grown.append(k)
        corrections.append(set(everything) - set(grown))


def _least_hitting_set(weights: FloatArray, corrections: Sequence[set[int]]) -> list[int]:
    if not corrections:
        return []
    from scipy.optimize import Bounds, LinearConstraint, milp

    rows = np.zeros((len(corrections), weights.size))
    for r, correction in enumerate(corrections):
        rows[r, sorted(correction)] = 1
    found = milp(
        weights,
        constraints=LinearConstraint(rows, lb=1),
        integrality=np.ones(weights.size),
        bounds=Bounds(0, 1),
    )
    return [int(k) for k in np.flatnonzero(found.x > 0.5)]
