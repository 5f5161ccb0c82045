"""Most probable footprint of many strikes at once: damped Gauss-Newton on all of theta."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint.linear import Elimination, pick
from analysis.footprint.model import HEEL, OUTWARD, TOE, C, L, Prediction, predict
from analysis.footprint.problem import (
    Measured,
    Problem,
    believed,
    cost_of,
    good_chance,
    good_factor2,
    heavy_factor2,
    measure,
    paired,
    weigh,
)
from analysis.footprint.start import choose_ends
from analysis.footprint.types import BoolArray

# Largest step in one go, by row of theta: the model's kinks make longer ones useless.
STEP_LIMIT = np.array([0.7, 12.0, 0.5, 12.0, 4.0, 0.5, 4.0, 4.0, 0.2, 0.7])[:, None]
_PER_LIMIT = (1 / STEP_LIMIT).astype(np.float32)
# Steps of either phase, and what they may still gain when they stop.
_FIRST_STEPS, _FIRST_TOLERANCE = 3, 0.3
_LAST_STEPS, _LAST_TOLERANCE = 8, 0.01
# A step that promises no more is taken before taking stock, which then shows whether it kept it.
_HOPEFUL = 0.5
# It did not if another would gain more than this.
_BROKEN = 0.05
# The first phase's last step may cost so much: the second begins with other noise anyway.
_LAST_RISE = 0.5
# A second guess is tried when it looked at most this much dearer than the first.
_RIVAL_COST = 8.0
# Ends are looked for again when the cost is above this for each cell; that of noise alone is 0.95.
_RETRY_COST = 1.0
# What is ground off is a guess when its standard uncertainty is above this part of the pitch.
_GUESS_PITCHES = 0.25
# Ends found anew are tried when they moved by more than this part of the pitch.
_RETRY_PITCHES = 0.3
# Strikes that have settled are left out once they are this part.
_WORTH_LEAVING = 0.2


@dataclass
class Search:
    """Where the search of n strikes is; strikes last everywhere."""

    problem: Problem
    noise: str
    """See `analysis.footprint.problem.measure`."""
    blur_mm: float
    theta: FloatArray
    inverse_var: FloatArray
    """(cells, n): weights under which cost is measured."""
    factor2: FloatArray | None
    """(n,): square of the noise factor; given, both follow the model from step to step."""
    cost: FloatArray
    slope: FloatArray
    normal: FloatArray
    damping: FloatArray

    @classmethod
    def at(
        cls,
        problem: Problem,
        theta: FloatArray,
        inverse_var: FloatArray,
        noise: str,
        blur_mm: float = 0.0,
    ) -> Search:
        """Begin at theta."""
        return cls.begin(
            problem,
            measure(problem, theta, inverse_var, noise, blur_mm),
            inverse_var,
            noise,
            blur_mm,
        )

    @classmethod
    def begin(
        cls,
        problem: Problem,
        at: Measured,
        inverse_var: FloatArray,
        noise: str,
        blur_mm: float = 0.0,
        factor2: FloatArray | None = None,
    ) -> Search:
        """Begin where the model is known already."""
        return cls(
            problem,
            noise,
            blur_mm,
            at.theta,
            inverse_var,
            factor2,
            at.cost,
            at.slope,
            at.normal,
            np.full_like(at.cost, 1e-3),
        )

    def _arrays(self) -> tuple[FloatArray, ...]:
        always = (self.theta, self.inverse_var, self.cost, self.slope, self.normal, self.damping)
        return always if self.factor2 is None else (*always, self.factor2)

    def take(self, rows: NDArray[Any]) -> Search:
        """Pick some of the strikes."""
        theta, inverse_var, cost, slope, normal, damping, *factor2 = (
            pick(array, rows) for array in self._arrays()
        )
        factor = factor2[0] if factor2 else None
        problem = self.problem.take(rows)
        return Search(
            problem,
            self.noise,
            self.blur_mm,
            theta,
            inverse_var,
            factor,
            cost,
            slope,
            normal,
            damping,
        )

    def put(self, other: Search, rows: NDArray[np.intp]) -> None:
        """File ``other`` as the strikes ``rows``."""
        for mine, new in zip(self._arrays(), other._arrays(), strict=True):
            mine[..., rows] = new

    def adopt(self, at: Measured, better: BoolArray) -> None:
        """Move the strikes that got ``better``."""
        pairs = [(self.theta, at.theta), (self.cost, at.cost), (self.slope, at.slope)]
        for mine, new in (*pairs, (self.normal, at.normal)):
            np.copyto(mine, new, where=better)

    def descend(self, steps: int, tolerance: float, arrive: float = 0.0) -> BoolArray:
        """Levenberg-Marquardt, in place.

        Who foresees a gain below ``tolerance`` stops there; who foresees one below ``arrive`` takes
        that step and stops, without a look at where it leads.

        Returns
        -------
        settled : (n,) bool
            The last accepted or foreseen gain in cost was below ``tolerance`` (a shift of a few
            hundredths of a standard deviation).
        """
        n = len(self.cost)
        settled = np.zeros(n, dtype=np.bool_)
        for done_steps in range(steps):
            step, excess = self._step()
            foreseen = (step * self.slope).sum(axis=0)
            last = ~settled & (foreseen < (arrive or tolerance)) & (excess <= 1)
            if arrive and last.any():
                # Where an end changes cells it does need a look.
                last &= self.keeps_cells(step)
                np.add(self.theta, step, out=self.theta, where=last)
            # A kink (an end at the border of a cell) can stop every step: good enough there.
            settled |= last | (self.damping > 1e4)
            open_rows = paired(np.nonzero(~settled)[0])
            if len(open_rows) <= (1 - _WORTH_LEAVING) * n:
                if len(open_rows):
                    part = self.take(open_rows)
                    settled[open_rows] = part.descend(steps - done_steps, tolerance, arrive)
                    self.put(part, open_rows)
                break
            gain, at, follow = self._try(self.theta + step)
            # One that has settled waits for the batch to shrink: it must end as it would alone.
            better = (gain > 0) & ~settled
            stuck = ~(better | settled)
            np.multiply(self.damping, 0.2, out=self.damping, where=better)
            np.maximum(self.damping, 1e-2, out=self.damping, where=stuck)
            np.multiply(self.damping, 8.0, out=self.damping, where=stuck)
            settled |= better & (gain < tolerance) & (excess <= 1)
            self.adopt(at, better)
            if self.factor2 is not None and follow is not None:
                np.copyto(self.inverse_var, follow[0], where=better)
                np.copyto(self.factor2, follow[1], where=better)
        return settled

    def _step(self) -> tuple[FloatArray, FloatArray]:
        """Next step, shortened where it is too long, and how many times too long it was."""
        step = Elimination(self.normal, self.slope, self.damping).solve()
        excess = (np.abs(step) * _PER_LIMIT).max(axis=0)
        step /= np.maximum(excess, 1.0)
        return step, excess

    def last_step(self) -> tuple[FloatArray, Prediction, FloatArray]:
        """One more step where it is one downhill: theta, the model, not blurred, and residuals."""
        problem = self.problem
        theta = self.theta + self._step()[0]
        found = predict(theta, problem.cells, problem.sag)
        rest = problem.residuals(found.counts)
        cost = cost_of(problem, theta, rest, self.inverse_var, self.noise)
        rows = paired(np.nonzero(cost >= self.cost + _LAST_RISE)[0])
        if len(rows):
            part = problem.take(rows)
            last = pick(self.theta, rows)
            theta[:, rows] = last
            back = predict(last, part.cells, part.sag)
            found.counts[:, rows], found.columns[:, :, rows] = back.counts, back.columns
            rest[:, rows] = part.residuals(back.counts)
        return theta, found, rest

    def keeps_cells(self, step: FloatArray) -> BoolArray:
        """Whether both ends of the sole stay in their cells, (n,)."""
        return np.asarray((self._cells_of_ends(step) == self._cells_of_ends(0.0)).all(axis=0))

    def _cells_of_ends(self, step: FloatArray | float) -> FloatArray:
        """Cells in which the sole's ends are after a step, (2, n)."""
        cells, theta = self.problem.cells, self.theta + step
        half = 0.5 * theta[L]
        ends = theta[C] + OUTWARD * half
        place: FloatArray = np.floor((ends - cells.left.item(0)) * (1 / cells.pitch_mm))
        return place

    def _try(
        self, theta: FloatArray
    ) -> tuple[FloatArray, Measured, tuple[FloatArray, FloatArray] | None]:
        """Gain in cost at theta; what is there, under noise that has followed the model; that."""
        problem = self.problem
        if self.factor2 is None:
            at = measure(problem, theta, self.inverse_var, self.noise, self.blur_mm)
            return self.cost - at.cost, at, None
        found = predict(theta, problem.cells, problem.sag, self.blur_mm)
        rest = problem.residuals(found.counts)
        gain = self.cost - cost_of(problem, theta, rest, self.inverse_var, self.noise)
        stated = problem.inverse_variance(found.counts)
        factor2 = good_factor2(problem, rest * rest * stated, self.factor2)[2]
        stated /= factor2
        return gain, weigh(problem, theta, found, rest, stated, self.noise), (stated, factor2)


