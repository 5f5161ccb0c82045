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
    """(10, cells, n): derivatives by log A, v, log h, s, neighbours' share and log(r/R); by place
    (board mm) and w of the heel's end; by place and w of the toe's end; w as it is given."""

    def jacobian(self) -> FloatArray:
        """All derivatives, (n, 10, cells), by the columns of theta."""
        return np.ascontiguousarray(np.tensordot(TURN, self.columns, 1).transpose(2, 0, 1))


# Columns of `Prediction` of the heel and of the toe: they never meet in a cell.
HEEL_COLUMNS, TOE_COLUMNS = (6, 7), (8, 9)


def _turn() -> FloatArray:
    """Rows of theta by the columns of `Prediction`."""
    turn = np.zeros((SIZE, SIZE))
    for column, row in enumerate((LOG_A, V, LOG_H, SHAPE, SHARE, EDGE)):
        turn[row, column] = 1.0
    for (place, ground), row, toward in ((HEEL_COLUMNS, HEEL, -1.0), (TOE_COLUMNS, TOE, 1.0)):
        turn[row, ground] = turn[C, place] = 1.0
        turn[L, place] = toward / 2
    return turn


TURN = _turn()


def predict(
    theta: FloatArray, cells: Cells, sag: FloatArray | None = None, blur_mm: float = 0.0
) -> Prediction:
    """Mean pressure over each cell and its derivatives.

    Parameters
    ----------
    theta : (n, 10)
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
    """
    n = len(theta)
    amp, v, h = np.exp(theta[:, LOG_A]), theta[:, V], np.exp(theta[:, LOG_H])
    shape = theta[:, SHAPE]
    inv_h = 1 / h
    half = theta[:, L] / 2
    heel, toe = theta[:, C] - half, theta[:, C] + half
    (heel_w, heel_by), (toe_w, toe_by) = ground_off(theta[:, HEEL]), ground_off(theta[:, TOE])
    # z of the heel's end, of where the heel and the toe begin to be ground off, of the toe's end.
    bend = np.array([heel, heel + heel_w, toe - toe_w, toe])
    bend -= v
    bend *= inv_h
    np.maximum(bend[2], bend[1], out=bend[2])
    # Of the three regions: heel's, middle, toe's.
    steep = np.exp(-theta[:, EDGE])
    sharp = np.stack([steep, np.zeros(n), steep])
    curved = 1 + sharp
    begins = bend[[1, 1, 2]]
    middle = sharp / curved * begins
    top = 1 - middle * begins
    shared = sag is None and cells.width_mm == cells.pitch_mm
    borders = cells.borders if shared else cells.pairs
    where = (borders[:, None] - v) * inv_h
    # Neighbouring cells share a border; with borders of their own every other interval is a gap.
    step = 1 if shared else 2
    sunk = None if sag is None else sag / amp
    root_k = np.sqrt(curved)
    across = amp / cells.width_mm
    scale = across * h
    count = len(cells.left)
    out = np.zeros((SIZE + 1, count, n))
    slack = np.zeros((count, n))
    for k in range(3):
        high_g: FloatArray = np.maximum(top[k] if sunk is None else top[k] - sunk, 1e-12)
        reach = np.sqrt(high_g if sunk is None else np.repeat(high_g, 2, axis=0))
        low = np.clip((bend[k] - middle[k]) * root_k[k], -reach, reach)
        high = np.clip((bend[k + 1] - middle[k]) * root_k[k], -reach, reach)
        y = (where - middle[k]) * root_k[k]
        np.maximum(y, low, out=y)
        np.minimum(y, high, out=y)
        square = y * y
        root = np.sqrt(np.maximum(reach * reach - square, 0.0))
        angle = np.arcsin(np.clip(y / reach, -1.0, 1.0))
        span, d_square, d_cube, d_root, d_y_root, d_angle = (
            (a[1:] - a[:-1])[::step] for a in (y, square, square * y, root, y * root, angle)
        )
        per = 1 / root_k[k]
        # Integrals over z of g, sqrt(g) and df/dg, and the difference of f.
        of_g = (high_g * span - d_cube / 3) * per
        of_root = (d_y_root + high_g * d_angle) * (per / 2)
        of_slope = ((1 - shape) * span + (shape / 2) * d_angle) * per
        rise = shape * d_root - (1 - shape) * d_square
        # Integral of df/dg times g, and of df/dg times (z - z_c).
        slope_g = (1 - shape) * of_g + (shape / 2) * of_root
        slope_z = rise * (-0.5 / curved[k])
        out[SIZE] += scale * (of_g + shape * (of_root - of_g))
        slack += of_slope
        out[1] += (2 * across) * (slope_z + middle[k] * of_slope)
        out[2] -= (2 * scale) * slope_g
        out[3] += scale * (of_root - of_g)
        if k != 1:
            begin, size = (1, heel_by) if k == 0 else (2, -toe_by)
            lag = middle[k] - bend[begin]
            from_begin = slope_z + lag * of_slope
            by_begin = (2 * across * steep) * from_begin
            place, by_ground = HEEL_COLUMNS if k == 0 else TOE_COLUMNS
            out[place] += by_begin
            out[by_ground] = by_begin * size
            bent = (high_g * of_slope - slope_g) / curved[k] + lag * (slope_z + from_begin)
            out[5] += (scale * steep) * bent
    out[0] = out[SIZE]
    if sunk is None:
        out[2] += (2 * scale) * slack
    else:
        out[0] += scale * sunk * slack
        out[2] += (2 * scale) * (1 - sunk) * slack
    rows = np.arange(n)
    outline = across, v, inv_h, shape
    for end, begin, toward, place in ((heel, 1, -1.0, 6), (toe, 2, 1.0, 8)):
        for cell, change in _end_effects(end, (bend[begin], steep), outline, cells, sunk, blur_mm):
            out[place, cell, rows] += toward * change
    # Out of the cell, half of it into either neighbour.
    moved = np.negative(out)
    moved[:, 1:] += out[:, :-1] / 2
    moved[:, :-1] += out[:, 1:] / 2
    by_share = moved[SIZE].copy()
    moved *= theta[:, SHARE]
    out += moved
    out[4] = by_share
    return Prediction(out[SIZE], out[:SIZE])


