"""A sole that passes over a compliant strip: how deep each cell is pressed at each moment.

The picture
-----------
The club travels along y, from the first row to the last, at 25 to 45 mm/ms; the strip lies along x.
A point of the sole has the coordinates u (heel to toe, positive toward the toe) and v (front to
back, positive toward the trailing edge). When the middle of the sole is over y = V t, the point
that is over the place (x, y) of the board has

    u = hand * (x - c),     v = V t - y,

so that the leading edge (negative v) comes first. It presses the cover by

    d(t) - rise(u) - u tan(e) - (v - v0)^2 / 2r,      d(t) = d - (V t - low)^2 / 2 R_arc,

or not at all where that is negative, beyond the sole's two ends, or beyond its edges. rise(u) is
u^2/2R for a circular camber. v0 is the place that shaft lean and dynamic loft make the lowest,
R_arc the radius of the swing near its bottom. This is an elastic foundation of independent springs
(Winkler; Johnson, Contact Mechanics, 1985, section 4.3): pressure is proportional to local depth.
A sole about 20 mm wide at 35 mm/ms loads a row 8 mm wide for (20 + 8) / 35 = 0.8 ms, which is where
the pulse of a strike comes from; its length is not put in by hand.

A cell reads the mean over its own area: over its width in y in closed form (the integrand is a
parabola between its zeros and the sole's edges), over its pitch in x by midpoints.

Every parameter may be a number or an array of shape (n,): then n strikes are worked out at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Number = float | FloatArray

# Midpoints per cell in x. Four leave an error under 0.5 % of the peak on a 4 mm cell, R = 300 mm;
# tests/simulators/test_sole.py compares with a fine grid.
SUBCELLS = 4


@dataclass(frozen=True, kw_only=True)
class Sole:
    """A head's sole; the last five fields are what wear and grinding do to a circular one."""

    camber_mm: Number = 300.0
    length_mm: Number = 78.0
    width_mm: Number = 20.0
    front_back_radius_mm: Number = 50.0
    # Middle part with no camber at all.
    flat_mm: Number = 0.0
    # Length at either end that is ground away to a smaller radius.
    heel_relief_mm: Number = 0.0
    toe_relief_mm: Number = 0.0
    relief_radius_mm: Number = 90.0
    # Depth, front to back, of a leading edge worn off so far that it no longer touches.
    worn_edge_mm: Number = 0.0

    def rise_mm(self, u_mm: FloatArray) -> FloatArray:
        """Height of the sole over its lowest line when level, at u (heel to toe), mm."""
        half = _lead(self.length_mm, u_mm) / 2
        arc = np.maximum(0.0, np.abs(u_mm) - _lead(self.flat_mm, u_mm) / 2)
        heel = np.maximum(0.0, -u_mm - half + _lead(self.heel_relief_mm, u_mm))
        toe = np.maximum(0.0, u_mm - half + _lead(self.toe_relief_mm, u_mm))
        ground = (heel**2 + toe**2) / (2 * _lead(self.relief_radius_mm, u_mm))
        return np.asarray(arc**2 / (2 * _lead(self.camber_mm, u_mm)) + ground)


@dataclass(frozen=True, kw_only=True)
class Pass:
    """How one swing brought the sole over the board: the truth of a strike."""

    c_mm: Number = 0.0
    lie_error_deg: Number = 0.0
    # Depth of press under the middle of the sole (u = 0, v = v0), at the low point of the swing.
    depth_mm: Number = 2.0
    trail_mm: Number = 0.0
    speed_mm_per_ms: Number = 35.0
    # +1 with the toe toward positive x (right-hander), -1 otherwise.
    hand: int = 1
    arc_radius_mm: Number = 1700.0
    low_point_mm: Number = 0.0


@dataclass(frozen=True, kw_only=True)
class Grid:
    """Where the cells are: (rows, cells) in the board frame, row 0 at y = 0."""

    rows: int = 1
    cells: int = 32
    pitch_mm: float = 4.0
    row_distance_mm: float = 12.0
    row_width_mm: float = 8.0

    @property
    def middles_mm(self) -> FloatArray:
        """Cell middles along the strip, shape (cells,)."""
        return np.asarray((np.arange(self.cells) - (self.cells - 1) / 2) * self.pitch_mm)

    @property
    def row_middles_mm(self) -> FloatArray:
        """Row middles along the club's travel, shape (rows,)."""
        return np.asarray(np.arange(self.rows) * self.row_distance_mm)


def _lead(value: Number, like: FloatArray) -> FloatArray:
    """Make a number, or shape (n,), broadcast against the leading axis of `like`."""
    array = np.asarray(value, dtype=np.float64)
    return array if array.ndim == 0 else array.reshape(array.shape + (1,) * (like.ndim - 1))


