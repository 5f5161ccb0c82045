"""Loads of a sole that sweeps over a strip, as a test bench needs them: known, simple, smooth.

The pressure along the strip is the parabola of a circular sole on an elastic bed (Johnson, Contact
Mechanics, 4.3, Winkler foundation), averaged over each cell; over time it is half a sine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """One contact."""

    middle_mm: float
    """Where the patch's middle is, along the strip."""
    half_width_mm: float = 18.0
    peak_counts: float = 150.0
    """Pressure in the patch's middle at the heaviest moment, counts above rest."""
    contact_mm: float = 25.0
    """Length of sole, front to back, that presses on a row."""
    speed_m_s: float = 35.0
    row_distance_mm: float = 0.0

    @property
    def duration_us(self) -> float:
        """How long one row is pressed."""
        return self.contact_mm / self.speed_m_s * 1000.0


def cell_shares(sweep: Sweep, cells: int, pitch_mm: float) -> FloatArray:
    """Mean over each cell of 1 - (u/a)^2 where positive; shape (cells,). Exact integral."""
    middles = (np.arange(cells) - (cells - 1) / 2) * pitch_mm - sweep.middle_mm
    a = sweep.half_width_mm
    low = np.clip(middles - pitch_mm / 2, -a, a)
    high = np.clip(middles + pitch_mm / 2, -a, a)
    whole = (high - high**3 / (3 * a**2)) - (low - low**3 / (3 * a**2))
    return np.asarray(whole / pitch_mm)


def wave(
    sweep: Sweep, *, rows: int, cells: int, pitch_mm: float, step_us: float = 5.0
) -> FloatArray:
    """Give counts above rest, shape (n_steps, rows, cells), from the first touch of row 0 on."""
    delay_us = sweep.row_distance_mm / sweep.speed_m_s * 1000.0
    length_us = sweep.duration_us + delay_us * (rows - 1)
    times_us = np.arange(0.0, length_us + 2 * step_us, step_us)
    since_us = times_us[:, np.newaxis] - delay_us * np.arange(rows)
    phase = np.clip(since_us / sweep.duration_us, 0.0, 1.0)
    pulse = sweep.peak_counts * np.sin(np.pi * phase)
    return np.asarray(pulse[:, :, np.newaxis] * cell_shares(sweep, cells, pitch_mm))
