"""What of a strike's scans its footprint is fitted to: the row pressed most, about its peak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.conventions import FloatArray
from analysis.scans import ScanOrder, Strip, rest_levels, sample_offsets_us
from logger.records import Flag, Hello, Strike

# Scans kept about the heaviest one: more say nothing of the peak and cost time.
_SCANS = 16


@dataclass(frozen=True, slots=True)
class Pressed:
    """One strike, raw counts."""

    row: int
    """With the greatest peak."""
    counts: FloatArray
    """Shape (scans, cells), as many scans for every strike: NaN where there were fewer."""
    times_us: FloatArray
    """When each of them was sampled after the strike's first, the same shape."""
    rest: FloatArray
    """Shape (cells,)."""
    noise: float
    """Of a resting cell, counts."""


def pressed_of(hello: Hello, strikes: list[Strike]) -> list[Pressed]:
    """Take what a fit needs out of strikes of one boot."""
    strip = Strip(
        pitch_mm=hello.pitch_um / 1000,
        full_scale=hello.full_scale,
        scan_order=ScanOrder(hello.scan_order),
        scan_us=hello.scan_ticks / hello.tick_hz * 1e6,
    )
    offsets_us = sample_offsets_us(strip, hello.rows, hello.cells)
    return [_pressed(strike, offsets_us, hello.tick_hz) for strike in strikes]


def _pressed(strike: Strike, offsets_us: FloatArray, tick_hz: int) -> Pressed:
    raw = strike.counts.astype(np.float64)
    rest, noise, _ = rest_levels(raw, late_start=Flag.LATE_START in strike.flags)
    row, window = _heaviest(raw - rest)
    kept = window.stop - window.start
    counts = np.full((_SCANS, raw.shape[2]), np.nan)
    times_us = np.full(counts.shape, np.nan)
    counts[:kept] = raw[window, row]
    # Modulo 2^32, as ticks wrap.
    since = (strike.scan_ticks[window] - strike.scan_ticks[0]).astype(np.uint32)
    times_us[:kept] = since[:, None] / tick_hz * 1e6 + offsets_us[row]
    return Pressed(row, counts, times_us, rest[row], noise)


def _heaviest(net: FloatArray) -> tuple[int, slice]:
    """Row with the greatest peak, and the scans about that peak."""
    totals = net.sum(axis=2)
    peak, row = np.unravel_index(int(np.argmax(totals)), totals.shape)
    start = max(0, int(peak) - _SCANS // 2)
    return int(row), slice(start, min(start + _SCANS, len(net)))
