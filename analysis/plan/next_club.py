"""Which club to hit next, how often, and when to stop: by what a swing is worth to the bend sheet.

A swing is worth the drop of the plan's expected loss that it can be expected to bring: the value of
sample information (Raiffa and Schlaifer, Applied Statistical Decision Theory (1961), ch. 5), for
the best number of swings in a row (Frazier and Powell, Decision Analysis 7 (2010) 378-403: the
value of one alone can be nought where that of five is not). A swing of one club tells of the others
through the covariance of the set.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from analysis.conventions import FloatArray
from analysis.lie.set_types import IntArray, SetPosterior
from analysis.plan.chances import bends
from analysis.plan.heads import head_room_deg
from analysis.plan.types import Choice, Decision, PlanClub, PlanRules

# Numbers of swings in a row that are looked at: nobody changes clubs for a single swing.
_RUNS = (2, 4, 8)
# Equally likely slices of what the swings may show; 15 give the unit normal loss integral to 2 %
# (tests/plan/test_next_club.py).
_SLICES = 15


# The player is tired then, whatever is still worth knowing. Common practice, no source.
MOST_IN_ALL = 90


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next."""

    label: str | None
    """Club to hit; None = stop."""
    swings: int
    """How often before asking again; 0 = stop."""
    why: str
    value: Mapping[str, float]
    """Best drop of the plan's loss per swing of each club, m^2 (deg^2 without metres)."""


def next_club(
    posterior: SetPosterior,
    clubs: Sequence[PlanClub],
    decisions: Sequence[Decision],
    rules: PlanRules | None = None,
    *,
    most_in_all: int = MOST_IN_ALL,
) -> Advice:
    """Say which club to hit next, or to stop: a club is hit while more swings decide it.

    Parameters
    ----------
    posterior : SetPosterior
        Of all strikes so far; also of none.
    clubs : sequence of PlanClub
        The same clubs in the same order. ``strikes`` is taken from the posterior.
    decisions : sequence of Decision
        Of the plan's rows, in the same order.
    rules : PlanRules, optional
        Of the plan.
    most_in_all : int
        Swings after which it is enough.

    Returns
    -------
    Advice

    Raises
    ------
    NoAnswerError
        A wish that cannot be turned into degrees.
    ValueError
        Clubs and posterior differ.

    Notes
    -----
    The distribution is taken as normal, and neighbours' steps are left out of the look ahead; both
    only price swings, no bend rests on them. The stop does not bias the plan: its chances are
    posterior ones, which do not depend on why one stopped.
    """
    rules = rules or PlanRules()
    if tuple(club.label for club in clubs) != posterior.labels or len(decisions) != len(clubs):
        raise ValueError("the plan's clubs and the posterior's are not the same")
    look = _LookAhead(posterior, clubs, rules)
    value = {label: look.best_run(j) for j, label in enumerate(posterior.labels)}
    hit = int(posterior.strikes.sum())
    if hit >= most_in_all:
        return Advice(None, 0, f"stop: {hit} swings are enough for one session", value)
    open_ones = [j for j, one in enumerate(decisions) if one.choice in (Choice.HIT, Choice.NOT_HIT)]
    if not open_ones:
        return Advice(None, 0, _stop_words(clubs, decisions), value)

    def first(j: int) -> tuple[bool, float, int]:
        """Clubs without their first look, then by value, then what is soon decided."""
        strikes = int(posterior.strikes[j])
        fresh = strikes < rules.fewest_strikes
        return (not fresh, -value[posterior.labels[j]], decisions[j].more_swings)

    j = min(open_ones, key=first)
    label, decision = posterior.labels[j], decisions[j]
    if decision.choice is Choice.NOT_HIT:
        times = rules.fewest_strikes
        return Advice(label, times, f"hit {label} {times} times: it was not hit yet", value)
    return Advice(label, decision.more_swings, f"{label}: {decision.words}", value)


