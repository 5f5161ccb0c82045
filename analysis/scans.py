"""All scans of one strike -> one `Contact`: rest, bad cells, skew, centroid, width, row delay.

This is the quick reading that every strike gets. It sees the place of the pressure's centroid and
no more; it takes no sole for granted.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.contacts import NEAR_PEAK, Contact, ContactFlag
from analysis.conventions import FloatArray, cell_middles_mm

BoolArray = NDArray[np.bool_]


class ScanOrder(IntEnum):
    """In which order the cells of one scan are sampled (numbers as in the wire format)."""

    ROW_AFTER_ROW = 0
    ROWS_TOGETHER = 1
    AT_ONCE = 2


@dataclass(frozen=True, slots=True)
class Strip:
    """What has to be known of a board to read its scans."""

    pitch_mm: float
    full_scale: float
    row_distance_mm: float = 0.0
    """From one row's middle to the next; 0 with one row."""
    scan_order: ScanOrder = ScanOrder.AT_ONCE
    scan_us: float = 0.0
    """From the first cell's sample to the last cell's sample of one scan."""

    def __post_init__(self) -> None:
        if not self.pitch_mm > 0 or not self.full_scale > 0:
            raise ValueError("pitch_mm and full_scale must be positive")
        if self.row_distance_mm < 0 or self.scan_us < 0:
            raise ValueError("row_distance_mm and scan_us cannot be negative")


# A tenth of the height is where a patch is taken to begin: above the noise of sensing film (5 to
# 20 %, J. Sensors 2018, 6561901) and low enough to lose little of the patch. Common practice.
PATCH_FLOOR = 0.1
# ... and never within four sigma of the resting noise.
NOISE_SIGMAS = 4.0
# A scan belongs to the time before the contact while the strip's sum has risen by less than this
# share of its whole rise.
ONSET_SHARE = 0.05
# A cell that rests at nearly full scale is stuck: what is left of its range carries nothing.
STUCK_SHARE = 0.98
# A cell that reads under a tenth of both neighbours' mean is dead: a convex sole under a cover
# leaves no such hole one cell wide.
DEAD_SHARE = 0.1
# Cells to each side that a filled-in cell is worked out from.
FILL_REACH = 4

# A head crosses the rows at 20 to 50 m/s; half and double that bound what is believed.
# Common practice, no source.
SPEED_M_S = (5.0, 100.0)
# Front-to-back width of an iron's sole, and the share of it that must have printed before the
# middle of the print may stand for the middle of the sole. Common practice, no source.
SOLE_WIDTH_MM = 20.0
PRINTED_SHARE = 0.8


