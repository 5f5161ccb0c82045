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
from numpy.typing import NDArray

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
# Presses worked out together: what they need fits a core's own memory.
_AT_ONCE = 96


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
        n, m = self.cells, POINTS_PER_CELL
        step = self.pitch_mm / m
        # Points of two cells that lie `lag` apart: m of them by whole cells, fewer by more or less.
        lag, off = np.arange(n)[:, None], np.arange(1 - m, m)
        apart = np.abs(lag * m + off) * step / np.exp(log_reach)[:, None, None]
        kernel = np.exp(-apart) * (step / (2 * np.exp(log_reach)))[:, None, None]
        weight = (m - np.abs(off)) / m
        index = np.abs(np.arange(n)[:, None] - np.arange(n))
        far = (kernel @ weight)[:, index]
        by_far = ((kernel * (apart - 1)) @ weight)[:, index]
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
        By how many of the unknowns, from the first on; none by `T`.
    """
    theta = np.asarray(np.clip(theta, _LEAST, _MOST), np.float32)
    _, k, n = theta.shape
    spreads = cells.spread(theta[SHARE, :, 0].astype(float), theta[REACH, :, 0].astype(float))
    out: FloatArray = np.asarray(np.empty((wanted, k, n, cells.cells), np.float32))
    states = max(_AT_ONCE // n, 1)
    for i in range(0, k, states):
        some = slice(i, i + states)
        spread = tuple(one[some] for one in spreads)
        for first in range(0, n, _AT_ONCE):
            part = slice(first, first + _AT_ONCE)
            own = theta[:, some, part]
            shape = (wanted, own.shape[1] * own.shape[2], cells.cells)
            read = np.empty(shape, np.float32)
            _read(own.reshape(SIZE, -1, 1, 1), cells, spread, read)
            out[:, some, part] = read.reshape(wanted, *own.shape[1:], -1)
    return out[LOG_A], out


def _read(
    theta: FloatArray, cells: StripCells, spread: tuple[FloatArray, ...], out: FloatArray
) -> None:
    """Fill in counts and derivatives, (wanted, n, cells), of presses (SIZE, n, 1, 1).

    ``spread`` has as many states as there are: presses of each stand together.
    """
    n, wanted = theta.shape[1], len(out)
    # Points of a cell on the last axis but one: sums over them then run along the cells.
    x: FloatArray = np.asarray(cells.points.reshape(-1, POINTS_PER_CELL).T, np.float32)
    t, curves = theta[T], theta[CURVE : CURVE + CURVES]
    u = x - theta[C]
    # What the sole's rise follows: twice itself (depth), its slope (place), ends, curvature.
    rises = np.empty((2 if wanted <= HEEL else 8 + CURVES, n, *x.shape), np.float32)
    heights = rises[8:] if wanted > HEEL else np.empty((CURVES, n, *x.shape), np.float32)
    slopes_t = _slopes(t)
    lever = u - t
    # Of B, by changes of curvature: Q(u) - Q(t) - Q'(t)(u - t).
    rise = 0.5 * lever * lever
    for i, (at_u, at_t, at_s) in enumerate(zip(_shapes(u), _shapes(t), slopes_t, strict=True)):
        np.subtract(at_u, at_t, out=heights[i])
        heights[i] -= at_s * lever
        rise += curves[i] * heights[i]
    per = np.exp(-2 * theta[LOG_H]) * np.float32(2)
    ground, by_given = ground_off(theta[HEEL : TOE + 1])
    steep = np.exp(-theta[EDGE_HEEL : EDGE_TOE + 1])
    reach = theta[HALF] + theta[OUTWARD]
    heel = -u - (reach - theta[ASIDE])
    toe = u - (reach + theta[ASIDE])
    off_heel = np.maximum(heel + ground[0], 0)
    off_toe = np.maximum(toe + ground[1], 0)
    np.maximum(heel, 0, out=heel)
    np.maximum(toe, 0, out=toe)
    steep_heel, steep_toe = steep[0] * off_heel, steep[1] * off_toe
    fall_heel, fall_toe = steep_heel * off_heel, steep_toe * off_toe
    heel *= np.float32(_EDGE_STEEP)
    toe *= np.float32(_EDGE_STEEP)
    edge = (heel * heel + toe * toe) * np.float32(1 / _EDGE_STEEP)
    edge += fall_heel + fall_toe
    rise += 0.5 * edge
    f = 1 - per * rise
    root = np.sqrt(f * f + np.float32(_SOFT**2))
    log_soft = np.log(np.maximum(0.5 * (f + root), np.float32(1e-12)))
    touching = np.where(f > np.float32(_SOFT), log_soft, np.float32(-1e6))
    slack = np.exp(-theta[HANG])
    leaves = [_leave(touching, slack, side, x, cells) for side in (-1, 1)]
    for leaf in leaves:
        np.copyto(log_soft, leaf.log_beyond, where=leaf.over)
    power = np.exp(theta[POWER])
    p = np.exp(power * log_soft + theta[LOG_A])

    def load(of: FloatArray) -> FloatArray:
        return np.asarray((of[..., 0, :] + of[..., 1, :] + of[..., 2, :]) * np.float32(1 / 3))

    def over(of: FloatArray, matrix: FloatArray) -> FloatArray:
        apart = of.reshape(*of.shape[:-2], len(matrix), -1, of.shape[-1])
        return np.asarray((apart @ matrix).reshape(of.shape))

    mean = load(p)
    plain = over(mean, spread[0])
    # Bumps of compact support on cells, (bumps, n, cells).
    apart = (x[1] - theta[C, ..., 0] - WARP_AT_MM.astype(np.float32)[:, None, None]) * np.float32(
        1 / _WARP_HALF_MM
    )
    inner = np.maximum(1 - apart * apart, 0)
    size = theta[WARP:, ..., 0]
    warp = 1 + (size * inner * inner).sum(axis=0)
    out[LOG_A] = plain * warp
    if wanted == 1:
        return
    # dp/df, then times df/d(each); where the cover hangs, as where it leaves the sole.
    by_log = power * p
    scale = per / root
    curved = by_log * scale
    curved[leaves[0].over | leaves[1].over] = 0
    np.multiply(rise, 2, out=rises[0])
    slope = rises[1]
    np.subtract(toe, heel, out=slope)
    slope += steep_toe - steep_heel
    slope += lever
    for curve, at_u, at_t in zip(curves, _slopes(u), slopes_t, strict=True):
        slope += curve * (at_u - at_t)
    if wanted > HEEL:
        rises[2], rises[3] = steep_heel, steep_toe
        np.add(steep_heel, heel, out=rises[4])
        np.add(steep_toe, toe, out=rises[5])
        rises[6], rises[7] = fall_heel, fall_toe
    ends = [leaf.there(rises, scale) * load(by_log * leaf.over) for leaf in leaves]
    rises *= curved
    by = over(load(rises) + (ends[0] + ends[1]), spread[0])
    out[LOG_H], out[C] = by[0], by[1]
    if wanted > HEEL:
        out[HEEL], out[TOE] = by[2:4] * -by_given[..., 0]
        out[HALF] = out[OUTWARD] = by[4] + by[5]
        out[ASIDE] = by[5] - by[4]
        out[EDGE_HEEL], out[EDGE_TOE] = 0.5 * by[6:8]
        out[CURVE : CURVE + CURVES] = -by[8:]
        out[POWER] = power[..., 0] * over(load(log_soft * p), spread[0])
        out[SHARE], out[REACH] = over(mean, spread[1]), over(mean, spread[2])
        beyond = sum(leaf.over * np.abs(x - leaf.place) for leaf in leaves)
        out[HANG] = over(load(by_log * (slack * beyond)), spread[0])
    out[2 : min(wanted, WARP)] *= warp
    if wanted > WARP:
        np.multiply(plain, inner * inner, out=out[WARP:])
    out[C] += plain * (size * inner * apart).sum(axis=0) * np.float32(4 / _WARP_HALF_MM)


@dataclass(frozen=True)
class _Leave:
    """Where the cover leaves the sole on one side, and what hangs beyond."""

    picks: list[tuple[NDArray[np.intp], FloatArray]]
    """Points about the place, (n,), and their weights."""
    place: FloatArray
    """(n, 1, 1), mm."""
    over: NDArray[np.bool_]
    """(n, points, cells): beyond it."""
    log_beyond: FloatArray
    """Log of the depth there."""

    def there(self, of: FloatArray, scale: FloatArray) -> FloatArray:
        """Values of ``of``, (any, n, points, cells), times ``scale`` at the place, (any, n, 1)."""
        n = scale.shape[0]
        each = np.arange(n)
        flat, times = of.reshape(len(of), n, -1), scale.reshape(n, -1)
        low, here, high = (flat[:, each, at] * (times[each, at] * w) for at, w in self.picks)
        return np.asarray((here + (low + high))[..., None])


def _leave(
    touching: FloatArray, slack: FloatArray, side: int, x: FloatArray, cells: StripCells
) -> _Leave:
    """Find where the cover leaves the sole.

    f exp(x/a) is greatest there toward the toe, f exp(-x/a) toward the heel, between points by a
    parabola.
    """
    n, count = len(touching), x.size
    # In the order along the strip.
    height = np.swapaxes(touching + (side * slack) * x, -1, -2).reshape(n, count)
    at = np.argmax(height, axis=1)
    each = np.arange(n)
    low, high = np.maximum(at - 1, 0), np.minimum(at + 1, count - 1)
    before, here, after = (height[each, one] for one in (low, at, high))
    # At the border of what touches there is no other side.
    before, after = (
        np.where(before < np.float32(-1e5), after, before),
        np.where(after < np.float32(-1e5), before, after),
    )
    part = np.clip(0.5 * (before - after) / (before - 2 * here + after - 1e-9), -0.5, 0.5)
    weights = (0.5 * part * (part - 1), 1 - part * part, 0.5 * part * (part + 1))
    step = np.float32(cells.pitch_mm / POINTS_PER_CELL)
    place = (x.T.reshape(-1)[at] + part * step)[:, None, None]
    top = (here - 0.25 * (before - after) * part)[:, None, None]
    # Points as they stand in memory: three of a cell apart.
    picks = [
        ((one % POINTS_PER_CELL) * cells.cells + one // POINTS_PER_CELL, w)
        for one, w in zip((low, at, high), weights, strict=True)
    ]
    return _Leave(picks, place, side * (x - place) > 0, top - (side * slack) * x)