@dataclass
class Mode:
    """The most probable footprint of n strikes and what surrounds it; strikes last; all single."""

    theta: FloatArray
    """(10, n)."""
    columns: FloatArray
    """(10, cells, n): derivatives of the counts."""
    normal: FloatArray
    """(10, 10, n): Hessian of half the cost, noise factor applied to the data's part."""
    slope: FloatArray
    """(10, n): half the negative gradient of the cost that remains."""
    cost: FloatArray
    """(n,): under the final weights."""
    inverse_var: FloatArray
    """(cells, n): final weights, bad cells and noise factor included."""
    good: FloatArray
    """(cells, n): chance that the cell is good."""
    standardised: FloatArray
    """(cells, n): residuals over their stated standard deviation."""
    counts: FloatArray
    """(cells, n): of the model."""
    chi2: FloatArray
    used: FloatArray
    """(n,): good cells."""
    noise_factor: FloatArray
    settled: BoolArray

    def put(self, other: Mode, rows: NDArray[np.intp]) -> None:
        """File ``other`` as the strikes ``rows``."""
        for field in fields(self):
            getattr(self, field.name)[..., rows] = getattr(other, field.name)


def find_mode(problem: Problem, theta: FloatArray, price: FloatArray, smooth: FloatArray) -> Mode:
    """Fit in two phases: heavy-tailed noise first, then good-or-bad cells.

    Parameters
    ----------
    problem : Problem
        Profiles and priors, single precision as all here.
    theta, price : (choices, 10, n), (choices, n)
        First guesses and their costs from `analysis.footprint.start`.
    smooth : (cells, n)
        Values that stand in for the model's in the noise of the first phase.
    """
    n = price.shape[1]
    pitch = problem.cells.pitch_mm
    inverse_var = problem.inverse_variance(smooth)
    # All guesses worth a try are fitted together.
    tried = [np.nonzero(price[k] - price[0] < _RIVAL_COST)[0] for k in range(len(price))]
    rows = np.concatenate(tried)
    guesses = np.concatenate([pick(theta[k], part) for k, part in enumerate(tried)], axis=1)
    many = problem if len(rows) == n else problem.take(rows)
    weights = inverse_var if len(rows) == n else pick(inverse_var, rows)
    first = Search.at(many, guesses, weights, "student", pitch)
    first.descend(_FIRST_STEPS, _FIRST_TOLERANCE)
    if len(rows) > n:
        first = _cheapest(first, rows, n)
    _retry_ends(first)
    theta, found, rest = first.last_step()
    stated = problem.inverse_variance(found.counts)
    factor2 = heavy_factor2(problem, rest * rest * stated)
    stated /= factor2
    at = weigh(problem, theta, found, rest, stated, "mixture")
    best = Search.begin(problem, at, stated, "mixture", factor2=factor2)
    settled = best.descend(_LAST_STEPS, _LAST_TOLERANCE, _HOPEFUL)
    mode, left = _at_mode(best, settled)
    # Not where the last step promised.
    rows = paired(np.nonzero(left > _BROKEN)[0])
    if len(rows):
        again = best.take(rows)
        again = Search.begin(
            again.problem,
            measure(again.problem, again.theta, again.inverse_var, again.noise),
            again.inverse_var,
            again.noise,
            factor2=again.factor2,
        )
        settled = again.descend(_LAST_STEPS, _LAST_TOLERANCE, _LAST_TOLERANCE)
        mode.put(_at_mode(again, settled)[0], rows)
    return mode


