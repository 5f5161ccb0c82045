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
from analysis.plan.types import PlanClub, PlanRules

# Numbers of swings in a row that are looked at: nobody changes clubs for a single swing.
_RUNS = (2, 4, 8)
# Equally likely slices of what the swings may show; 15 give the unit normal loss integral to 2 %
# (tests/plan/test_next_club.py).
_SLICES = 15


@dataclass(frozen=True, slots=True)
class SwingRules:
    """When a swing is worth its trouble. Common practice, no source."""

    swing_deg: float = 0.15
    """A swing costs as much as leaving one club this far off."""
    first_look: int = 2
    """No stop before every club has been hit this often: an odd club shows only when it is hit."""
    most_in_all: int = 90
    """The player is tired then, whatever is still worth knowing."""


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
    cost: float
    """What a swing costs, same unit: below it there is no point."""
    marks_value: float | None
    """At a stop: the same drop per swing if marks are read off the sole as well, best club. Far
    above the others where the level is in doubt."""


def next_club(
    posterior: SetPosterior,
    clubs: Sequence[PlanClub],
    rules: PlanRules | None = None,
    swing: SwingRules | None = None,
) -> Advice:
    """Say which club to hit next, or to stop.

    Parameters
    ----------
    posterior : SetPosterior
        Of all strikes so far; also of none.
    clubs : sequence of PlanClub
        The same clubs in the same order. ``strikes`` is taken from the posterior.
    rules : PlanRules, optional
        Of the plan.
    swing : SwingRules, optional
        Price of a swing.

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
    rules, swing = rules or PlanRules(), swing or SwingRules()
    if tuple(club.label for club in clubs) != posterior.labels:
        raise ValueError("the plan's clubs and the posterior's are not the same")
    look = _LookAhead(posterior, clubs, rules)
    cost = swing.swing_deg**2 * float(np.mean(look.weight**2))
    worth = {label: look.best_run(j, marked=False) for j, label in enumerate(posterior.labels)}
    value = {label: each for label, (each, _) in worth.items()}

    def advice(label: str | None, swings: int, why: str, marks: float | None = None) -> Advice:
        return Advice(label, swings, why, value, cost, marks)

    hit = int(posterior.strikes.sum())
    if hit >= swing.most_in_all:
        return advice(None, 0, f"{hit} swings: enough for one session")
    fresh = [j for j, n in enumerate(posterior.strikes) if n < swing.first_look]
    if fresh:
        j = min(fresh, key=lambda j: (int(posterior.strikes[j]), -value[posterior.labels[j]]))
        label = posterior.labels[j]
        missing = swing.first_look - int(posterior.strikes[j])
        return advice(label, missing, f"{label} has not had its first look yet")
    label = max(value, key=lambda name: value[name])
    each, run = worth[label]
    if each >= cost:
        run = min(run, swing.most_in_all - hit)
        why = f"hit {label} {run} more times: that can change the bend sheet most"
        return advice(label, run, why)
    marks = max(look.best_run(j, marked=True)[0] for j in range(len(clubs)))
    if marks > max(2 * each, cost):
        why = (
            "more swings alone would not change the bend sheet, but the level is in doubt: read "
            "the marks of a few swings off the sole"
        )
        return advice(None, 0, why, marks)
    why = "more swings would hardly change the bend sheet: stop"
    return advice(None, 0, why, marks)


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

    def best_run(self, j: int, *, marked: bool) -> tuple[float, int]:
        """Best drop of the loss per swing of club j, and the number of swings for it."""
        best = (0.0, _RUNS[0])
        for run in _RUNS:
            each = self._value(j, run, marked) / run
            if each > best[0]:
                best = (each, run)
        return best

    def _value(self, j: int, run: int, marked: bool) -> float:
        left, strikes, step = self._after(j, run, marked=marked)
        after = self._gain(self.off[:, None] + step[:, None] * self.z, left, strikes)
        return float(after.mean(axis=1).sum() - self.now.sum())

    def _after(self, j: int, run: int, *, marked: bool) -> tuple[FloatArray, IntArray, FloatArray]:
        """Look up sds and strikes after a run of club j, and what one sd of news moves."""
        post = self.posterior
        cov = post.covariance_deg2[:, j] if marked else post.shown_cov[:, j]
        var = post.covariance_deg2[j, j] if marked else post.shown_var[j]
        step = cov / math.sqrt(var + post.new_u_deg[j] ** 2 / run)
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
