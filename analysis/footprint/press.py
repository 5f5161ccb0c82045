"""What the cells of a strip read when a sole presses into its cover, with derivatives.

On an elastic foundation (Winkler: Johnson, Contact Mechanics, 1985, 4.3) pressure follows how deep
the cover is pressed. The sole's profile is W(u)/R, u along the sole; pressed with its lowest point
at ``t`` (player's side: + toward the toe) it stands above that point by B(u)/R,
``B = W(u) - W(t) - W'(t)(u - t)``, so that depth over greatest depth is ``f = 1 - 2 B / h^2``,
``h^2 = 2 R d``. R has dropped out: no strip can see it. The reading is ``A f^q``: q = 1 is
Winkler's foundation, 1/2 Hertz's half-space, more than 1 a cover that stiffens.

Profile
    ``W''(u) = 1 +`` four changes of curvature: a side more curved than the other, a middle flatter
    than the ends, and as smooth finer ones, less what rocking the sole would take for camber.
Ends
    From where the sole is ground off it falls away along a radius r; at its end it turns up sharply
    (`_EDGE_MM`), so that nothing beyond it presses.
Cover
    Carries shear (Pasternak's foundation: Kerr, J. Appl. Mech. 31, 1964, 491): beside the sole it
    hangs, falling off as exp(-x/a), and leaves the sole where that is no steeper than the sole is.
    Besides it hands a share of the load on, falling off exponentially.

Everything is in single precision on points a third of a cell apart, for many presses at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.conventions import FloatArray

# Unknowns of a press.
LOG_A, T, LOG_H, C = range(4)
# Unknowns of a head: what is ground off at heel and toe (mm, see `ground_off`), half the length
# (mm), log of r/R at heel and toe; from CURVE on how its curvature changes along it.
HEEL, TOE, HALF, EDGE_HEEL, EDGE_TOE, CURVE = range(4, 10)
CURVES = 4
# Unknowns of a session: log q, share that the cover hands on, log of its reach (mm), log of the
# length over which the cover hangs beside a sole (mm), and how much farther than the sole's the
# print's ends lie: both outward, both toward the toe (mm).
POWER, SHARE, REACH, HANG, OUTWARD, ASIDE = range(13, 19)
# Unknowns of a design of soles: what is wrong with pressures along the sole whatever the cause, as
# parts of them: smooth bumps, from here on.
WARP = 19
WARP_AT_MM = np.linspace(-36.0, 36.0, 7)
_WARP_HALF_MM = 20.0
SIZE = WARP + len(WARP_AT_MM)
# Changes of curvature are Legendre polynomials of degree 1 to 4 over this much either way, mm, less
# what rocking over 15 mm either way (3 deg) would take for camber. Slopes of each, in powers of
# u / `_CURVE_MM` from 2 on (odd) or 1 on (even).
_CURVE_MM = 40.0
_SLOPES = np.array(
    [
        [0.0, 0.5, 0.0, 0.0, 0.0],
        [-0.5 + 0.457784, 0.0, 0.5, 0.0, 0.0],
        [0.0, -0.75, 0.0, 0.625, 0.0],
        [0.375 - 0.276887, 0.0, -1.25, 0.0, 0.875],
    ]
)
# Radius over which a sole turns up at its very end, as a part of R: some 2 mm.
_EDGE_STEEP = 140.0
_SOFT = 0.03
_BEND_MM = 1.0
POINTS_PER_CELL = 3


@dataclass(frozen=True)
class StripCells:
    """Points under a row of cells, mm, player's side (+ where the toe points)."""

    cells: int
    pitch_mm: float

    @property
    def points(self) -> FloatArray:
        """(cells * POINTS_PER_CELL,)."""
        count = self.cells * POINTS_PER_CELL
        return np.asarray((np.arange(count) - (count - 1) / 2) * (self.pitch_mm / POINTS_PER_CELL))

    def spread(self, share: FloatArray, log_reach: FloatArray) -> tuple[FloatArray, ...]:
        """Return what cells read of the load on cells, (k, cells, cells), and its derivatives."""
        x = self.points
        step = self.pitch_mm / POINTS_PER_CELL
        apart = np.abs(x[:, None] - x[None, :])
        reach = np.exp(log_reach)[:, None, None]
        kernel = np.exp(-apart / reach) * (step / (2 * reach))
        n, m = self.cells, POINTS_PER_CELL

        def by_cell(fine: FloatArray) -> FloatArray:
            return np.asarray(fine.reshape(-1, n, m, n, m).sum(axis=(2, 4)) / m)

        far, by_far = by_cell(kernel), by_cell(kernel * (apart / reach - 1))
        share = share[:, None, None]
        own = np.eye(n)
        return (
            np.asarray((1 - share) * own + share * far, np.float32),
            np.asarray(far - own, np.float32),
            np.asarray(share * by_far, np.float32),
        )


