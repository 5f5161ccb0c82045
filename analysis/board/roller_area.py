"""Response of each cell to one passage of a weighted bar, with the speed of the hand taken out.

A bar or roller of constant weight is drawn along the strip by hand. Cell i then gives
``counts(t) = rest_i + gain_i * load * shape(X(t) - x_i)``, with X(t) where the bar is. The area
under this over *place*, ``integral of (counts - rest) dX = gain_i * load * area of the shape``,
does not depend on the speed. X(t) is not known from outside; it is read off the moments at which
the bar passed the middles of the cells, which are a pitch apart. Those moments do not depend on
gains, so the speed of the hand drops out as long as it changes over several cells, not within one.

The peak would need no speed at all, but it takes one scan of many and loses its top between scans.
It is good for one thing: area over peak belongs to the bar, not to the cell, so it shows where the
hand jerked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.answers import NoAnswerError
from analysis.board.roller import (
    FEWEST_SCANS_PRESSED,
    CellState,
    RollerPass,
    cell_states,
    check_direction,
    checked,
    passing_us,
    pressed,
    rest_and_noise,
    swing_counts,
)
from analysis.conventions import FloatArray, cell_middles_mm

# Passing times are smoothed by a parabola over this many cells: hands change speed over
# centimetres, timing noise differs from cell to cell.
_SMOOTH_CELLS = 7
_FEWEST_CELLS = 5
# Area over peak is the same for all cells, whatever their gain. Where it differs by more than this,
# the hand jerked faster than the passing times can follow: a halt of 60 ms at 60 mm/s makes 17 %.
_UNSTEADY = 0.04
_STOPPED = "the bar stopped or turned back on the strip: draw it in one go"


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
    order = np.argsort(smooth)
    times, places = smooth[order], place[order]
    track = np.interp(t_us, times, places)
    early, late = t_us < times[0], t_us > times[-1]
    track[early] = places[0] + (t_us[early] - times[0]) / slowness[order[0]]
    track[late] = places[-1] + (t_us[late] - times[-1]) / slowness[order[-1]]
    return track, slowness


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
    t, counts = checked(one)
    rest, noise = rest_and_noise(counts)
    state = cell_states(counts, rest, noise, full_scale)
    above = counts - rest
    passing = passing_us(t, above, state)
    rows, cells = state.shape
    middles = cell_middles_mm(cells, pitch_mm)
    area = np.full(state.shape, np.nan)
    for row in range(rows):
        seen = np.isfinite(passing[row])
        if seen.sum() < _FEWEST_CELLS:
            raise NoAnswerError(
                f"row {row}: only {int(seen.sum())} cells saw the bar for {FEWEST_SCANS_PRESSED} "
                "scans or more: draw it more slowly, or look for a dead row"
            )
        check_direction(middles[seen], passing[row, seen], one.direction)
        track, slowness = _track(t, middles[seen], passing[row, seen])
        if track is None:
            raise NoAnswerError(_STOPPED)
        reach = _reach_mm(t, above[:, row], state[row], slowness)
        _row_areas(track, above[:, row], middles, reach, state[row], area[row])
        _drop_unsteady(above[:, row], noise[row], state[row], area[row])
    good = np.vectorize(lambda s: s == CellState.GOOD, otypes=[bool])(state)
    return CellResponse(rest, noise, np.where(good, passing, np.nan), area, state)


def _reach_mm(
    t: FloatArray, above: FloatArray, state: NDArray[np.object_], slowness: FloatArray
) -> float:
    """How far from a cell's middle the bar is felt, mm: half the width at 5 % of the peak."""
    pace = float(np.median(np.abs(slowness)))
    widths = []
    for cell in range(state.size):
        if state[cell] == CellState.GOOD:
            chosen = np.flatnonzero(pressed(above[:, cell], 0.05))
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


def _drop_unsteady(
    above: FloatArray, noise: FloatArray, state: NDArray[np.object_], area: FloatArray
) -> None:
    """Mark the cells of one row over which the hand jerked, and forget their areas."""
    peak = swing_counts(above)
    width = area / peak
    usual = float(np.nanmedian(width)) if np.any(np.isfinite(width)) else np.nan
    # A peak of three scans is itself uncertain by noise / sqrt(3).
    allowed = _UNSTEADY + np.sqrt(3.0) * noise / np.maximum(peak, 1.0)
    jerked = np.abs(width / usual - 1.0) > allowed
    if 3 * int(np.sum(jerked)) > int(np.sum(np.isfinite(width))):
        raise NoAnswerError(_STOPPED)
    state[jerked] = CellState.UNSTEADY
    area[jerked] = np.nan