def contact_from_scans(
    t_us: ArrayLike,
    counts: ArrayLike,
    strip: Strip,
    *,
    key: int,
    span_us: float | None = None,
    late_start: bool = False,
    edge: bool = False,
    saturated: bool = False,
    still_loaded: bool = False,
    sole_width_mm: float = SOLE_WIDTH_MM,
) -> Contact:
    """Read one strike's scans.

    Parameters
    ----------
    t_us : array_like, shape (n_scans,)
        Sample moment of each scan's first cell, unwrapped board microseconds, ascending.
    counts : array_like, shape (n_scans, rows, cells)
        Raw values, rest not subtracted; the first scans are from before the contact.
    strip : Strip
        The board's geometry and scan order.
    key : int
        Ties the contact to its record.
    span_us : float, optional
        How long the board says the contact lasted; 0 and None both mean not known.
    late_start, edge, saturated, still_loaded : bool
        The board's own flags. ``late_start``: scans from before the contact are missing.
    sole_width_mm : float
        Front-to-back width of the sole, for ``trail_mm`` only.

    Returns
    -------
    Contact
        ``board_mm`` is NaN and ``load`` 0 when no cell rose above its rest.

    Raises
    ------
    ValueError
        If the shapes do not fit together or times do not ascend.

    Notes
    -----
    *Place*: centroid of the heaviest patch in the mean of the scans at half the peak's load or
    more. It is unbiased for a patch that lies whole on strip and sole (Johnson, Contact Mechanics,
    4.2 and 4.3: both pressures are even about the lowest point); a patch cut off at the strip's end
    is flagged, one cut off at the sole's ends is the business of the footprint fit.

    *Front to back*: two rows a known distance apart see the same pulse one after the other; their
    delay gives the sole's speed. Speed times time is a length on the sole, but where its zero is can
    only be told from the sole's own edges: if leading and trailing edge both print, the middle of
    the print is the middle of the sole, and the heaviest pressure lies ``speed * (t_peak - t_mid)``
    behind it. With a narrower print the pulse is even about its peak whatever the sole did, so
    ``trail_mm`` is None unless ``PRINTED_SHARE`` of ``sole_width_mm`` has printed. With one row
    it is always None.
    """
    times = np.asarray(t_us, dtype=np.float64)
    raw = np.asarray(counts, dtype=np.float64)
    if raw.ndim != 3 or times.shape != raw.shape[:1] or raw.size == 0:
        raise ValueError("counts must be (n_scans, rows, cells) with one time per scan")
    if np.any(np.diff(times) <= 0):
        raise ValueError("scan times must ascend")

    flags = ContactFlag.NONE
    if edge:
        flags |= ContactFlag.EDGE
    if saturated:
        flags |= ContactFlag.SATURATED
    if still_loaded:
        flags |= ContactFlag.STILL_LOADED

    rest, noise, guessed = rest_levels(raw, late_start=late_start)
    if guessed:
        flags |= ContactFlag.REST_GUESSED
    stuck = rest >= STUCK_SHARE * strip.full_scale
    full = (raw >= strip.full_scale) & ~stuck
    net = np.where(stuck, 0.0, raw - rest)
    grid, net = remove_skew(times, net, sample_offsets_us(strip, raw.shape[1], raw.shape[2]))

    total = net.sum(axis=(1, 2))
    peak = int(np.argmax(total))
    window = _around(total, peak, NEAR_PEAK * total[peak])
    mean = net[window].mean(axis=0)
    floor = NOISE_SIGMAS * noise / np.sqrt(window.stop - window.start)
    clipped = full[window].any(axis=0)
    if clipped.any():
        flags |= ContactFlag.SATURATED
    mean, filled = fill_bad_cells(mean, stuck, clipped, floor)
    if filled:
        flags |= ContactFlag.CELL_FILLED

    profile = mean.sum(axis=0)
    floor *= np.sqrt(raw.shape[1])
    runs = _runs(profile > max(PATCH_FLOOR * float(profile.max()), floor, 1e-9))
    if not runs:
        return _empty(float(grid[peak]), span_us, flags, key)
    main = max(runs, key=lambda run: float(profile[run].sum()))
    cells = profile.size
    if main.start == 0 or main.stop == cells:
        flags |= ContactFlag.EDGE
    # One cell more to each side holds the thin ends of the patch, which the floor cut off.
    wide = slice(max(main.start - 1, 0), min(main.stop + 1, cells))
    weight = np.clip(profile[wide], 0.0, None)
    place = float(np.average(cell_middles_mm(cells, strip.pitch_mm)[wide], weights=weight))

    speed, trail = _front_to_back(grid, net[:, :, wide].sum(axis=2), strip, sole_width_mm)
    return Contact(
        t_us=_vertex(grid, total, peak),
        span_us=float(span_us) if span_us else None,
        board_mm=place,
        trail_mm=trail,
        load=float(total[peak]),
        width_mm=_width_mm(profile, main, strip.pitch_mm),
        patches=len(runs),
        flags=flags,
        first_key=key,
        last_key=key,
        speed_m_s=speed,
    )


