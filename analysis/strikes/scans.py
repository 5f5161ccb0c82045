"""All scans of one strike -> one `Contact`: rest, bad cells, skew, centroid, width, row delay.

This is the quick reading that every strike gets. It sees the place of the pressure's centroid and
no more; it takes no sole for granted.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conventions import FloatArray, cell_middles_mm
from analysis.strikes.contacts import NEAR_PEAK, Contact, ContactFlag
from analysis.strikes.row_delay import (
    PATCH_FLOOR,
    SOLE_WIDTH_MM,
    crossing,
    front_to_back,
    stretch_about,
    top_of,
)

BoolArray = NDArray[np.bool_]


class SampleOrder(IntEnum):
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
    scan_order: SampleOrder = SampleOrder.AT_ONCE
    scan_us: float = 0.0
    """From the first cell's sample to the last cell's sample of one scan."""

    def __post_init__(self) -> None:
        if not self.pitch_mm > 0 or not self.full_scale > 0:
            raise ValueError("pitch_mm and full_scale must be positive")
        if self.row_distance_mm < 0 or self.scan_us < 0:
            raise ValueError("row_distance_mm and scan_us cannot be negative")


# No patch within four sigma of the resting noise.
NOISE_SIGMAS = 4.0
# A scan belongs to the time before the contact while the strip's sum has risen by less than this
# share of its whole rise.
ONSET_SHARE = 0.05
# A cell that rests at nearly full scale is stuck: what is left of its range carries nothing.
STUCK_SHARE = 0.98
# A cell that reads under a tenth of both neighbours' mean is dead: a convex sole under a cover
# leaves no such hole one cell wide.
DEAD_SHARE = 0.1
# Cells to each side that a gap is filled in from.
FILL_REACH = 4


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

    *Front to back*: see `analysis.strikes.row_delay.front_to_back`.
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
    window = stretch_about(total, peak, NEAR_PEAK * total[peak])
    mean = net[window].mean(axis=0)
    floor = NOISE_SIGMAS * noise / np.sqrt(window.stop - window.start)
    clipped: BoolArray = np.any(full[window], axis=0)
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

    speed, trail = front_to_back(
        grid, net[:, :, wide].sum(axis=2), strip.row_distance_mm, sole_width_mm
    )
    return Contact(
        t_us=top_of(grid, total, peak),
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
    rest = _median(before)
    noise = 1.4826 * float(_median(np.abs(before - rest).ravel())) if len(before) >= 4 else 0.0
    if noise == 0.0 and len(before) >= 4:
        # Whole counts: a quiet cell sits still, and its noise is that of rounding.
        noise = float(np.sqrt(np.mean((before - rest) ** 2)))
    return np.asarray(rest), noise, False


def rest_levels_of_many(
    raw: FloatArray, scans: NDArray[np.intp], late_start: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Rests and noises of many strikes, each as `rest_levels` finds them.

    Parameters
    ----------
    raw : ndarray, shape (n, most_scans, rows, cells)
        Raw counts; what lies behind a strike's last scan is not looked at.
    scans : ndarray of int, shape (n,)
        How many scans each strike has, >= 1.
    late_start : ndarray of bool, shape (n,)
        The board says that no scan is from before the contact.

    Returns
    -------
    rest : ndarray, shape (n, rows, cells)
    noise : ndarray, shape (n,)
    """
    there = np.arange(raw.shape[1]) < scans[:, None]
    total = raw.sum(axis=(2, 3))
    first, last = total[:, 0], total[np.arange(len(raw)), scans - 1]
    rise = np.where(there, total, -np.inf).max(axis=1) - first
    guessed = late_start | (rise <= 0) | (last < first - 2 * ONSET_SHARE * rise)
    risen = there & (total - first[:, None] > ONSET_SHARE * rise[:, None])
    before = np.where(guessed, 0, np.maximum(np.argmax(risen, axis=1) - 1, 1))
    rest, noise = np.empty((len(raw), *raw.shape[2:])), np.zeros(len(raw))
    # Strikes with as many scans before the contact are sorted together.
    for many in np.unique(before):
        own = np.flatnonzero(before == many)
        if many == 0:
            rest[own] = np.where(there[own, :, None, None], raw[own], np.inf).min(axis=1)
            continue
        quiet = raw[own, :many].swapaxes(0, 1)
        rest[own] = _median(quiet)
        if many >= 4:
            off = np.abs(quiet - rest[own]).swapaxes(0, 1).reshape(len(own), -1)
            spread = 1.4826 * _median(off.T)
            noise[own] = np.where(spread == 0.0, np.sqrt(np.mean(off**2, axis=1)), spread)
    return rest, noise


def _median(values: FloatArray) -> FloatArray:
    """Median along the first axis; numpy's own takes ten times as long for so few values."""
    order = np.sort(values, axis=0)
    count = len(order)
    return np.asarray((order[(count - 1) // 2] + order[count // 2]) / 2)


def sample_offsets_us(strip: Strip, rows: int, cells: int) -> FloatArray:
    """When each cell is sampled after its scan's first cell, shape (rows, cells), microseconds."""
    if strip.scan_order is SampleOrder.AT_ONCE or rows * cells == 1:
        return np.zeros((rows, cells))
    if strip.scan_order is SampleOrder.ROWS_TOGETHER:
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
    loaded good cells within `FILL_REACH` of the gap; with fewer than three, a straight line.

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
        for run in _runs(bad):
            near = good[(good >= run.start - FILL_REACH) & (good < run.stop + FILL_REACH)]
            if not (near.size and near[0] < run.start and near[-1] >= run.stop):
                continue
            cells = np.arange(run.start, run.stop)
            if near.size >= 3:
                fit = np.polyval(np.polyfit(near - run.start, values[near], 2), cells - run.start)
            else:
                fit = np.interp(cells, near, values[near])
            lowest = np.where(clipped[row, run], values[run], 0.0)
            changed |= bool(np.any(fit > lowest))
            out[row, run] = np.maximum(fit, lowest)
    return out, changed


def _runs(mask: BoolArray) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [slice(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _width_mm(profile: FloatArray, main: slice, pitch_mm: float) -> float:
    limit = PATCH_FLOOR * float(profile[main].max())
    left = crossing(profile, main.start, main.start - 1, limit)
    right = crossing(profile, main.stop - 1, main.stop, limit)
    return (right - left) * pitch_mm


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
