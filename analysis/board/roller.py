"""A weighted bar drawn along the strip, as the cells saw it: rest, state, moment of passing.

What each cell's response amounts to is in `roller_area`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

import numpy as np
from numpy.typing import NDArray

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray

# A cell counts as pressed in a pass when its swing stands this far above its own noise.
_CLEAR_SIGNAL = 8.0
# Under this part of the row's median swing a cell is called dead even if it is above noise.
_DEAD_PART = 0.02
FEWEST_SCANS = 20
FEWEST_SCANS_PRESSED = 5

_OTHER_WAY = (
    "the cells saw the bar go the other way than this pass says: check the direction, or the "
    "ribbon cable is plugged in reversed"
)


class Direction(IntEnum):
    """Which way the bar was drawn, in the board frame."""

    TOWARD_POSITIVE = 1
    TOWARD_NEGATIVE = -1


class CellState(StrEnum):
    """What a roller study found a cell to be."""

    GOOD = "good"
    DEAD = "dead"
    STUCK = "stuck"
    NEGATIVE = "negative"
    CLIPPED = "clipped"
    NOT_CROSSED = "not crossed"
    UNSTEADY = "unsteady"


@dataclass(frozen=True, slots=True, eq=False)
class RollerPass:
    """What the board sent while the bar went once along the strip.

    Attributes
    ----------
    t_us : ndarray
        Shape (n_scans,), increasing, microseconds on the board's clock.
    counts : ndarray
        Shape (n_scans, rows, cells), raw.
    direction : Direction
        As drawn.
    """

    t_us: FloatArray
    counts: NDArray[np.generic]
    direction: Direction


def rest_and_noise(counts: NDArray[np.generic]) -> tuple[FloatArray, FloatArray]:
    """Resting level and noise of each cell, from scans in which it is pressed now and then.

    Parameters
    ----------
    counts : ndarray
        Shape (n_scans, ...), n_scans >= 3; a cell must rest for more than half of them.

    Returns
    -------
    rest, noise : ndarray
        Shape (...), counts. Noise is never below 1 / sqrt(12), the rounding to whole counts.
    """
    values = np.asarray(counts, dtype=np.float64)
    # Differences of neighbours hardly see a slow press, and their median not at all.
    noise = 1.4826 * np.median(np.abs(np.diff(values, axis=0)), axis=0) / np.sqrt(2.0)
    noise = np.maximum(noise, 1.0 / np.sqrt(12.0))
    middle = np.median(values, axis=0)
    # The median leans toward the pressed side; the mean of what lies near it does not.
    near = np.abs(values - middle) <= np.maximum(3.0 * noise, 1.0)
    number = np.maximum(near.sum(axis=0), 1)
    return np.where(near, values, 0.0).sum(axis=0) / number, noise


def swing_counts(above: FloatArray) -> FloatArray:
    """Greatest departure from rest with its sign, after a mean over three scans."""
    mean = (above[:-2] + above[1:-1] + above[2:]) / 3.0
    place = np.argmax(np.abs(mean), axis=0)
    return np.asarray(np.take_along_axis(mean, place[None], axis=0)[0])


def pressed(above: FloatArray, part: float) -> NDArray[np.bool_]:
    """Mark the scans of one cell around its peak that stay above ``part`` of the peak."""
    top = int(np.argmax(above))
    under = above < part * above[top]
    before = np.flatnonzero(under[:top])
    after = np.flatnonzero(under[top:])
    first = int(before[-1]) + 1 if before.size else 0
    last = top + int(after[0]) if after.size else above.size
    chosen = np.zeros(above.size, dtype=np.bool_)
    chosen[first:last] = True
    return chosen


def cell_states(
    counts: FloatArray, rest: FloatArray, noise: FloatArray, full_scale: int
) -> NDArray[np.object_]:
    """Name each cell in one pass: shape (rows, cells), values of `CellState` as strings."""
    above = counts - rest
    swing = swing_counts(above)
    clear = np.abs(swing) > _CLEAR_SIGNAL * noise
    state = np.full(rest.shape, CellState.GOOD, dtype=object)
    positive = swing[clear & (swing > 0)]
    usual = float(np.median(positive)) if positive.size else 0.0
    state[~clear | (np.abs(swing) < _DEAD_PART * usual)] = CellState.DEAD
    state[clear & (swing < -_DEAD_PART * usual)] = CellState.NEGATIVE
    state[counts.max(axis=0) >= full_scale] = CellState.CLIPPED
    # Not one count of movement, or pinned to a rail all the time.
    state[(np.ptp(counts, axis=0) == 0) | (counts.min(axis=0) >= full_scale)] = CellState.STUCK
    return state


def checked(one: RollerPass) -> tuple[FloatArray, FloatArray]:
    """Return times and counts of a pass as floats; refuse what is malformed or too short."""
    t = np.asarray(one.t_us, dtype=np.float64)
    counts = np.asarray(one.counts, dtype=np.float64)
    if counts.ndim != 3 or t.ndim != 1 or counts.shape[0] != t.size:
        raise ValueError(
            "a pass needs counts of shape (n_scans, rows, cells) and one time per scan"
        )
    if t.size < FEWEST_SCANS:
        raise NoAnswerError(f"a pass of {t.size} scans is too short: draw the bar more slowly")
    if not np.all(np.diff(t) > 0):
        raise ValueError("the times of a pass must go up")
    return t, counts


def passing_times_us(one: RollerPass, full_scale: int) -> FloatArray:
    """When the bar stood over each cell, from the cell's own response alone.

    Parameters
    ----------
    one : RollerPass
        One passage.
    full_scale : int
        Greatest value a cell can have.

    Returns
    -------
    ndarray
        Shape (rows, cells), microseconds; NaN for a cell that is dead, stuck, negative or
        still pressed at an end of the pass.

    Raises
    ------
    NoAnswerError
        Too few scans.
    ValueError
        Shapes do not fit or times do not go up.
    """
    t, counts = checked(one)
    rest, noise = rest_and_noise(counts)
    state = cell_states(counts, rest, noise, full_scale)
    return passing_us(t, counts - rest, state)


def passing_us(t: FloatArray, above: FloatArray, state: NDArray[np.object_]) -> FloatArray:
    """Find each cell's moment of passing; `state` is changed where the bar did not clear the cell.

    Shapes (n_scans,), (n_scans, rows, cells) and (rows, cells); microseconds, NaN where unknown.
    """
    result = np.full(state.shape, np.nan)
    weight = np.gradient(t)
    for cell in np.ndindex(state.shape):
        if state[cell] not in (CellState.GOOD, CellState.CLIPPED):
            continue
        signal = above[(slice(None), *cell)]
        chosen = pressed(signal, 0.2)
        if chosen.sum() < FEWEST_SCANS_PRESSED:
            continue
        # Still pressed when the pass began or ended: its centre would be that of a part.
        if chosen[0] or chosen[-1]:
            state[cell] = CellState.NOT_CROSSED
            continue
        mass = signal[chosen] * weight[chosen]
        result[cell] = float(np.sum(mass * t[chosen]) / np.sum(mass))
    return result


def check_direction(place: FloatArray, when: FloatArray, direction: Direction) -> None:
    """Refuse a row of cells that saw the bar go the other way."""
    lean = float(np.sum((place - place.mean()) * (when - when.mean())))
    if lean * direction < 0:
        raise NoAnswerError(_OTHER_WAY)


def crossed_cells(passes: Sequence[RollerPass], full_scale: int) -> list[tuple[int, int, int]]:
    """Cells that answer where another should: wires swapped.

    Parameters
    ----------
    passes : sequence of RollerPass
        One or more; the median over passes decides.
    full_scale : int
        Greatest value a cell can have.

    Returns
    -------
    list of (row, cell, place)
        ``cell`` responds where cell ``place`` should. Empty when all are in order. Cells that do
        not respond are left out of the order.

    Raises
    ------
    NoAnswerError
        Every pass went the other way than it says, or has too few scans.
    ValueError
        As `passing_times_us`.
    """
    if not passes:
        raise NoAnswerError("draw the bar along the strip to see which cell answers where")
    times = np.stack([passing_times_us(p, full_scale) * p.direction for p in passes])
    found = []
    for row in range(times.shape[1]):
        alive = np.flatnonzero(np.all(np.isfinite(times[:, row]), axis=0))
        if alive.size < 2:
            continue
        when = times[:, row, alive]
        lean = (when - when.mean(axis=1, keepdims=True)) @ (alive - alive.mean())
        if not np.any(lean > 0):
            raise NoAnswerError(_OTHER_WAY)
        ranks = np.argsort(np.argsort(when[lean > 0], axis=1), axis=1)
        usual = np.rint(np.median(ranks, axis=0)).astype(int)
        found += [
            (row, int(cell), int(alive[rank]))
            for index, (cell, rank) in enumerate(zip(alive, usual, strict=True))
            if rank != index
        ]
    return found
