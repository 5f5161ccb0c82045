"""Sums that a simpler firmware sends in place of scans: position, trail, pressure of a contact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulators import encode
from simulators.capture import PEAK_SHARE, Captured
from simulators.sole import FloatArray, Grid

# Cells with less than this share of the heaviest are left out of the centroid: a small machine
# does so to keep noise of far cells from pulling it.
SHARE_USED = 0.04
# A stream sends each loaded scan at first, then one reading each so many scans.
DENSE_READINGS = 24
SPARSE_SCANS = 8


@dataclass(frozen=True)
class Sums:
    """One reading before it has a sequence number."""

    at_ns: int
    board_mm: float
    # None: one row cannot know it.
    trail_mm: float | None
    pressure_counts: int
    flags: int
    span_ns: int


def _centroid(grid: Grid, load: FloatArray) -> float:
    """Centroid along the strip of (rows, cells) counts above rest."""
    used = np.where(load >= SHARE_USED * load.max(), load, 0.0)
    total = float(used.sum())
    return float((used.sum(axis=0) * grid.middles_mm).sum() / total) if total > 0 else 0.0


def summed_up(captured: Captured, grid: Grid, period_ns: int) -> Sums:
    """One reading for the whole contact; its moment is that of the heaviest pressure."""
    load = captured.loaded
    total = load.sum(axis=(1, 2))
    heaviest = int(total.argmax())
    at_ns = int(captured.scan_ns[captured.first_loaded + heaviest])
    kept = captured.flags & (encode.SATURATED | encode.EDGE | encode.STILL_LOADED)
    return Sums(
        at_ns, _centroid(grid, load.sum(axis=0)), _trail_mm(load, grid, period_ns),
        min(65535, round(float(total[heaviest]))), kept | encode.SUMS_UP, captured.span_ns,
    )  # fmt: skip


def streamed(captured: Captured, grid: Grid) -> list[Sums]:
    """Make a reading for each scan while loaded, thinned out when the contact is long."""
    load = captured.loaded
    heights = load.max(axis=(1, 2))
    loaded = np.flatnonzero(heights >= heights.max() / PEAK_SHARE)
    indices = list(range(int(loaded[0]), int(loaded[-1]) + 1))
    indices = indices[:DENSE_READINGS] + indices[DENSE_READINGS::SPARSE_SCANS]
    kept = captured.flags & (encode.SATURATED | encode.EDGE)
    sums = []
    for order, index in enumerate(indices):
        flags = kept | (encode.BEGINS if order == 0 else 0)
        if order == len(indices) - 1:
            flags |= encode.ENDS | (captured.flags & encode.STILL_LOADED)
        pressure = min(65535, round(float(load[index].sum())))
        at_ns = int(captured.scan_ns[captured.first_loaded + index])
        sums.append(Sums(at_ns, _centroid(grid, load[index]), None, pressure, flags, 0))
    return sums


def _trail_mm(load: FloatArray, grid: Grid, period_ns: int) -> float | None:
    """Front to back place of the heaviest pressure, from two rows' own times.

    The delay between the rows gives the speed; in each row, the middle between load coming and
    going is when the middle of the sole passed, if both of its edges print.
    """
    if grid.rows < 2:
        return None
    rows = load.sum(axis=2)
    top = rows.max(axis=0)
    if (top <= 0).any():
        return None
    index = np.arange(len(rows))[:, None]
    mean = (rows * index).sum(axis=0) / rows.sum(axis=0)
    over = rows >= top / 10
    on = over.argmax(axis=0)
    off = len(rows) - 1 - over[::-1].argmax(axis=0)
    delay = float(mean[-1] - mean[0]) / (grid.rows - 1)
    if delay <= 0.5:
        return None
    mm_per_scan = grid.row_distance_mm / delay
    trail = float((mean - (on + off) / 2).mean()) * mm_per_scan
    return trail if abs(trail) < 30 else None
