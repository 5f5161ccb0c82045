"""Forward model of a sole on a strip of cells, with its derivatives, for many strikes at once.

On an elastic foundation ``p(x) = k max(0, d - u^2/2R - u tan(e))``, ``u = x - c`` (Winkler:
Johnson, Contact Mechanics, 1985, 4.3). Multiplied out it is the parabola ``A g``,
``g = 1 - z^2``, ``z = (x - v)/h``, with ``v = c - R tan(e)``, ``h^2 = 2 R d + (R tan e)^2``,
``A = k h^2 / 2R``. R has dropped out: the strip cannot see it. On a half-space it is the
semi-ellipse ``A sqrt(g)`` (Hertz: Johnson 4.2); a cover of some thickness lies between, here
``A f``, ``f = (1 - s) g + s sqrt(g)`` with the shape s as an unknown.

The sole is ``L`` long, and over its last ``w`` mm at heel and toe ground off along a radius ``r``.
What is ground off presses less deep: beyond ``x_b = c -+ (L/2 - w)`` it is
``g = 1 - z^2 - (R/r) ((x - x_b)/h)^2``, again a parabola, so the print may end softly, and short of
the sole's end. So there are three regions, each ``g = G - y^2``, ``y = sqrt(K) (z - z_c)``.

Each cell hands a share of its load to its two neighbours, half to either side: what of the print's
softness is the cover's and what the sole's makes a difference to where the sole ends.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray, cell_middles_mm

# Columns of a parameter array (n, 10): log A (counts), v mm, log h (mm), c mm, L mm, s (0 = elastic
# foundation, 1 = half-space), what is ground off at heel and at toe (mm; turned to w by
# `ground_off`), neighbours' share, log(r/R).
LOG_A, V, LOG_H, C, L, SHAPE, HEEL, TOE, SHARE, EDGE = range(10)
SIZE = 10
# Heel and toe: which way is out of the sole, (2, 1).
_OUTWARD = np.array([[-1.0], [1.0]])
# Below about this many mm, w falls ever more slowly, so that it stays positive.
_BEND_MM = 1.5


def ground_off(given: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return w, mm, and dw/dgiven: ``given`` itself where it is large, towards 0 where negative.

    Nearly straight, since the print's end tells of the sole's end less w: what is normal stays so.
    """
    size = np.sqrt(given * given + 4 * _BEND_MM**2)
    # The second form does not lose its digits.
    w = np.where(given > 0, (given + size) / 2, 2 * _BEND_MM**2 / (size - np.minimum(given, 0)))
    return w, w / size


def given_ground(w: float) -> float:
    """Inverse of `ground_off`."""
    return w - _BEND_MM**2 / w


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
class Prediction:
    """Counts and their derivatives, cells first: sums over cells then run along the strikes."""

    counts: FloatArray
    """(cells, n): analytic integral over the cell, divided by its width."""
    columns: FloatArray
    """(10, cells, n): derivatives by the columns of theta."""


