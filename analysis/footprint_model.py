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


def _clipped(
    borders: FloatArray,
    v: FloatArray,
    inv_h: FloatArray,
    low: FloatArray,
    high: FloatArray,
    sag: FloatArray | None,
) -> FloatArray:
    """Borders in units of h from the vertex, clipped to where the sole presses."""
    z = borders - v[:, None]
    z *= inv_h
    if sag is not None:
        # Each cell has its own reach: two borders per cell.
        low, high = np.repeat(low, 2, axis=1), np.repeat(high, 2, axis=1)
    np.maximum(z, low, out=z)
    np.minimum(z, high, out=z)
    return z


def footprint_counts(
    theta: FloatArray, cells: Cells, sag: FloatArray | None = None, blur_mm: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Mean pressure over each cell and its derivatives.

    Parameters
    ----------
    theta : (n, 5)
        log A, v, log h, c, L.
    cells : Cells
        Where the cells are.
    sag : (n, cells) or None
        Counts by which the load was below that of the common moment when each cell was sampled:
        the whole parabola sinks by this much there (Winkler: pressure follows depth).
    blur_mm : float
        Derivatives by c and L are averaged over ends within half of this on either side (at most
        the pitch). An end acts on one cell only; blurred, a search does not stall at its border.

    Returns
    -------
    counts : (n, cells)
        Analytic integral over the cell, divided by its width.
    jacobian : (n, 5, cells)
        By the columns of theta.
    """
    amp, v, h = np.exp(theta[:, LOG_A]), theta[:, V], np.exp(theta[:, LOG_H])
    heel = theta[:, C] - theta[:, L] / 2
    toe = theta[:, C] + theta[:, L] / 2
    inv_h = (1 / h)[:, None]
    z_heel, z_toe = (heel - v) / h, (toe - v) / h
    if sag is None:
        low = np.maximum(z_heel, -1.0)[:, None]
        high = np.maximum(np.minimum(z_toe, 1.0)[:, None], low)
    else:
        reach = np.sqrt(np.maximum(1.0 - sag / amp[:, None], 0.0))
        low = np.maximum(z_heel[:, None], -reach)
        high = np.maximum(np.minimum(z_toe[:, None], reach), low)
    shared = sag is None and cells.width_mm == cells.pitch_mm
    z = _clipped(cells.borders if shared else cells.pairs, v, inv_h, low, high, sag)
    square = z * z
    cube = square * z
    # Neighbouring cells share a border; with gaps between them every other interval is a gap.
    step = 1 if shared else 2
    span = (z[:, 1:] - z[:, :-1])[:, ::step]
    squares = (square[:, 1:] - square[:, :-1])[:, ::step]
    cubes = (cube[:, 1:] - cube[:, :-1])[:, ::step] * (1 / 3)
    scale = (amp * h / cells.width_mm)[:, None]
    jacobian = np.zeros((len(theta), 5, len(cells.left)))
    lift = jacobian[:, LOG_A]
    np.multiply(scale, span - cubes, out=lift)
    np.multiply((amp / cells.width_mm)[:, None], squares, out=jacobian[:, V])
    np.multiply(2 * scale, cubes, out=jacobian[:, LOG_H])
    counts = lift if sag is None else lift - sag * (scale / amp[:, None]) * span
    rows = np.arange(len(theta))
    for end, sign in ((heel, -1.0), (toe, 1.0)):
        for column, edge in _edge_pressure(end, v, h, amp, cells, sag, blur_mm):
            jacobian[rows, C, column] += sign * edge
            jacobian[rows, L, column] += edge / 2
    return counts, jacobian


def _edge_pressure(
    end: FloatArray,
    v: FloatArray,
    h: FloatArray,
    amp: FloatArray,
    cells: Cells,
    sag: FloatArray | None,
    blur_mm: float,
) -> Iterator[tuple[NDArray[np.intp], FloatArray]]:
    """Change of cells by one end of the sole: (cell, counts per mm) of each strike.

    An end beyond the strip or the patch changes nothing: 0 on a cell at the rim.
    """
    last = len(cells.left) - 1
    near = end - blur_mm / 2
    z = (near - v) / h
    edge = amp * np.maximum(1 - z * z, 0.0)
    if blur_mm > 0:
        far = end + blur_mm / 2
        z = (far - v) / h
        edge = (edge + amp * np.maximum(1 - z * z, 0.0)) / 2
    first = np.floor((near - cells.left[0]) / cells.pitch_mm)
    for place in (first, first + 1) if blur_mm > 0 else (first,):
        column = np.minimum(np.maximum(place, 0), last).astype(np.intp)
        left = cells.left[0] + cells.pitch_mm * place
        right = left + cells.width_mm
        if blur_mm > 0:
            part = np.maximum(np.minimum(right, far) - np.maximum(left, near), 0.0) / blur_mm
        else:
            part = (end <= right).astype(np.float64)
        part = part * ((place >= 0) & (place <= last))
        here = edge
        if sag is not None:
            here = np.maximum(edge - sag[np.arange(len(end)), column], 0.0)
        yield column, part * here / cells.width_mm