def footprint_counts(
    theta: FloatArray, cells: Cells, sag: FloatArray | None = None, blur_mm: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """`predict` with strikes first: counts (n, cells), Jacobian (n, 10, cells); sag (n, cells)."""
    found = predict(theta, cells, None if sag is None else sag.T, blur_mm)
    return np.ascontiguousarray(found.counts.T), found.jacobian()


def _end_effects(
    end: FloatArray,
    bend: tuple[FloatArray, FloatArray],
    outline: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    cells: Cells,
    sunk: FloatArray | None,
    blur_mm: float,
) -> Iterator[tuple[NDArray[np.intp], FloatArray]]:
    """Cells that the sole's end cuts, and their change per mm that it moves outward.

    0 on a cell at the rim where there is none.
    """
    across, v, inv_h, shape = outline
    last = len(cells.left) - 1
    rows = np.arange(len(end))
    near, far = end - blur_mm / 2, end + blur_mm / 2
    drops = []
    for x in (near, far) if blur_mm > 0 else (end,):
        z = (x - v) * inv_h
        drops.append(z * z + bend[1] * (z - bend[0]) ** 2)
    place = np.floor((near - cells.left[0]) / cells.pitch_mm)
    for _ in range(2 if blur_mm > 0 else 1):
        inside = np.minimum(np.maximum(place, 0), last)
        cell = inside.astype(np.intp)
        left = cells.left[0] + cells.pitch_mm * place
        top = 1.0 if sunk is None else 1.0 - sunk[cell, rows]
        change = np.zeros_like(end)
        for drop in drops:
            g = np.maximum(top - drop, 0.0)
            change += g + shape * (np.sqrt(g) - g)
        change *= across / len(drops)
        if blur_mm > 0:
            overlap = np.minimum(left + cells.width_mm, far) - np.maximum(left, near)
            change = change * (np.maximum(overlap, 0.0) / blur_mm)
        elif cells.width_mm < cells.pitch_mm:
            change = change * (end <= left + cells.width_mm)
        yield cell, change * (place == inside)
        place = place + 1
