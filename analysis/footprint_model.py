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
    n, count = len(theta), len(cells.left)
    amp, v, h = np.exp(theta[:, LOG_A]), theta[:, V], np.exp(theta[:, LOG_H])
    shape = theta[:, SHAPE]
    inv_h = 1 / h
    half = theta[:, L] / 2
    ends = np.stack([theta[:, C] - half, theta[:, C] + half])
    ground, by_given = ground_off(theta[:, (HEEL, TOE)].T)
    # z of the heel's end, of where the heel and the toe begin to be ground off, of the toe's end.
    bend = np.stack([ends[0], ends[0] + ground[0], ends[1] - ground[1], ends[1]])
    bend -= v
    bend *= inv_h
    np.maximum(bend[2], bend[1], out=bend[2])
    # Of the three regions, the first axis from here on: heel's, middle, toe's.
    steep = np.exp(-theta[:, EDGE])
    sharp = np.zeros((3, 1, n))
    sharp[::2] = steep
    curved = 1 + sharp
    begins = bend[(1, 1, 2), None]
    middle = sharp / curved * begins
    root_k = np.sqrt(curved)
    sunk = None if sag is None else sag / amp
    top = 1 - middle * begins
    top = np.maximum(top if sunk is None else top - sunk, 1e-12)
    reach = np.sqrt(top)
    shared = sag is None and cells.width_mm == cells.pitch_mm
    if sunk is not None:
        # Each cell has its own reach, so each has two borders of its own.
        reach = np.repeat(reach, 2, axis=1)
    y = ((cells.borders if shared else cells.pairs)[:, None] - v) * inv_h - middle
    y *= root_k
    edges = np.stack([bend[:3, None], bend[1:, None]])
    edges -= middle
    edges *= root_k
    low, high = np.minimum(np.maximum(edges, -reach), reach)
    np.maximum(y, low, out=y)
    np.minimum(y, high, out=y)
    span, d_square, d_cube, d_root, d_y_root, d_angle = _differences(y, reach, shared)
    per = 1 / root_k
    rest = 1 - shape
    # Integrals over z of g, of sqrt(g), of df/dg; of df/dg times g and of df/dg times (z - z_c).
    of_g = (top * span - d_cube / 3) * per
    of_root = (d_y_root + top * d_angle) * (per / 2)
    of_slope = (rest * span + (shape / 2) * d_angle) * per
    slope_g = rest * of_g + (shape / 2) * of_root
    slope_z = (rest * d_square - shape * d_root) * (0.5 / curved)
    across = amp / cells.width_mm
    scale = across * h
    all_g, slack = of_g.sum(axis=0), of_slope.sum(axis=0)
    more = of_root.sum(axis=0) - all_g
    # The counts go along last, as all are handed on to neighbours alike.
    out = np.zeros((SIZE + 1, count, n))
    np.multiply(scale, all_g + shape * more, out=out[SIZE])
    out[0] = out[SIZE]
    out[1] = (2 * across) * (slope_z + middle * of_slope).sum(axis=0)
    np.multiply(scale, more, out=out[3])
    of_load = slack - slope_g.sum(axis=0)
    if sunk is not None:
        slack *= sunk
        out[0] += scale * slack
        of_load -= slack
    np.multiply(2 * scale, of_load, out=out[2])
    lag = (middle - begins)[::2]
    from_begin = slope_z[::2] + lag * of_slope[::2]
    bent = (top[::2] * of_slope[::2] - slope_g[::2]) / curved[::2]
    bent += lag * (slope_z[::2] + from_begin)
    out[5] = (scale * steep) * bent.sum(axis=0)
    from_begin *= 2 * across * steep
    out[6:10:2] = from_begin
    out[7] = by_given[0] * from_begin[0]
    out[9] = -by_given[1] * from_begin[1]
    rows, places = np.arange(n), np.array([[HEEL_COLUMNS[0]], [TOE_COLUMNS[0]]])
    for cell, change in _end_effects(ends, bend[1:3], theta, steep, cells, sunk, blur_mm):
        out[places, cell, rows] += np.array([[-1.0], [1.0]]) * change
    # Out of the cell, half of it into either neighbour.
    moved = np.negative(out)
    beside = out * 0.5
    moved[:, 1:] += beside[:, :-1]
    moved[:, :-1] += beside[:, 1:]
    by_share = moved[SIZE].copy()
    moved *= theta[:, SHARE]
    out += moved
    out[4] = by_share
    return Prediction(out[SIZE], out[:SIZE])


