"""One passage of a weighted bar along the strip: rest, passing times and response of each cell.

A bar or roller of constant weight is drawn along the strip by hand. Cell i then gives
``counts(t) = rest_i + gain_i * load * shape(X(t) - x_i)``, with X(t) where the bar is. The area
under this over *place*, ``integral of (counts - rest) dX = gain_i * load * area of the shape``,
does not depend on the speed. X(t) is not known from outside; it is read off the moments at which
the bar passed the middles of the cells, which are a pitch apart. Those moments do not depend on
gains, so the speed of the hand drops out as long as it changes over several cells, not within one.

The peak would need no speed at all, but it takes one scan of many and loses its top between scans.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

import numpy as np
from numpy.typing import NDArray

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray, cell_middles_mm

# A cell counts as pressed in a pass when its swing stands this far above its own noise.
_CLEAR_SIGNAL = 8.0
# Under this part of the row's median swing a cell is called dead even if it is above noise.
_DEAD_PART = 0.02
# Passing times are smoothed by a parabola over this many cells: hands change speed over
# centimetres, timing noise differs from cell to cell.
_SMOOTH_CELLS = 7
_FEWEST_CELLS = 5
FEWEST_SCANS = 20
_FEWEST_SCANS_PRESSED = 5
# A bar that slows down to a tenth of its median speed over a cell was stopped there: place cannot
# be told from time any more.
_STOPPED = 0.1

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


@dataclass(frozen=True, slots=True, eq=False)
class CellResponse:
    """One pass, cell by cell. All arrays have the shape (rows, cells).

    Attributes
    ----------
    rest_counts, noise_counts : ndarray
        Level and standard deviation of the cell while the bar was elsewhere.
    passing_us : ndarray
        When the bar stood over the cell (centre of the response); NaN unless good.
    area : ndarray
        Integral of the response over place, counts * mm; NaN unless good.
    state : ndarray of CellState
        What the cell did in this pass.
    """

    rest_counts: FloatArray
    noise_counts: FloatArray
    passing_us: FloatArray
    area: FloatArray
    state: NDArray[np.object_]


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


def _swing(above: FloatArray) -> FloatArray:
    """Greatest departure from rest with its sign, after a mean over three scans."""
    mean = (above[:-2] + above[1:-1] + above[2:]) / 3.0
    place = np.argmax(np.abs(mean), axis=0)
    return np.asarray(np.take_along_axis(mean, place[None], axis=0)[0])


def _pressed(above: FloatArray, part: float) -> NDArray[np.bool_]:
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


def _states(
    counts: FloatArray, rest: FloatArray, noise: FloatArray, full_scale: int
) -> NDArray[np.object_]:
    above = counts - rest
    swing = _swing(above)
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


def _smooth_times(place: FloatArray, when: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Smooth the passing times over place; also the slowness (time per mm) there."""
    smooth, slowness = np.empty_like(when), np.empty_like(when)
    width = min(_SMOOTH_CELLS, when.size)
    for k in range(when.size):
        first = min(max(k - width // 2, 0), when.size - width)
        part = slice(first, first + width)
        _, slowness[k], smooth[k] = np.polyfit(place[part] - place[k], when[part], 2)
    return smooth, slowness


def _track(
    t_us: FloatArray, place: FloatArray, when: FloatArray
) -> tuple[FloatArray | None, FloatArray]:
    """Place of the bar at each scan, mm; None where the hand stopped. And the slowness used."""
    smooth, slowness = _smooth_times(place, when)
    sign = np.sign(when[-1] - when[0])
    forward = slowness * sign
    if np.any(forward <= 0) or np.any(np.diff(smooth) * sign <= 0):
        return None, slowness
    if np.max(forward) > np.median(forward) / _STOPPED:
        return None, slowness
    order = np.argsort(smooth)
    times, places = smooth[order], place[order]
    track = np.interp(t_us, times, places)
    early, late = t_us < times[0], t_us > times[-1]
    track[early] = places[0] + (t_us[early] - times[0]) / slowness[order[0]]
    track[late] = places[-1] + (t_us[late] - times[-1]) / slowness[order[-1]]
    return track, slowness


def _check_pass(one: RollerPass) -> tuple[FloatArray, FloatArray]:
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
        Shape (rows, cells), microseconds; NaN for a cell that is dead, stuck or negative.

    Raises
    ------
    NoAnswerError
        Too few scans.
    ValueError
        Shapes do not fit or times do not go up.
    """
    t, counts = _check_pass(one)
    rest, noise = rest_and_noise(counts)
    state = _states(counts, rest, noise, full_scale)
    return _passing(t, counts - rest, state)


def _passing(t: FloatArray, above: FloatArray, state: NDArray[np.object_]) -> FloatArray:
    result = np.full(state.shape, np.nan)
    weight = np.gradient(t)
    for cell in np.ndindex(state.shape):
        if state[cell] not in (CellState.GOOD, CellState.CLIPPED):
            continue
        signal = above[(slice(None), *cell)]
        chosen = _pressed(signal, 0.2)
        if chosen.sum() < _FEWEST_SCANS_PRESSED:
            continue
        mass = signal[chosen] * weight[chosen]
        result[cell] = float(np.sum(mass * t[chosen]) / np.sum(mass))
    return result


def cell_responses(one: RollerPass, pitch_mm: float, full_scale: int) -> CellResponse:
    """Response of every cell in one pass, with the speed of the hand taken out.

    Parameters
    ----------
    one : RollerPass
        One passage, from beyond one end of the strip to beyond the other.
    pitch_mm : float
        From one cell's middle to the next, mm.
    full_scale : int
        Greatest value a cell can have.

    Returns
    -------
    CellResponse

    Raises
    ------
    NoAnswerError
        Too few scans or responding cells; the bar stopped; it went the other way than said.
    ValueError
        Shapes do not fit or times do not go up.
    """
    t, counts = _check_pass(one)
    rest, noise = rest_and_noise(counts)
    state = _states(counts, rest, noise, full_scale)
    above = counts - rest
    passing = _passing(t, above, state)
    rows, cells = state.shape
    middles = cell_middles_mm(cells, pitch_mm)
    area = np.full(state.shape, np.nan)
    for row in range(rows):
        seen = np.isfinite(passing[row])
        if seen.sum() < _FEWEST_CELLS:
            raise NoAnswerError(
                f"row {row}: only {int(seen.sum())} cells saw the bar for {_FEWEST_SCANS_PRESSED} "
                "scans or more: draw it more slowly, or look for a dead row"
            )
        _check_direction(middles[seen], passing[row, seen], one.direction)
        track, slowness = _track(t, middles[seen], passing[row, seen])
        if track is None:
            raise NoAnswerError("the bar stopped or turned back on the strip: draw it in one go")
        reach = _reach_mm(t, above[:, row], state[row], slowness)
        _row_areas(track, above[:, row], middles, reach, state[row], area[row])
    good = np.vectorize(lambda s: s == CellState.GOOD, otypes=[bool])(state)
    return CellResponse(rest, noise, np.where(good, passing, np.nan), area, state)


def _check_direction(place: FloatArray, when: FloatArray, direction: Direction) -> None:
    lean = float(np.sum((place - place.mean()) * (when - when.mean())))
    if lean * direction < 0:
        raise NoAnswerError(_OTHER_WAY)


def _reach_mm(
    t: FloatArray, above: FloatArray, state: NDArray[np.object_], slowness: FloatArray
) -> float:
    """How far from a cell's middle the bar is felt, mm: half the width at 5 % of the peak."""
    pace = float(np.median(np.abs(slowness)))
    widths = []
    for cell in range(state.size):
        if state[cell] == CellState.GOOD:
            chosen = np.flatnonzero(_pressed(above[:, cell], 0.05))
            widths.append(float(t[chosen[-1]] - t[chosen[0]]) / pace)
    # A quarter more, so that a slower or faster stretch still finds its whole response inside.
    return 1.25 * float(np.median(widths)) / 2.0 if widths else 0.0


def _row_areas(
    track: FloatArray,
    above: FloatArray,
    middles: FloatArray,
    reach: float,
    state: NDArray[np.object_],
    area: FloatArray,
) -> None:
    """Fill in the areas of one row; cells that the bar did not clear are marked."""
    step = np.abs(np.gradient(track))
    low, high = float(track.min()), float(track.max())
    for cell in range(state.size):
        if state[cell] != CellState.GOOD:
            continue
        if middles[cell] - reach < low or middles[cell] + reach > high:
            state[cell] = CellState.NOT_CROSSED
            continue
        near = np.abs(track - middles[cell]) <= reach
        area[cell] = float(np.sum(above[near, cell] * step[near]))
        if not area[cell] > 0:
            state[cell] = CellState.DEAD
            area[cell] = np.nan


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
