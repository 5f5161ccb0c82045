"""Ordinary differential equations with steps of their own choosing.

The pair of Dormand and Prince, J. Comput. Appl. Math. 6 (1980) 19-26, of orders 5 and 4 with seven
stages; the tableau and the choice of steps as in Hairer, Norsett and Wanner, Solving Ordinary
Differential Equations I (2nd ed. 1993), table II.5.2 and section II.4.

scipy.integrate has the same, and loading it takes longer than all of a bend sheet's flights: with
it come its optimizers, sparse matrices and transforms.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray

Rates = Callable[[float, FloatArray], FloatArray]

_AT = (0.0, 1 / 5, 3 / 10, 4 / 5, 8 / 9, 1.0)
_STAGES = (
    (),
    (1 / 5,),
    (3 / 40, 9 / 40),
    (44 / 45, -56 / 15, 32 / 9),
    (19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729),
    (9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656),
)
# Order 5: where the step goes. The seventh stage is there; its rates begin the next step.
_STEP = (35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84)
# Less those of order 4.
_ERROR = (71 / 57600, 0.0, -71 / 16695, 71 / 1920, -17253 / 339200, 22 / 525, -1 / 40)
# Of the curve through a step, order 4 (Hairer, Norsett and Wanner, program DOPRI5).
_CURVE = (
    -12715105075 / 11282082432, 0.0, 87487479700 / 32700410799, -10690763975 / 1880347072,
    701980252875 / 199316789632, -1453857185 / 822651844, 69997945 / 29380423,
)  # fmt: skip
_SAFETY, _LEAST, _MOST = 0.9, 0.2, 5.0


@dataclass(frozen=True, slots=True)
class Step:
    """One step, and the curve through it."""

    begin_s: float
    end_s: float
    before: FloatArray
    after: FloatArray
    stages: tuple[FloatArray, ...]
    """Rates at the seven stages."""

    def at(self, times_s: FloatArray, who: NDArray[np.intp]) -> FloatArray:
        """Return states of some columns, each at a time of its own within the step.

        Parameters
        ----------
        times_s : ndarray
            Shape (m,), s.
        who : ndarray
            Columns of the state, shape (m,).

        Returns
        -------
        ndarray
            Shape (rows, m).
        """
        length = self.end_s - self.begin_s
        part = (times_s - self.begin_s) / length
        rest = 1 - part
        stages = [length * stage[:, who] for stage in self.stages]
        before = self.before[:, who]
        change = self.after[:, who] - before
        bend = stages[0] - change
        twist = change - stages[-1] - bend
        inner = twist + rest * _sum(_CURVE, stages)
        curve: FloatArray = before + part * (change + rest * (bend + part * inner))
        return curve


def steps(
    rates: Rates,
    state: FloatArray,
    *,
    until_s: float,
    relative: float,
    absolute: float,
    first_s: float,
) -> Iterator[Step]:
    """Step from time 0 on.

    Parameters
    ----------
    rates : callable
        Time derivative of a state, of its shape.
    state : ndarray
        At time 0, shape (rows, n).
    until_s : float
        The last step ends there.
    relative, absolute : float
        A step's error may be ``absolute + relative |value|`` in every value.
    first_s : float
        Tried first; a step that turns out too long is taken again.

    Yields
    ------
    Step
        Each begins where the one before it ended.
    """
    now_s, length = 0.0, first_s
    slope = rates(now_s, state)
    while now_s < until_s:
        length = min(length, until_s - now_s)
        stages = [slope]
        for at, weights in zip(_AT[1:], _STAGES[1:], strict=True):
            there = state + length * _sum(weights, stages)
            stages.append(rates(now_s + at * length, there))
        ahead = state + length * _sum(_STEP, stages)
        stages.append(rates(now_s + length, ahead))
        allowed = absolute + relative * np.maximum(np.abs(state), np.abs(ahead))
        error = float(np.max(np.abs(length * _sum(_ERROR, stages)) / allowed))
        if error <= 1:
            yield Step(now_s, now_s + length, state, ahead, tuple(stages))
            now_s, state, slope = now_s + length, ahead, stages[-1]
        grow = _MOST if error == 0 else _SAFETY * error**-0.2
        length *= min(max(grow, _LEAST), _MOST if error <= 1 else 1.0)


def _sum(weights: Sequence[float], stages: Sequence[FloatArray]) -> FloatArray:
    found = weights[0] * stages[0]
    for weight, stage in zip(weights[1:], stages[1:], strict=True):
        if weight:
            found += weight * stage
    return found