def _at_mode(best: Search, settled: BoolArray) -> tuple[Mode, FloatArray]:
    """Take stock at the end of the search, and say how much cost one more step would gain.

    Such steps as are short are taken: what was found here is as good there.
    """
    assert best.factor2 is not None
    problem, theta = best.problem, best.theta
    found = predict(theta, problem.cells, problem.sag)
    rest = problem.residuals(found.counts)
    stated = problem.inverse_variance(found.counts)
    square = rest * rest * stated
    good = good_chance(square / best.factor2)
    chi2, used, factor2 = good_factor2(problem, square, best.factor2)
    final = believed(stated / factor2, good)
    at = weigh(problem, theta, found, rest, final, "plain")
    step = Elimination(at.normal, at.slope).solve()
    left = (step * at.slope).sum(axis=0)
    near = (left < _BROKEN) & best.keeps_cells(step)
    theta = theta + step * near
    at.cost -= left * near
    at.slope *= ~near
    mode = Mode(
        theta,
        found.columns,
        at.normal,
        at.slope,
        at.cost,
        at.weight if problem.saturated is None else final * (rest != 0),
        good,
        rest * np.sqrt(stated),
        found.counts,
        chi2,
        used,
        np.sqrt(factor2),
        settled,
    )
    return mode, left


