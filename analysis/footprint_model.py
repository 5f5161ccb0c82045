"""Forward model of a sole on a strip of cells, with its derivatives, for many strikes at once.

``p(x) = k max(0, d - u^2/2R - u tan(e))``, ``u = x - c``, ``|u| <= L/2`` (Winkler foundation:
Johnson, Contact Mechanics, 1985, 4.3). Multiplied out it is the parabola ``A (1 - ((x - v)/h)^2)``
cut off at ``c -+ L/2`` with ``v = c - R tan(e)``, ``h^2 = 2 R d + (R tan e)^2``,
``A = k h^2 / 2R``. R has dropped out: the strip cannot see it; the fit works in (A, v, h, c, L).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray, cell_middles_mm

# Columns of a parameter array (n, 5): log A (counts), v mm, log h (mm), c mm, L mm.
LOG_A, V, LOG_H, C, L = range(5)


@dataclass(frozen=True)
class Cells:
    """Borders of the cells, mm."""

    left: FloatArray
    right: FloatArray
    pitch_mm: float
    width_mm: float

    @classmethod
    def of(cls, cells: int, pitch_mm: float, width_mm: float) -> Cells:
        """Cells of a row centred on 0."""
        middle = cell_middles_mm(cells, pitch_mm)
        return cls(middle - width_mm / 2, middle + width_mm / 2, pitch_mm, width_mm)

    @property
    def borders(self) -> FloatArray:
        """Borders that neighbours share, (cells + 1,); for cells without gaps."""
        return np.append(self.left, self.right[-1])

    @property
    def pairs(self) -> FloatArray:
        """Left and right border of each cell in turn, (2 * cells,)."""
        return np.stack([self.left, self.right], axis=1).ravel()

    @property
    def middle(self) -> FloatArray:
        """Middles, mm."""
        return np.asarray((self.left + self.right) / 2)


@dataclass(frozen=True)
class EndEffect:
    """What one end of the sole does to one cell of each strike."""

    toward: float
    """-1 for the heel end, +1 for the toe end: sign of the change by c; by L it is half of it."""
    cell: NDArray[np.intp]
    """(n,)."""
    change: FloatArray
    """(n,): counts per mm that the end moves outward."""


@dataclass(frozen=True)
class Prediction:
    """Counts and their derivatives, cells first: sums over cells then run along the strikes."""

    counts: FloatArray
    """(cells, n): analytic integral over the cell, divided by its width."""
    by_log_a: FloatArray
    """(cells, n); likewise the next two."""
    by_v: FloatArray
    by_log_h: FloatArray
    ends: tuple[EndEffect, ...]

    def jacobian(self) -> FloatArray:
        """All derivatives, (n, 5, cells), by the columns of theta."""
        cells, n = self.counts.shape
        out = np.zeros((n, 5, cells))
        out[:, LOG_A], out[:, V], out[:, LOG_H] = self.by_log_a.T, self.by_v.T, self.by_log_h.T
        rows = np.arange(n)
        for end in self.ends:
            out[rows, C, end.cell] += end.toward * end.change
            out[rows, L, end.cell] += end.change / 2
        return out


def predict(
    theta: FloatArray, cells: Cells, sag: FloatArray | None = None, blur_mm: float = 0.0
) -> Prediction:
    """Mean pressure over each cell and its derivatives.

    Parameters
    ----------
    theta : (n, 5)
        log A, v, log h, c, L.
    cells : Cells
        Where the cells are.
    sag : (cells, n) or None
        Counts by which the load was below that of the common moment when each cell was sampled:
        the whole parabola sinks by this much there (Winkler: pressure follows depth).
    blur_mm : float
        Derivatives by c and L are averaged over ends within half of this on either side (at most
        the pitch). An end acts on one cell only; blurred, a search does not stall at its border.
    """
    amp, v, h = np.exp(theta[:, LOG_A]), theta[:, V], np.exp(theta[:, LOG_H])
    half = theta[:, L] / 2
    heel, toe = theta[:, C] - half, theta[:, C] + half
    inv_h = 1 / h
    shared = sag is None and cells.width_mm == cells.pitch_mm
    borders = cells.borders if shared else cells.pairs
    z = borders[:, None] - v
    z *= inv_h
    if sag is None:
        reach: FloatArray | float = 1.0
    else:
        # Each cell has its own reach, so each has two borders of its own.
        reach = np.repeat(np.sqrt(np.maximum(1.0 - sag / amp, 0.0)), 2, axis=0)
    low = np.maximum((heel - v) * inv_h, -reach)
    high = np.maximum(np.minimum((toe - v) * inv_h, reach), low)
    np.maximum(z, low, out=z)
    np.minimum(z, high, out=z)
    # Neighbouring cells share a border; with borders of their own every other interval is a gap.
    step = 1 if shared else 2
    square = z * z
    span = (z[1:] - z[:-1])[::step]
    by_v = (square[1:] - square[:-1])[::step]
    square *= z
    cubes = (square[1:] - square[:-1])[::step]
    across = amp / cells.width_mm
    scale = across * h
    by_v *= across
    by_log_h = cubes * (scale * (2 / 3))
    by_log_a = span * scale
    by_log_a -= by_log_h / 2
    counts = by_log_a
    if sag is not None:
        counts = by_log_a - sag * (h / cells.width_mm) * span
    ends = (
        *_end_effects(-1.0, heel, v, inv_h, amp, cells, sag, blur_mm),
        *_end_effects(1.0, toe, v, inv_h, amp, cells, sag, blur_mm),
    )
    return Prediction(counts, by_log_a, by_v, by_log_h, ends)


def footprint_counts(
    theta: FloatArray, cells: Cells, sag: FloatArray | None = None, blur_mm: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """`predict` with strikes first: counts (n, cells), Jacobian (n, 5, cells); sag (n, cells)."""
    found = predict(theta, cells, None if sag is None else sag.T, blur_mm)
    return np.ascontiguousarray(found.counts.T), found.jacobian()


def _end_effects(
    toward: float,
    end: FloatArray,
    v: FloatArray,
    inv_h: FloatArray,
    amp: FloatArray,
    cells: Cells,
    sag: FloatArray | None,
    blur_mm: float,
) -> Iterator[EndEffect]:
    """Change of cells by one end of the sole; 0 on a cell at the rim where there is none."""
    last = len(cells.left) - 1
    near = end - blur_mm / 2
    z = (near - v) * inv_h
    edge = np.maximum(1 - z * z, 0.0)
    if blur_mm > 0:
        far = end + blur_mm / 2
        z = (far - v) * inv_h
        edge = (edge + np.maximum(1 - z * z, 0.0)) / 2
    edge = edge * (amp / cells.width_mm)
    place = np.floor((near - cells.left[0]) / cells.pitch_mm)
    for _ in range(2 if blur_mm > 0 else 1):
        inside = np.minimum(np.maximum(place, 0), last)
        cell = inside.astype(np.intp)
        left = cells.left[0] + cells.pitch_mm * place
        change = edge
        if sag is not None:
            change = np.maximum(edge - sag[cell, np.arange(len(end))] / cells.width_mm, 0.0)
        if blur_mm > 0:
            overlap = np.minimum(left + cells.width_mm, far) - np.maximum(left, near)
            change = change * (np.maximum(overlap, 0.0) / blur_mm)
        elif cells.width_mm < cells.pitch_mm:
            change = change * (end <= left + cells.width_mm)
        yield EndEffect(toward, cell, change * (place == inside))
        place = place + 1
