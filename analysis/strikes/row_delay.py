"""Two rows that see the same pulse one after the other: speed and front-to-back place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.conventions import FloatArray

# A tenth of the height is where a patch is taken to begin: above the noise of sensing film (5 to
# 20 %, J. Sensors 2018, 6561901) and low enough to lose little of the patch. Common practice.
PATCH_FLOOR = 0.1

# A head crosses the rows at 20 to 50 m/s; half and double that bound what is believed.
# Common practice, no source.
SPEED_M_S = (5.0, 100.0)
# Front-to-back width of an iron's sole, and the share of it that must have printed before the
# middle of the print may stand for the middle of the sole. Common practice, no source.
SOLE_WIDTH_MM = 20.0
PRINTED_SHARE = 0.8


def front_to_back(
    grid: FloatArray, rows: FloatArray, row_distance_mm: float, sole_width_mm: float = SOLE_WIDTH_MM
) -> tuple[float | None, float | None]:
    """Speed of the sole and front-to-back place of the heaviest pressure, from two rows or more.

    Parameters
    ----------
    grid : ndarray, shape (n_scans,)
        Common moments of all cells, microseconds.
    rows : ndarray, shape (n_scans, rows)
        Load of each row, counts above rest; row 0 is reached first.
    row_distance_mm : float
        From one row's middle to the next.
    sole_width_mm : float
        Front-to-back width of the sole.

    Returns
    -------
    speed_m_s : float or None
        None with one row, with pulses cut off by the record, or a delay too short to be seen.
    trail_mm : float or None
        Positive toward the trailing edge.

    Notes
    -----
    Two rows a known distance apart see the same pulse one after the other; their delay gives the
    sole's speed. Speed times time is a length on the sole, but where its zero is can only be told
    from the sole's own edges: if leading and trailing edge both print, the middle of the print is
    the middle of the sole, and the heaviest pressure lies ``speed * (t_peak - t_mid)`` behind it.
    With a narrower print the pulse is even about its peak whatever the sole did, so ``trail_mm``
    is None unless ``PRINTED_SHARE`` of ``sole_width_mm`` has printed. With one row it is always
    None.

    The middle of a pulse is taken between its crossings of `PATCH_FLOOR`; on an arc that
    pulls ``trail_mm`` a little toward 0, less so the more abruptly the edges print.
    """
    n_rows = rows.shape[1]
    distance_mm = row_distance_mm * (n_rows - 1)
    if distance_mm <= 0 or grid.size < 5:
        return None, None
    first = _pulse(grid, rows[:, 0])
    last = _pulse(grid, rows[:, -1])
    if first is None or last is None:
        return None, None
    delay_us = last.centroid_us - first.centroid_us
    # Below a quarter of a scan the delay is the sampling's own error.
    if delay_us <= 0.25 * float(np.median(np.diff(grid))):
        return None, None
    speed_m_s = 1e3 * distance_mm / delay_us
    if not SPEED_M_S[0] <= speed_m_s <= SPEED_M_S[1]:
        return None, None
    mm_per_us = distance_mm / delay_us
    printed_mm = mm_per_us * (first.length_us + last.length_us) / 2
    if printed_mm < PRINTED_SHARE * sole_width_mm:
        return speed_m_s, None
    return speed_m_s, mm_per_us * (first.lag_us + last.lag_us) / 2


@dataclass(frozen=True, slots=True)
class _Pulse:
    centroid_us: float
    length_us: float
    lag_us: float
    """Peak after the middle of the pulse."""


def _pulse(grid: FloatArray, values: FloatArray) -> _Pulse | None:
    peak = int(np.argmax(values))
    top = float(values[peak])
    if top <= 0:
        return None
    span = stretch_about(values, peak, PATCH_FLOOR * top)
    if span.start == 0 or span.stop == values.size or span.stop - span.start < 3:
        return None
    index = np.arange(values.size, dtype=np.float64)
    begin = crossing(values, span.start, span.start - 1, PATCH_FLOOR * top)
    end = crossing(values, span.stop - 1, span.stop, PATCH_FLOOR * top)
    begin_us, end_us = np.interp([begin, end], index, grid)
    # The top of a flat pulse is found from all its upper part, not from three noisy samples.
    upper = stretch_about(values, peak, 0.6 * top)
    peak_us = top_of(grid, values, peak)
    if upper.stop - upper.start >= 4:
        moment = grid[upper] - grid[peak]
        scale = float(np.ptp(moment))
        a, b, _ = np.polyfit(moment / scale, values[upper], 2)
        if a < 0:
            peak_us = float(grid[peak] + scale * np.clip(-b / (2 * a), -1.0, 1.0))
    return _Pulse(
        centroid_us=float(np.average(grid[span], weights=np.clip(values[span], 0.0, None))),
        length_us=float(end_us - begin_us),
        lag_us=float(peak_us - (begin_us + end_us) / 2),
    )


def stretch_about(values: FloatArray, peak: int, limit: float) -> slice:
    """Unbroken stretch about ``peak`` where ``values`` is at least ``limit``."""
    below = np.flatnonzero(values < limit)
    left = below[below < peak]
    right = below[below > peak]
    start = int(left[-1]) + 1 if left.size else 0
    return slice(start, int(right[0]) if right.size else values.size)


def top_of(grid: FloatArray, values: FloatArray, peak: int) -> float:
    """Moment of the top of a parabola through the highest value and its two neighbours."""
    if not 0 < peak < values.size - 1:
        return float(grid[peak])
    before, top, after = values[peak - 1 : peak + 2]
    bend = before - 2 * top + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(grid[peak] + shift * (grid[peak + 1] - grid[peak - 1]) / 2)


def crossing(values: FloatArray, inside: int, outside: int, limit: float) -> float:
    """Index, between two neighbours, where ``values`` crosses ``limit``."""
    if not 0 <= outside < values.size:
        return inside + 0.5 * (outside - inside)
    drop = values[inside] - values[outside]
    share = (values[inside] - limit) / drop if drop > 0 else 0.5
    return float(inside + np.clip(share, 0.0, 1.0) * (outside - inside))