def _bounds() -> tuple[FloatArray, FloatArray]:
    """Beyond these no press lies, and single precision ends; (SIZE, 1, 1) each."""
    most = np.full(SIZE, 200.0)
    most[[LOG_A, LOG_H, EDGE_HEEL, EDGE_TOE]] = 25.0, np.log(150.0), 2.0, 2.0
    most[[POWER, REACH, HANG]] = 1.5, 4.0, 2.5
    most[CURVE : CURVE + CURVES], most[SHARE] = (0.8, 1.5, 0.8, 0.8), 0.9
    most[WARP:] = 0.4
    least = -most
    least[[LOG_H, REACH, HALF, EDGE_HEEL, EDGE_TOE]] = np.log(3.0), -1.5, 10.0, -6.0, -6.0
    least[HANG] = -2.0
    return least[:, None, None], most[:, None, None]


_LEAST, _MOST = _bounds()


def tangent(t: FloatArray, curves: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slope of the sole's profile at ``t``, times R: ``-R tan(lie error)`` where it is lowest.

    ``curves`` (CURVES, ...) are its changes of curvature. Also returns derivatives by ``t`` and by
    ``curves``.
    """
    x = np.asarray(t) / _CURVE_MM
    powers = np.stack([x, x**2, x**3, x**4, x**5])
    by = _CURVE_MM * np.tensordot(_SLOPES, powers, 1)
    rates = np.stack([np.ones_like(x), 2 * x, 3 * x**2, 4 * x**3, 5 * x**4])
    bent = 1 + (np.tensordot(_SLOPES, rates, 1) * curves).sum(axis=0)
    return np.asarray(t + (by * curves).sum(axis=0)), np.asarray(bent), np.asarray(by)


def _shapes(u: FloatArray) -> tuple[FloatArray, ...]:
    """Heights of a unit of each change of curvature, mm^2; coefficients as in `_SLOPES`."""
    x = u * np.float32(1 / _CURVE_MM)
    square = x * x
    x2 = square * np.float32(_CURVE_MM**2)
    one, two, three, four = _SLOPES.astype(np.float32)
    return (
        x2 * x * (one[1] / 3),
        x2 * (two[0] / 2 + square * (two[2] / 4)),
        x2 * x * (three[1] / 3 + square * (three[3] / 5)),
        x2 * (four[0] / 2 + square * (four[2] / 4 + square * (four[4] / 6))),
    )


def _slopes(u: FloatArray) -> tuple[FloatArray, ...]:
    """Slopes of the same, mm."""
    x = u * np.float32(1 / _CURVE_MM)
    square = x * x
    one, two, three, four = (_CURVE_MM * _SLOPES).astype(np.float32)
    return (
        square * one[1],
        x * (two[0] + square * two[2]),
        square * (three[1] + square * three[3]),
        x * (four[0] + square * (four[2] + square * four[4])),
    )


def ground_off(given: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what is ground off, mm, and its slope: ``given`` where large, towards 0 below.

    Nearly straight, since the print's end tells of the sole's end less this: what is normal stays.
    """
    size = np.sqrt(given * given + np.float32(4 * _BEND_MM**2))
    return 0.5 * (given + size), 0.5 * (1 + given / size)


def read_press(
    theta: FloatArray, cells: StripCells, wanted: int = SIZE
) -> tuple[FloatArray, FloatArray]:
    """Return counts of the cells, (k, n, cells), and derivatives, (wanted, k, n, cells).

    Parameters
    ----------
    theta : (SIZE, k, n)
        k states of the session, n presses in each. Unknowns of the session are those of the first
        press.
    cells : StripCells
        The row pressed.
    wanted : int
        By how many of the unknowns, from the first on.
    """
    theta = np.asarray(np.clip(theta, _LEAST, _MOST), np.float32)
    # Points of a cell on the last axis but one: sums over them then run along the cells.
    x = np.asarray(cells.points.reshape(-1, POINTS_PER_CELL).T, np.float32)
    theta = theta[..., None, None]
    t, curves = theta[T], theta[CURVE : CURVE + CURVES]
    u = x - theta[C]
    slopes_t = _slopes(t)
    lever = u - t
    # Of B, by changes of curvature: Q(u) - Q(t) - Q'(t)(u - t).
    by_curves = [
        at_u - (at_t + at_s * lever)
        for at_u, at_t, at_s in zip(_shapes(u), _shapes(t), slopes_t, strict=True)
    ]
    rise = 0.5 * lever * lever
    for curve, height in zip(curves, by_curves, strict=True):
        rise += curve * height
    per = np.exp(-2 * theta[LOG_H]) * np.float32(2)
    ground, by_given = ground_off(theta[HEEL : TOE + 1])
    steep = np.exp(-theta[EDGE_HEEL : EDGE_TOE + 1])
    reach = theta[HALF] + theta[OUTWARD]
    heel = -u
    heel -= reach - theta[ASIDE]
    toe = u - (reach + theta[ASIDE])
    off_heel = np.maximum(heel + ground[0], 0)
    off_toe = np.maximum(toe + ground[1], 0)
    np.maximum(heel, 0, out=heel)
    np.maximum(toe, 0, out=toe)
    fall_heel = off_heel * off_heel
    fall_heel *= steep[0]
    fall_toe = off_toe * off_toe
    fall_toe *= steep[1]
    edge = heel * heel
    edge += toe * toe
    edge *= np.float32(_EDGE_STEEP)
    edge += fall_heel
    edge += fall_toe
    f = rise
    f += 0.5 * edge
    f *= -per
    f += 1
    root = np.sqrt(f * f + np.float32(_SOFT**2))
    soft = 0.5 * (f + root)
    log_soft = np.log(np.maximum(soft, np.float32(1e-12)))
    # Where the cover leaves the sole: f exp(x/a) is greatest there toward the toe, f exp(-x/a)
    # toward the heel, between points by a parabola. Beyond, the cover hangs.
    touching = np.where(f > np.float32(_SOFT), log_soft, np.float32(-1e6))
    slack = np.exp(-theta[HANG])
    k, n = f.shape[:2]
    step = np.float32(cells.pitch_mm / POINTS_PER_CELL)
    count = x.size
    leaves = []
    for side in (-1, 1):
        height = np.swapaxes(touching + (side * slack) * x, -1, -2).reshape(k * n, count)
        place = np.argmax(height, axis=1)
        each = np.arange(k * n)
        low, high = np.maximum(place - 1, 0), np.minimum(place + 1, count - 1)
        before, here, after = (height[each, at] for at in (low, place, high))
        # At the border of what touches there is no other side.
        before, after = (
            np.where(one < np.float32(-1e5), other, one)
            for one, other in ((before, after), (after, before))
        )
        part = np.clip(0.5 * (before - after) / (before - 2 * here + after - 1e-9), -0.5, 0.5)
        # Points as they stand in memory: three of a cell apart.
        picks = [
            (at % POINTS_PER_CELL) * cells.cells + at // POINTS_PER_CELL
            for at in (low, place, high)
        ]
        shape = (k, n, 1, 1)
        left = (x.T.reshape(-1)[place] + part * step).reshape(shape)
        top = (here - 0.25 * (before - after) * part).reshape(shape)
        over = side * (x - left) > 0
        weights = (0.5 * part * (part - 1), 1 - part * part, 0.5 * part * (part + 1))
        leaves.append((list(zip(picks, weights, strict=True)), left, over))
        log_soft = np.where(over, top - (side * slack) * x, log_soft)
    power = np.exp(theta[POWER])
    p = np.exp(power * log_soft + theta[LOG_A])
    spread, by_share, by_reach = cells.spread(
        theta[SHARE, :, 0, 0, 0].astype(np.float64), theta[REACH, :, 0, 0, 0].astype(np.float64)
    )

    def load(of: FloatArray) -> FloatArray:
        return np.asarray((of[..., 0, :] + of[..., 1, :] + of[..., 2, :]) * np.float32(1 / 3))

    mean = load(p)
    plain = mean @ spread
    # Bumps of compact support, (bumps, k, n, cells), on cells.
    at = x[1] - theta[C, ..., 0, :]
    apart = (at - WARP_AT_MM.astype(np.float32)[:, None, None, None]) * np.float32(
        1 / _WARP_HALF_MM
    )
    inner = np.maximum(1 - apart * apart, 0)
    size = theta[WARP:, ..., 0, :]
    warp = 1 + (size * inner * inner).sum(axis=0)
    counts = plain * warp
    out = np.empty((wanted, *counts.shape), np.float32)
    out[LOG_A] = counts
    if wanted == 1:
        return counts, out
    # dp/df, then times df/d(each); where the cover hangs, as where it leaves the sole.
    by_log = power * p
    resting = ~(leaves[0][2] | leaves[1][2])
    curved = by_log * (per / root) * resting

    def where_it_leaves(of: FloatArray, leaf: int) -> FloatArray:
        """(k, n): value at the place where the cover leaves the sole."""
        values = of.reshape(k * n, count)
        each = np.arange(k * n)
        parts = [values[each, pick] * weight for pick, weight in leaves[leaf][0]]
        return np.asarray((parts[1] + (parts[0] + parts[2])).reshape(k, n, 1))

    hanging = [load(by_log * over) for _, _, over in leaves]
    scale = per / root

    def by(of: FloatArray) -> FloatArray:
        """Return the derivative of cells by what the sole's rise follows as ``-of``."""
        ends = [hanging[i] * where_it_leaves(scale * of, i) for i in (0, 1)]
        return np.asarray((load(curved * of) + (ends[0] + ends[1])) @ spread)

    out[LOG_H] = by((2 / per) * (1 - f))
    slope = lever
    for curve, at_u, at_t in zip(curves, _slopes(u), slopes_t, strict=True):
        slope = slope + curve * (at_u - at_t)
    steep_heel = steep[0] * off_heel
    steep_toe = steep[1] * off_toe
    end_heel = steep_heel + np.float32(_EDGE_STEEP) * heel
    end_toe = steep_toe + np.float32(_EDGE_STEEP) * toe
    out[C] = by(slope + end_toe - end_heel)
    if wanted > 4:
        out[HEEL] = by(steep_heel) * -by_given[0, ..., 0, :]
        out[TOE] = by(steep_toe) * -by_given[1, ..., 0, :]
        by_heel, by_toe = by(end_heel), by(end_toe)
        out[HALF] = by_heel + by_toe
        out[EDGE_HEEL] = 0.5 * by(fall_heel)
        out[EDGE_TOE] = 0.5 * by(fall_toe)
        for column, height in enumerate(by_curves, CURVE):
            out[column] = -by(height)
        out[POWER] = power[..., 0, :] * load(log_soft * p) @ spread
        out[SHARE] = mean @ by_share
        out[REACH] = mean @ by_reach
        beyond = sum(np.where(over, np.abs(x - left), 0) for _, left, over in leaves)
        out[HANG] = load(by_log * (slack * beyond)) @ spread
        out[OUTWARD] = out[HALF]
        out[ASIDE] = by_toe - by_heel
    out[1 : min(wanted, WARP)] *= warp
    if wanted > WARP:
        out[WARP:] = plain * (inner * inner)
    out[C] += plain * (size * inner * apart).sum(axis=0) * np.float32(4 / _WARP_HALF_MM)
    return counts, out
