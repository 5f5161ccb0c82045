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
    def middle(self) -> FloatArray:
        """Middles, mm."""
        return np.asarray((self.left + self.right) / 2)


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
    zl = np.minimum(np.maximum((cells.left - v[:, None]) * inv_h, low), high)
    zr = np.minimum(np.maximum((cells.right - v[:, None]) * inv_h, low), high)
    zl2, zr2 = zl * zl, zr * zr
    span = zr - zl
    cube = (zr2 * zr - zl2 * zl) * (1 / 3)
    scale = (amp * h / cells.width_mm)[:, None]
    jacobian = np.zeros((len(theta), 5, len(cells.left)))
    lift = jacobian[:, LOG_A]
    np.multiply(scale, span - cube, out=lift)
    np.multiply((amp / cells.width_mm)[:, None], zr2 - zl2, out=jacobian[:, V])
    np.multiply(2 * scale, cube, out=jacobian[:, LOG_H])
    counts = lift if sag is None else lift - sag * (scale / amp[:, None]) * span
    for end, sign in ((heel, -1.0), (toe, 1.0)):
        for rows, column, edge in _edge_pressure(end, v, h, amp, cells, sag, blur_mm):
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
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]]:
    """Change of cells by one end of the sole: (rows, cells, counts per mm), cell by cell."""
    near = end - blur_mm / 2
    edge = amp * np.maximum(1 - ((near - v) / h) ** 2, 0.0)
    if blur_mm > 0:
        far = end + blur_mm / 2
        edge = (edge + amp * np.maximum(1 - ((far - v) / h) ** 2, 0.0)) / 2
    first = np.floor((near - cells.left[0]) / cells.pitch_mm).astype(np.intp)
    for column in (first, first + 1) if blur_mm > 0 else (first,):
        rows = np.nonzero((edge > 0) & (column >= 0) & (column < len(cells.left)))[0]
        column = column[rows]
        left, right = cells.left[column], cells.right[column]
        if blur_mm > 0:
            overlap = np.minimum(right, far[rows]) - np.maximum(left, near[rows])
            part = np.maximum(overlap, 0.0) / blur_mm
        else:
            part = (end[rows] <= right).astype(np.float64)
        here = edge[rows]
        if sag is not None:
            here = np.maximum(here - sag[rows, column], 0.0)
        yield rows, column, part * here / cells.width_mm