def predict(
    theta: FloatArray, cells: Cells, sag: FloatArray | None = None, blur_mm: float = 0.0
) -> Prediction:
    """Mean pressure over each cell and its derivatives.

    Parameters
    ----------
    theta : (10, n)
        By the columns above.
    cells : Cells
        Where the cells are.
    sag : (cells, n) or None
        Counts by which the load was below that of the common moment when each cell was sampled:
        the whole patch sinks by this much there (Winkler: pressure follows depth; ``g`` sinks by
        ``sag / A``).
    blur_mm : float
        Derivatives by the ends are averaged over ends within half of this on either side (at most
        the pitch). A sharp end acts on one cell only; blurred, a search does not stall at its
        border.

    Notes
    -----
    Integrals are taken as differences of antiderivatives at the cells' borders, each in the form of
    the region that its border is in. Where a region ends within a cell, what the two forms differ
    by at that place is made good in this cell.
    """
    n, count = theta.shape[1], len(cells.left)
    amp, h, ratio = np.exp(theta[[LOG_A, LOG_H, EDGE]])
    steep, v, shape = 1 / ratio, theta[V], theta[SHAPE]
    inv_h, half = 1 / h, theta[L] / 2
    ground, by_given = ground_off(theta[[HEEL, TOE]])
    ends = theta[C] + _OUTWARD * half
    ends_z = (ends - v) * inv_h
    bends = ends_z - (_OUTWARD * ground) * inv_h
    np.maximum(bends[1], bends[0], out=bends[1])
    shared = sag is None and cells.width_mm == cells.pitch_mm
    sunk = None if sag is None else sag / amp
    # Places at which antiderivatives are taken: the borders, then either bend as the end of the
    # ground-off region and as that of the middle.
    borders = (cells.borders if shared else cells.pairs)[:, None]
    size = len(borders)
    z = np.empty((size + 4, n))
    np.multiply(borders - v, inv_h, out=z[:size])
    np.maximum(z[:size], ends_z[0], out=z[:size])
    np.minimum(z[:size], ends_z[1], out=z[:size])
    z[size : size + 2] = z[size + 2 :] = bends
    begins = np.maximum(z, bends[0])
    np.minimum(begins, bends[1], out=begins)
    side = np.zeros((2, size + 4, n))
    np.less(z[:size], bends[0], out=side[0, :size])
    np.greater(z[:size], bends[1], out=side[1, :size])
    side[0, size] = side[1, size + 1] = 1.0
    # Cells that hold a bend: borders on the heel's side of it come in pairs but one.
    before = np.stack([side[0, :size].sum(axis=0), size - side[1, :size].sum(axis=0)])
    before = before.astype(np.intp)
    if shared:
        bent, within = before - 1, (before > 0) & (before < size)
    else:
        bent, within = before // 2, before % 2 == 1
    bent = np.minimum(np.maximum(bent, 0), count - 1)
    rows = np.arange(n)
    off = side[0] + side[1]
    curved = 1 + steep
    part, per = steep / curved, 1 / np.sqrt(curved)
    inv_k = 1 - off * part
    psi = 1 - off * (1 - per)
    middle = begins * off
    middle *= part
    top = 1 - middle * begins
    if sunk is not None:
        top[:size:2] -= sunk
        top[1:size:2] -= sunk
        top[size:] -= np.tile(sunk[bent, rows], (2, 1))
    np.maximum(top, 1e-12, out=top)
    reach = np.sqrt(top)
    # So that there is nothing left of it at y = reach.
    np.multiply(reach, reach, out=top)
    y = z - middle
    y /= psi
    np.minimum(y, reach, out=y)
    np.maximum(y, -reach, out=y)
    square = y * y
    root = np.sqrt(np.maximum(top - square, 0.0))
    # Rounded, the quotient may be just above 1.
    angle = y / reach
    np.minimum(angle, 1.0, out=angle)
    np.maximum(angle, -1.0, out=angle)
    np.arcsin(angle, out=angle)
    rest, half_shape = 1 - shape, shape / 2
    at = np.empty((7, size + 4, n))
    # Of g, of sqrt(g), of df/dg.
    of_g, of_root, of_slope, of_z = at[:4]
    np.multiply(square, -1 / 3, out=of_g)
    of_g += top
    of_g *= y
    of_g *= psi
    np.multiply(y, root, out=of_root)
    of_root += top * angle
    of_root *= 0.5 * psi
    np.multiply(rest, y, out=of_slope)
    angle *= half_shape
    of_slope += angle
    of_slope *= psi
    # Of df/dg times (z - z_c), times z, times (z - bend) and times (z - bend)^2.
    square *= rest / 2
    root *= half_shape
    square -= root
    square *= inv_k
    np.multiply(middle, of_slope, out=of_z)
    of_z += square
    from_bend = of_z - begins * of_slope
    np.multiply(from_bend, side, out=at[4:6])
    top *= of_slope
    top -= rest * of_g
    top -= half_shape * of_root
    top *= inv_k
    lag = middle - begins
    square += from_bend
    square *= lag
    top += square
    np.multiply(top, off, out=at[6])
    step = at[:, 1:size] - at[:, : size - 1] if shared else at[:, 1:size:2] - at[:, :size:2]
    change = at[:, size : size + 2] - at[:, size + 2 :]
    change *= within * -_OUTWARD
    step[:, bent[0], rows] += change[:, 0]
    step[:, bent[1], rows] += change[:, 1]
    across = amp / cells.width_mm
    scale = across * h
    columns = np.empty((SIZE + 1, count, n))
    # The counts go along last, as all are handed on to neighbours alike.
    counts = columns[SIZE]
    step[1] *= scale
    step[0] *= scale
    step[2] *= scale
    more = columns[SHAPE]
    np.subtract(step[1], step[0], out=more)
    np.multiply(shape, more, out=counts)
    counts += step[0]
    by_h = columns[LOG_H]
    np.multiply(half_shape, step[1], out=by_h)
    by_h -= counts
    by_h += step[2]
    columns[LOG_A] = counts
    if sunk is not None:
        step[2] *= sunk
        columns[LOG_A] += step[2]
        by_h -= step[2]
    by_h *= 2
    np.multiply(2 * across, step[3], out=columns[V])
    np.multiply(scale * steep, step[6], out=columns[EDGE])
    step[4:6] *= 2 * across * steep
    np.multiply(step[4], by_given[0], out=columns[HEEL])
    np.multiply(step[5], -by_given[1], out=columns[TOE])
    for cell, moved in _end_effects(ends, ends_z, bends, theta, steep, cells, sunk, blur_mm):
        step[4, cell[0], rows] -= moved[0]
        step[5, cell[1], rows] += moved[1]
    np.add(step[4], step[5], out=columns[C])
    np.subtract(step[5], step[4], out=columns[L])
    columns[L] *= 0.5
    columns[SHARE] = 0.0
    # Out of the cell, half of it into either neighbour.
    beside = np.empty_like(columns)
    beside[:, 1:] = columns[:, :-1]
    beside[:, 0] = 0.0
    beside[:, :-1] += columns[:, 1:]
    by_share = 0.5 * beside[SIZE] - counts
    beside *= 0.5 * theta[SHARE]
    columns *= 1 - theta[SHARE]
    columns += beside
    columns[SHARE] = by_share
    return Prediction(counts, columns[:SIZE])