def _stop_words(clubs: Sequence[PlanClub], decisions: Sequence[Decision]) -> str:
    """Say why to stop, and what would settle clubs that swings will not."""
    left: dict[str, list[str]] = {}
    for club, decision in zip(clubs, decisions, strict=True):
        if decision.choice is Choice.CANNOT_TELL:
            needs = ", ".join(one.value for one in decision.settles)
            left.setdefault(needs, []).append(club.label)
    if not left:
        return "stop: every club is decided"
    said = (f"{', '.join(labels)}: {words}" for words, labels in left.items())
    return f"stop: more swings settle nothing. {'; '.join(said)}"


class _LookAhead:
    def __init__(
        self, posterior: SetPosterior, clubs: Sequence[PlanClub], rules: PlanRules
    ) -> None:
        self.posterior, self.rules = posterior, rules
        self.grid = bends(rules)
        self.weight = np.array([abs(club.metres_per_deg or 1.0) for club in clubs])
        self.off = posterior.mean_deg - np.array([club.wanted_deg() for club in clubs])
        room = [0.0 if club.locked else head_room_deg(club, rules) for club in clubs]
        # No head can be bent beyond its room: there is no need to look there.
        self.grid = self.grid[np.abs(self.grid) <= max(room) + 1e-9]
        self.reachable = np.abs(self.grid) <= np.array(room)[:, None] + 1e-9
        slices = (np.arange(_SLICES) + 0.5) / _SLICES
        z = np.asarray(ndtri(slices))
        # Midpoints fall short of the variance of 1; what swings show must not.
        self.z = z / math.sqrt(float(np.mean(z**2)))
        sd = np.sqrt(np.diag(posterior.covariance_deg2))
        self.now = self._gain(self.off[:, None], sd, posterior.strikes)[:, 0]

    def best_run(self, j: int) -> float:
        """Best drop of the loss per swing of club j."""
        return max(0.0, *(self._value(j, run) / run for run in _RUNS))

    def _value(self, j: int, run: int) -> float:
        left, strikes, step = self._after(j, run)
        after = self._gain(self.off[:, None] + step[:, None] * self.z, left, strikes)
        return float(after.mean(axis=1).sum() - self.now.sum())

    def _after(self, j: int, run: int) -> tuple[FloatArray, IntArray, FloatArray]:
        """Look up sds and strikes after a run of club j, and what one sd of news moves."""
        post = self.posterior
        step = post.shown_cov[:, j] / math.sqrt(post.shown_var[j] + post.new_u_deg[j] ** 2 / run)
        left = np.sqrt(np.maximum(np.diag(post.covariance_deg2) - step**2, 1e-9))
        strikes = post.strikes.copy()
        strikes[j] += run
        return np.asarray(left), strikes, np.asarray(step)

    def _gain(self, off: FloatArray, sd: FloatArray, strikes: IntArray) -> FloatArray:
        """Drop of the loss by the best bend that the evidence would carry, shape of ``off``."""
        rules, grid = self.rules, self.grid
        u = rules.u_machine_deg
        size, sign = np.abs(grid), np.sign(grid)
        toward = -sign * off[..., None]
        spread = np.hypot(sd, u / 2)[:, None, None]
        carried = ndtr((toward - size / 2) / spread) >= rules.p_needed
        # The bend as carried out exceeds worse_deg with this chance, and then by about this much.
        over = ndtr((size - rules.worse_deg) / max(u, 1e-9))
        edge = (np.maximum(size, rules.worse_deg + 0.4 * u) - rules.worse_deg) / 2
        carried &= over * ndtr((edge - toward) / spread) <= rules.p_worse
        enough = (strikes >= rules.fewest_strikes)[:, None]
        carried &= (self.reachable & enough)[:, None, :]
        scale = (self.weight**2)[:, None, None]
        drop = 2 * size * toward - size**2 - u**2 - rules.charge_deg**2
        return np.asarray(np.where(carried & (size > 0), scale * drop, 0.0).max(axis=2).clip(0.0))
