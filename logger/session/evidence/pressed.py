"""What of a strike's scans its footprint is fitted to: the row pressed most, about its peak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.conventions import FloatArray
from analysis.strikes.scans import SampleOrder, Strip, rest_levels_of_many, sample_offsets_us
from logger.protocol.records import Flag, Hello, Strike

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
        scan_order=SampleOrder(hello.scan_order),
        scan_us=hello.scan_ticks / hello.tick_hz * 1e6,
    )
    if not strikes:
        return []
    n, cells = len(strikes), hello.cells
    scans = np.array([len(strike.scan_ticks) for strike in strikes])
    raw = np.zeros((n, scans.max(), hello.rows, cells))
    ticks = np.zeros(raw.shape[:2], dtype=np.uint32)
    for place, strike in enumerate(strikes):
        raw[place, : scans[place]] = strike.counts
        ticks[place, : scans[place]] = strike.scan_ticks
    late = np.array([Flag.LATE_START in strike.flags for strike in strikes])
    rest, noise = rest_levels_of_many(raw, scans, late)

    # Row with the greatest peak, and the scans about that peak.
    load = (raw - rest[:, None]).sum(axis=3)
    load[np.arange(raw.shape[1]) >= scans[:, None]] = -np.inf
    peak, row = np.divmod(load.reshape(n, -1).argmax(axis=1), hello.rows)
    kept = np.maximum(peak - _SCANS // 2, 0)[:, None] + np.arange(_SCANS)
    missing = kept >= scans[:, None]
    kept[missing] = 0
    each = np.arange(n)
    counts = raw[each[:, None], kept, row[:, None]]
    # Ticks wrap modulo 2^32, and so does their difference.
    since = ticks[each[:, None], kept] - ticks[:, :1]
    offsets_us = sample_offsets_us(strip, hello.rows, cells)
    times_us = since[:, :, None] / hello.tick_hz * 1e6 + offsets_us[row][:, None]
    counts[missing] = times_us[missing] = np.nan
    return [
        Pressed(int(row[i]), counts[i], times_us[i], rest[i, row[i]], float(noise[i]))
        for i in range(n)
    ]