def footprint_counts(
    theta: FloatArray, cells: Cells, sag: FloatArray | None = None, blur_mm: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """`predict` with strikes first: theta (n, 10) and sag (n, cells); counts (n, cells), Jacobian.

    The Jacobian is (n, 10, cells).
    """
    found = predict(np.ascontiguousarray(theta.T), cells, None if sag is None else sag.T, blur_mm)
    jacobian = np.ascontiguousarray(found.columns.transpose(2, 0, 1))
    return np.ascontiguousarray(found.counts.T), jacobian


def _end_effects(
    ends: FloatArray,
    ends_z: FloatArray,
    bends: FloatArray,
    theta: FloatArray,
    steep: FloatArray,
    cells: Cells,
    sunk: FloatArray | None,
    blur_mm: float,
) -> Iterator[tuple[NDArray[np.intp], FloatArray]]:
    """Cells that the sole's ends cut, and their change per mm that these move outward, (2, n) each.

    0 on a cell at the rim where there is none. ``bends``: z of where they begin to be ground off.
    """
    last = len(cells.left) - 1
    rows = np.arange(ends.shape[1])
    shape = theta[SHAPE]
    across = np.exp(theta[LOG_A]) / cells.width_mm
    if blur_mm > 0:
        blur_z = blur_mm / 2 * np.exp(-theta[LOG_H])
        z = np.stack([ends_z - blur_z, ends_z + blur_z])
        begin = ends - (blur_mm / 2 + cells.left[0])
    else:
        z = ends_z[None]
        begin = ends - cells.left[0]
    beyond = z - bends
    beyond *= beyond
    beyond *= steep
    drop = z * z
    drop += beyond
    place = np.floor(begin * (1 / cells.pitch_mm))
    for _ in range(2 if blur_mm > 0 else 1):
        inside = np.minimum(np.maximum(place, 0), last)
        cell = inside.astype(np.intp)
        left = cells.pitch_mm * place
        g = np.maximum((1.0 if sunk is None else 1.0 - sunk[cell, rows]) - drop, 0.0)
        change = across * (g + shape * (np.sqrt(g) - g)).mean(axis=0)
        if blur_mm > 0:
            overlap = np.minimum(left + cells.width_mm, begin + blur_mm) - np.maximum(left, begin)
            change *= np.maximum(overlap, 0.0) * (1 / blur_mm)
        elif cells.width_mm < cells.pitch_mm:
            change *= begin <= left + cells.width_mm
        yield cell, change * (place == inside)
        place = place + 1