def rest_levels(raw: FloatArray, *, late_start: bool = False) -> tuple[FloatArray, float, bool]:
    """Rest of each cell and the noise of a resting cell.

    Parameters
    ----------
    raw : ndarray, shape (n_scans, rows, cells)
        Raw counts.
    late_start : bool
        The board says that no scan is from before the contact.

    Returns
    -------
    rest : ndarray, shape (rows, cells)
        Median of the scans before the contact; without such scans, each cell's lowest value.
    noise : float
        Robust standard deviation of a resting cell, counts (1.4826 MAD, pooled); 0 if unknown.
    guessed : bool
        True if there was no scan from before the contact.
    """
    total = raw.sum(axis=(1, 2))
    rise = float(total.max() - total[0])
    # A record that ends well below where it began was under load from the start.
    if late_start or rise <= 0 or total[-1] < total[0] - 2 * ONSET_SHARE * rise:
        return np.asarray(raw.min(axis=0)), 0.0, True
    onset = int(np.argmax(total - total[0] > ONSET_SHARE * rise))
    # The scan just before the onset may hold the first touch; it goes if others are left.
    before = raw[: max(onset - 1, 1)]
    rest = np.median(before, axis=0)
    noise = 1.4826 * float(np.median(np.abs(before - rest))) if len(before) >= 4 else 0.0
    if noise == 0.0 and len(before) >= 4:
        # Whole counts: a quiet cell sits still, and its noise is that of rounding.
        noise = float(np.sqrt(np.mean((before - rest) ** 2)))
    return np.asarray(rest), noise, False


def sample_offsets_us(strip: Strip, rows: int, cells: int) -> FloatArray:
    """When each cell is sampled after its scan's first cell, shape (rows, cells), microseconds."""
    if strip.scan_order is ScanOrder.AT_ONCE or rows * cells == 1:
        return np.zeros((rows, cells))
    if strip.scan_order is ScanOrder.ROWS_TOGETHER:
        across = np.arange(cells) * (strip.scan_us / max(cells - 1, 1))
        return np.tile(across, (rows, 1))
    order = np.arange(rows * cells, dtype=np.float64) * (strip.scan_us / (rows * cells - 1))
    return np.asarray(order.reshape(rows, cells))