def _cheapest(found: Search, rows: NDArray[np.intp], n: int) -> Search:
    """Of several fits per strike (``rows`` says whose) the cheapest, (n,)."""
    order = np.lexsort((found.cost, rows))
    cheapest = order[np.searchsorted(rows[order], np.arange(n))]
    return found.take(cheapest)


def _retry_ends(found: Search) -> None:
    """Look for the ends again with the rest now known; improve ``found`` in place.

    Only where the model leaves much unexplained or what is ground off was no more than a guess.
    """
    weak = found.cost > _RETRY_COST * (found.problem.use > 0).sum(axis=0)
    weak |= (
        found.problem.prior_weight[[HEEL, TOE]].min(axis=0)
        < _GUESS_PITCHES**-2 / found.problem.cells.pitch_mm**2
    )
    poor = paired(np.nonzero(weak)[0])
    if not len(poor):
        return
    theta, inverse_var = pick(found.theta, poor), pick(found.inverse_var, poor)
    problem = found.problem.take(poor)
    again, _ = choose_ends(
        problem.y.T,
        problem.cells,
        inverse_var.T,
        problem.prior_mean,
        problem.prior_weight,
        theta,
        1,
    )
    moved = np.abs(again[0, C] - theta[C]) + np.abs(again[0, L] - theta[L]) / 2
    tried = paired(np.nonzero(moved > _RETRY_PITCHES * problem.cells.pitch_mm)[0])
    if len(tried):
        begin, weights = pick(again[0], tried), pick(inverse_var, tried)
        other = Search.at(problem.take(tried), begin, weights, found.noise, found.blur_mm)
        other.descend(_FIRST_STEPS, _FIRST_TOLERANCE)
        rows = poor[tried]
        better = np.nonzero(other.cost < found.cost[rows])[0]
        found.put(other.take(better), rows[better])