def lowest_point_mm(sole: Sole, lie_error_deg: Number) -> FloatArray:
    """Where the sole is lowest at this lie error, mm from its middle, toe positive.

    ``-R tan(e)`` for a circular camber, as far as the sole reaches; any other sole is searched on
    a grid of 0.01 mm, and a flat middle lying level gives the middle of the flat.
    """
    slope = np.tan(np.radians(np.asarray(lie_error_deg, dtype=np.float64)))
    half = np.asarray(sole.length_mm, dtype=np.float64) / 2
    ground = (sole.flat_mm, sole.heel_relief_mm, sole.toe_relief_mm)
    if not any(np.any(np.asarray(part)) for part in ground):
        return np.asarray(np.clip(-np.asarray(sole.camber_mm) * slope, -half, half))
    single = np.ndim(slope) == 0 and np.ndim(half) == 0
    slopes, halves = np.atleast_1d(slope), np.atleast_1d(half)
    u = halves[:, None] * np.linspace(-1.0, 1.0, 8001)
    u = np.broadcast_to(u, (max(len(slopes), len(halves)), u.shape[1]))
    height = sole.rise_mm(u) + u * slopes[:, None]
    low = height <= height.min(axis=1, keepdims=True) + 1e-12
    found = np.where(low, u, 0.0).sum(axis=1) / low.sum(axis=1)
    return np.asarray(found[0] if single else found)


def pressed_mm(
    sole: Sole, swing: Pass, grid: Grid, t_ms: FloatArray, *, semi_elliptic: bool = False
) -> FloatArray:
    """Mean depth of press of each cell, mm.

    Parameters
    ----------
    sole, swing, grid
        Their fields are numbers or have shape (n,).
    t_ms : ndarray, shape (n, scans, rows, cells)
        Sample moments, 0 = the middle of the sole is over row 0. n is 1 if all fields are numbers.
    semi_elliptic : bool
        Pressure falls off as a semi-ellipse (Hertz line contact, Johnson section 4.2) and not as
        a parabola; the greatest value stays the same.

    Returns
    -------
    ndarray, shape (n, scans, rows, cells)
        Pressure in units of the depth that an elastic foundation would need for it.
    """
    # A fifth axis holds the midpoints of a cell.
    t = t_ms[..., None]
    sub = grid.pitch_mm / SUBCELLS
    offsets = (np.arange(SUBCELLS) - (SUBCELLS - 1) / 2) * sub
    x = grid.middles_mm[:, None] + offsets[None, :]
    y = grid.row_middles_mm[:, None, None]
    like = np.broadcast_to(t, (*t.shape[:-1], SUBCELLS))

    u = swing.hand * (x - _lead(swing.c_mm, like))
    slope = np.tan(np.radians(_lead(swing.lie_error_deg, like)))
    along = _lead(swing.speed_mm_per_ms, like) * t
    sag = (along - _lead(swing.low_point_mm, like)) ** 2 / (2 * _lead(swing.arc_radius_mm, like))
    surface = _lead(swing.depth_mm, like) - sole.rise_mm(u) - u * slope
    deep = np.maximum(0.0, surface - sag)

    r = _lead(sole.front_back_radius_mm, like)
    half_width = _lead(sole.width_mm, like) / 2
    v0 = _lead(swing.trail_mm, like)
    near = np.maximum(
        along - y - grid.row_width_mm / 2, _lead(sole.worn_edge_mm, like) - half_width
    )
    far = np.minimum(along - y + grid.row_width_mm / 2, half_width)
    reach = np.sqrt(2 * r * deep)
    low = np.clip(near - v0, -reach, reach)
    high = np.maximum(low, np.clip(far - v0, -reach, reach))
    if semi_elliptic:
        top = np.maximum(0.0, surface.max(axis=(-2, -1), keepdims=True))
        area = np.sqrt(top / (2 * r)) * (_half_ellipse(high, reach) - _half_ellipse(low, reach))
    else:
        area = deep * (high - low) - (high**3 - low**3) / (6 * r)
    area = np.where(far > near, area, 0.0)

    half_length = _lead(sole.length_mm, like) / 2
    covered = np.clip((half_length - np.abs(u)) / sub + 0.5, 0.0, 1.0)
    return np.asarray((area * covered).mean(axis=-1) / grid.row_width_mm, dtype=np.float64)


def _half_ellipse(s: FloatArray, reach: FloatArray) -> FloatArray:
    """Integral of sqrt(reach^2 - s^2) from 0 to s."""
    ratio = np.divide(s, reach, out=np.zeros_like(reach), where=reach > 0)
    return np.asarray(
        (s * np.sqrt(np.maximum(0.0, reach**2 - s**2)) + reach**2 * np.arcsin(ratio)) / 2
    )


def crossing_ms(sole: Sole, swing: Pass, grid: Grid) -> tuple[float, float]:
    """First and last moment at which the sole of one swing is over any row, ms."""
    reach = float(np.max(np.asarray(sole.width_mm))) / 2 + grid.row_width_mm / 2
    speed = float(np.min(np.asarray(swing.speed_mm_per_ms)))
    return -reach / speed, (float(grid.row_middles_mm[-1]) + reach) / speed
