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

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray, cell_middles_mm

# Columns of a parameter array (n, 10): log A (counts), v mm, log h (mm), c mm, L mm, s (0 = elastic
# foundation, 1 = half-space), what is ground off at heel and at toe (mm; turned to w by
# `ground_off`), neighbours' share, log(r/R).
LOG_A, V, LOG_H, C, L, SHAPE, HEEL, TOE, SHARE, EDGE = range(10)
SIZE = 10
# Heel and toe: which way is out of the sole, (2, 1). Whole numbers: the precision of what they
# multiply stays.
OUTWARD = np.array([[-1], [1]], np.int8)
# Below about this many mm, w falls ever more slowly, so that it stays positive.
_BEND_MM = 1.5


def ground_off(given: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return w, mm, and dw/dgiven: ``given`` itself where it is large, towards 0 where negative.

    Nearly straight, since the print's end tells of the sole's end less w: what is normal stays so.
    """
    size = np.sqrt(given * given + 4 * _BEND_MM**2)
    # The greater root of w^2 - given w = bend^2, and the smaller, which so loses no digits.
    w = np.abs(given)
    w += size
    w *= 0.5
    np.divide(_BEND_MM**2, w, out=w, where=given < 0)
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

    def borders(self, kind: np.dtype[Any], apart: bool) -> FloatArray:
        """Borders in that precision, (size, 1).

        Left and right border of each cell in turn if ``apart``, else those that neighbours share.
        """
        if (kind, apart) not in self._borders:
            found = np.append(self.left, self.right[-1])
            if apart:
                found = np.stack([self.left, self.right], axis=1).ravel()
            self._borders[kind, apart] = found.astype(kind)[:, None]
        return self._borders[kind, apart]

    @cached_property
    def _borders(self) -> dict[tuple[np.dtype[Any], bool], FloatArray]:
        return {}

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
    n, count, kind = theta.shape[1], len(cells.left), theta.dtype
    v, shape = theta[V], theta[SHAPE]
    amp, h, steep = np.exp(theta[LOG_A]), np.exp(theta[LOG_H]), np.exp(-theta[EDGE])
    inv_h = 1 / h
    ground, by_given = ground_off(theta[HEEL : TOE + 1])
    ends = theta[C] + OUTWARD * (0.5 * theta[L])
    ends_z = (ends - v) * inv_h
    bends = ends_z - OUTWARD * (ground * inv_h)
    np.maximum(bends[1], bends[0], out=bends[1])
    shared = sag is None and cells.width_mm == cells.pitch_mm
    sunk = None if sag is None else sag / amp
    # Places at which antiderivatives are taken: the borders, then either bend as the end of the
    # ground-off region and as that of the middle.
    borders = cells.borders(kind, not shared)
    size = len(borders)
    z = np.empty((size + 4, n), kind)
    on_border = z[:size]
    np.subtract(borders, v, out=on_border)
    on_border *= inv_h
    np.maximum(on_border, ends_z[0], out=on_border)
    np.minimum(on_border, ends_z[1], out=on_border)
    z[size : size + 2] = z[size + 2 :] = bends
    begins = np.maximum(z, bends[0])
    np.minimum(begins, bends[1], out=begins)
    side = np.zeros((2, size + 4, n), kind)
    np.less(on_border, bends[0], out=side[0, :size])
    np.greater(on_border, bends[1], out=side[1, :size])
    side[0, size] = side[1, size + 1] = 1.0
    # Cells that hold a bend: borders on the heel's side of it come in pairs but one.
    before = side[:, :size].sum(axis=1)
    np.subtract(size, before[1], out=before[1])
    before = before.astype(np.intp)
    # A bend on no cell is filed, as nothing, with one at the rim.
    if shared:
        bent, within = before - 1, before % size > 0
    else:
        bent, within = before // 2, before % 2 == 1
    np.minimum(bent, count - 1, out=bent)
    rows = np.arange(n)
    off = side[0] + side[1]
    curved = 1 + steep
    part, per = steep / curved, 1 / np.sqrt(curved)
    middle = begins * off
    middle *= part
    top = middle * begins
    np.subtract(1, top, out=top)
    if sunk is not None:
        top[:size:2] -= sunk
        top[1:size:2] -= sunk
        top[size:] -= np.tile(sunk[bent, rows], (2, 1))
    np.maximum(top, 1e-12, out=top)
    reach = np.sqrt(top)
    # So that there is nothing left of it at y = reach.
    np.multiply(reach, reach, out=top)
    psi = off * (per - 1)
    psi += 1
    y = z - middle
    y /= psi
    np.minimum(y, reach, out=y)
    np.maximum(y, -reach, out=y)
    square = y * y
    root = top - square
    np.maximum(root, 0.0, out=root)
    np.sqrt(root, out=root)
    # Rounded, the quotient may be just above 1.
    angle = np.divide(y, reach, out=reach)
    np.minimum(angle, 1.0, out=angle)
    np.maximum(angle, -1.0, out=angle)
    np.arcsin(angle, out=angle)
    rest, half_shape = 1 - shape, 0.5 * shape
    at = np.empty((7, size + 4, n), kind)
    # Of g, of sqrt(g), of df/dg.
    of_g, of_root, of_slope, of_z = at[:4]
    np.multiply(square, -1 / 3, out=of_g)
    of_g += top
    of_g *= y
    of_g *= psi
    np.multiply(y, root, out=of_root)
    of_root += top * angle
    of_root *= 0.5
    of_root *= psi
    np.multiply(rest, y, out=of_slope)
    angle *= half_shape
    of_slope += angle
    of_slope *= psi
    # Of df/dg times (z - z_c), times z, times (z - bend) and times (z - bend)^2.
    inv_k = np.multiply(off, part, out=y)
    np.subtract(1, inv_k, out=inv_k)
    square *= 0.5 * rest
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
    middle -= begins
    square += from_bend
    square *= middle
    top += square
    np.multiply(top, off, out=at[6])
    step = at[:, 1:size] - at[:, : size - 1] if shared else at[:, 1:size:2] - at[:, :size:2]
    change = at[:, size : size + 2] - at[:, size + 2 :]
    change *= within * -OUTWARD
    # One running number instead of three: numpy then takes half the time.
    place = bent * n + rows
    places = place[:, None] + count * n * np.arange(len(step))[:, None]
    flat = step.reshape(-1)
    for k in (0, 1):
        flat[places[k]] += change[:, k]
    across = amp * (1 / cells.width_mm)
    scale = across * h
    columns = np.empty((SIZE + 1, count, n), kind)
    # The counts go along last, as all are handed on to neighbours alike.
    counts = columns[SIZE]
    step[:3] *= scale
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
    cell, moved = _end_effects(
        ends, ends_z, bends, (inv_h, across, shape, steep), cells, sunk, blur_mm
    )
    for k in range(len(cell)):
        step[4, cell[k, 0], rows] -= moved[k, 0]
        step[5, cell[k, 1], rows] += moved[k, 1]
    np.add(step[4], step[5], out=columns[C])
    np.subtract(step[5], step[4], out=columns[L])
    columns[L] *= 0.5
    columns[SHARE] = 0.0
    # Out of the cell, half of it into either neighbour.
    by_share = -counts
    by_share[1:] += 0.5 * counts[:-1]
    by_share[:-1] += 0.5 * counts[1:]
    beside = columns * (0.5 * theta[SHARE])
    columns *= 1 - theta[SHARE]
    columns[:, 1:] += beside[:, :-1]
    columns[:, :-1] += beside[:, 1:]
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
    scales: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    cells: Cells,
    sunk: FloatArray | None,
    blur_mm: float,
) -> tuple[NDArray[np.intp], FloatArray]:
    """Cells that the sole's ends cut, and their change per mm that these move outward.

    Both (cells, 2, n), one or, blurred, two cells; the change is 0 where the end is off the strip.
    ``bends``: z of where they begin to be ground off. ``scales``: 1/h, amplitude over the width of
    a cell, shape and R/r, (n,) each.
    """
    inv_h, across, shape, steep = scales
    begin = ends - (blur_mm / 2 + cells.left.item(0))
    place = np.floor(begin * (1 / cells.pitch_mm))[None]
    if blur_mm > 0:
        blur_z = (blur_mm / 2) * inv_h
        z = np.empty((2, *ends_z.shape), ends_z.dtype)
        np.subtract(ends_z, blur_z, out=z[0])
        np.add(ends_z, blur_z, out=z[1])
        place = np.concatenate([place, place + 1])
    else:
        z = ends_z[None]
    inside = np.maximum(place, 0)
    np.minimum(inside, len(cells.left) - 1, out=inside)
    cell = inside.astype(np.intp)
    beyond = z - bends
    beyond *= beyond
    beyond *= steep
    drop = z * z
    drop += beyond
    top = 1.0 if sunk is None else 1.0 - sunk[cell, np.arange(ends.shape[1])]
    g = top - drop[:, None]
    np.maximum(g, 0.0, out=g)
    root = np.sqrt(g)
    root -= g
    root *= shape
    g += root
    change = across * (g[0] if len(g) == 1 else 0.5 * (g[0] + g[1]))
    if blur_mm > 0:
        begin = begin - cells.pitch_mm * place
        overlap = np.minimum(begin + blur_mm, cells.width_mm)
        overlap -= np.maximum(begin, 0.0)
        np.maximum(overlap, 0.0, out=overlap)
        overlap *= 1 / blur_mm
        change = change * overlap
    elif cells.width_mm < cells.pitch_mm:
        change = change * (begin - cells.pitch_mm * place <= cells.width_mm)
    return cell, change * (place == inside)