def _differences(y: FloatArray, reach: FloatArray, shared: bool) -> FloatArray:
    """Differences over each cell of y, y^2, y^3, sqrt(G - y^2), y sqrt(G - y^2), asin(y/sqrt(G)).

    ``y`` (3, borders, n) is within ``reach`` = sqrt(G); ``shared``: cells share their borders.
    """
    at = np.empty((6, *y.shape))
    at[0] = y
    np.multiply(y, y, out=at[1])
    np.multiply(at[1], y, out=at[2])
    np.subtract(reach * reach, at[1], out=at[3])
    np.sqrt(np.maximum(at[3], 0.0, out=at[3]), out=at[3])
    np.multiply(y, at[3], out=at[4])
    # Rounded, the quotient may be just above 1.
    np.divide(y, reach, out=at[5])
    np.arcsin(np.clip(at[5], -1.0, 1.0, out=at[5]), out=at[5])
    if shared:
        return at[:, :, 1:] - at[:, :, :-1]
    return np.asarray(at[:, :, 1::2] - at[:, :, ::2])


def footprint_counts(
    theta: FloatArray, cells: Cells, sag: FloatArray | None = None, blur_mm: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """`predict` with strikes first: counts (n, cells), Jacobian (n, 10, cells); sag (n, cells)."""
    found = predict(theta, cells, None if sag is None else sag.T, blur_mm)
    return np.ascontiguousarray(found.counts.T), found.jacobian()


def _end_effects(
    ends: FloatArray,
    begins: FloatArray,
    theta: FloatArray,
    steep: FloatArray,
    cells: Cells,
    sunk: FloatArray | None,
    blur_mm: float,
) -> Iterator[tuple[NDArray[np.intp], FloatArray]]:
    """Cells that the sole's ends cut, and their change per mm that these move outward, (2, n) each.

    0 on a cell at the rim where there is none. ``begins``: z of where they begin to be ground off.
    """
    last = len(cells.left) - 1
    rows = np.arange(ends.shape[1])
    inv_h, shape = np.exp(-theta[:, LOG_H]), theta[:, SHAPE]
    across = np.exp(theta[:, LOG_A]) / cells.width_mm
    near, far = ends - blur_mm / 2, ends + blur_mm / 2
    z = np.stack([near, far] if blur_mm > 0 else [ends])
    z -= theta[:, V]
    z *= inv_h
    drop = z * z + steep * (z - begins) ** 2
    place = np.floor((near - cells.left[0]) / cells.pitch_mm)
    for _ in range(2 if blur_mm > 0 else 1):
        inside = np.minimum(np.maximum(place, 0), last)
        cell = inside.astype(np.intp)
        left = cells.left[0] + cells.pitch_mm * place
        g = np.maximum((1.0 if sunk is None else 1.0 - sunk[cell, rows]) - drop, 0.0)
        change = across * (g + shape * (np.sqrt(g) - g)).mean(axis=0)
        if blur_mm > 0:
            overlap = np.minimum(left + cells.width_mm, far) - np.maximum(left, near)
            change *= np.maximum(overlap, 0.0) / blur_mm
        elif cells.width_mm < cells.pitch_mm:
            change *= ends <= left + cells.width_mm
        yield cell, change * (place == inside)
        place = place + 1