def remove_skew(
    times: FloatArray, net: FloatArray, offsets_us: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Bring all cells to common moments by straight lines between their own samples.

    Parameters
    ----------
    times : ndarray, shape (n_scans,)
        Moment of each scan's first cell, microseconds.
    net : ndarray, shape (n_scans, rows, cells)
        Counts above rest.
    offsets_us : ndarray, shape (rows, cells)
        From `sample_offsets_us`.

    Returns
    -------
    grid : ndarray, shape (n_scans,)
        The middle of each scan.
    steady : ndarray, shape (n_scans, rows, cells)
        Counts at those moments; before the first and after the last sample the value is held.
    """
    if not offsets_us.any() or len(times) < 2:
        return times, net
    grid = times + offsets_us.max() / 2
    steady = np.empty_like(net)
    for row, cell in np.ndindex(offsets_us.shape):
        steady[:, row, cell] = np.interp(grid, times + offsets_us[row, cell], net[:, row, cell])
    return grid, steady


def fill_bad_cells(
    mean: FloatArray, stuck: BoolArray, clipped: BoolArray, floor: float
) -> tuple[FloatArray, bool]:
    """Fill in cells that cannot be believed from their neighbours in the same row.

    A parabola (the shape of the pressure under an elastic foundation: Johnson, 4.3) through the
    loaded good cells within `FILL_REACH`; with fewer than three, the mean of the two neighbours.

    Parameters
    ----------
    mean : ndarray, shape (rows, cells)
        Counts above rest at the peak.
    stuck, clipped : ndarray of bool, shape (rows, cells)
        Cells stuck near full scale; cells that reached full scale only under the load, whose value
        is a lower bound.
    floor : float
        Counts under which a cell holds no load.

    Returns
    -------
    filled : ndarray, shape (rows, cells)
    changed : bool
        Whether any cell was filled in.
    """
    out = mean.copy()
    changed = False
    for row, values in enumerate(mean):
        limit = max(floor, PATCH_FLOOR * float(values.max()))
        beside = np.zeros_like(values)
        beside[1:-1] = np.minimum(values[:-2], values[2:])
        between = np.zeros_like(values)
        between[1:-1] = (values[:-2] + values[2:]) / 2
        dead = (beside > 2 * limit) & (values < DEAD_SHARE * between)
        bad = dead | stuck[row] | clipped[row]
        good = np.flatnonzero(~bad & (values > limit))
        for cell in np.flatnonzero(bad):
            near = good[np.abs(good - cell) <= FILL_REACH]
            if not (near.size and near[0] < cell < near[-1]):
                continue
            if near.size >= 3:
                fit = float(np.polyval(np.polyfit(near - cell, values[near], 2), 0.0))
            else:
                fit = float(np.interp(cell, near, values[near]))
            lowest = values[cell] if clipped[row, cell] else 0.0
            if fit > lowest:
                out[row, cell] = fit
                changed = True
    return out, changed


def _around(values: FloatArray, peak: int, limit: float) -> slice:
    """Unbroken stretch about ``peak`` where ``values`` is at least ``limit``."""
    below = np.flatnonzero(values < limit)
    left = below[below < peak]
    right = below[below > peak]
    start = int(left[-1]) + 1 if left.size else 0
    return slice(start, int(right[0]) if right.size else values.size)


def _runs(mask: BoolArray) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [slice(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _vertex(grid: FloatArray, values: FloatArray, peak: int) -> float:
    """Moment of the top of a parabola through the highest value and its two neighbours."""
    if not 0 < peak < values.size - 1:
        return float(grid[peak])
    before, top, after = values[peak - 1 : peak + 2]
    bend = before - 2 * top + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(grid[peak] + shift * (grid[peak + 1] - grid[peak - 1]) / 2)


def _crossing(values: FloatArray, inside: int, outside: int, limit: float) -> float:
    """Index, between two neighbours, where ``values`` crosses ``limit``."""
    if not 0 <= outside < values.size:
        return inside + 0.5 * (outside - inside)
    drop = values[inside] - values[outside]
    share = (values[inside] - limit) / drop if drop > 0 else 0.5
    return float(inside + np.clip(share, 0.0, 1.0) * (outside - inside))


def _width_mm(profile: FloatArray, main: slice, pitch_mm: float) -> float:
    limit = PATCH_FLOOR * float(profile[main].max())
    left = _crossing(profile, main.start, main.start - 1, limit)
    right = _crossing(profile, main.stop - 1, main.stop, limit)
    return (right - left) * pitch_mm


def _front_to_back(
    grid: FloatArray, rows: FloatArray, strip: Strip, sole_width_mm: float
) -> tuple[float | None, float | None]:
    """Speed in m/s and trail_mm from the pulses of the first and last row; (None, None) if not."""
    n_rows = rows.shape[1]
    distance_mm = strip.row_distance_mm * (n_rows - 1)
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
    span = _around(values, peak, PATCH_FLOOR * top)
    if span.start == 0 or span.stop == values.size or span.stop - span.start < 3:
        return None
    index = np.arange(values.size, dtype=np.float64)
    begin = _crossing(values, span.start, span.start - 1, PATCH_FLOOR * top)
    end = _crossing(values, span.stop - 1, span.stop, PATCH_FLOOR * top)
    begin_us, end_us = np.interp([begin, end], index, grid)
    # The top of a flat pulse is found from all its upper part, not from three noisy samples.
    upper = _around(values, peak, 0.6 * top)
    peak_us = _vertex(grid, values, peak)
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


def _empty(t_us: float, span_us: float | None, flags: ContactFlag, key: int) -> Contact:
    return Contact(
        t_us=t_us,
        span_us=float(span_us) if span_us else None,
        board_mm=float("nan"),
        trail_mm=None,
        load=0.0,
        width_mm=None,
        patches=0,
        flags=flags,
        first_key=key,
        last_key=key,
    )
