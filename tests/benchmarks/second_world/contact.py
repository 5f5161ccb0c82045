"""Soles that are no circles, pressed into a layered cover: what each cell of a strip carries.

General contact mechanics, sharing nothing with the product or its simulators:

- **Foundation with a shear layer** (Pasternak): springs ``k`` under a skin that carries shear
  ``G``. Where the sole touches, the skin has the sole's shape ``w = g(x)``; beside it the skin
  hangs as ``exp(-|x| / a)``, ``a = sqrt(G / k)``, and it leaves the sole where both slopes
  agree. So ``w(x) = max over s of g(s) * exp(-|x - s| / a)``: the least curve that is nowhere below
  the sole and nowhere steeper than ``w / a``. ``a = 0`` is the plain foundation of Johnson, Contact
  Mechanics, 4.3; with ``a > 0`` a parabola of radius R at depth d touches over
  ``sqrt(a^2 + 2 R d) - a`` each way, less than Johnson's ``sqrt(2 R d)``, as on a half-space.
- **Load spreading below it** (Flamant: a line load on a half-plane): stress at depth z under a unit
  line load is ``2 z^3 / (pi (x^2 + z^2)^2)``; its integral over x is 1, so no load is lost.
- **Stiffening**: foam pressed by w carries ``k w (1 + b w)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Grid along the sole for profiles, and for what lies under the cover, mm.
_PROFILE_STEP_MM = 0.25
_PROFILE_HALF_MM = 55.0
_GRID_STEP_MM = 0.75
_GRID_HALF_MM = 100.0
# Depths at which a print is worked out; denser near the deepest, where peaks are read.
_DEPTHS = 12
_NOWHERE_MM = 1e3


@dataclass(frozen=True)
class Grind:
    """What was ground off one end of a sole."""

    length_mm: float
    """Along the sole, from the end inward."""
    radius_mm: float
    """To which the sole turns up there."""


@dataclass(frozen=True)
class Sole:
    """One sole heel to toe. 0 is the middle of the score lines, positive toward the toe.

    The tangent at 0 is level in the sole's own frame: lie error 0 puts the lowest point there.
    """

    camber_mm: float
    """Radius that rocking the head by up to 3 degrees each way would find."""
    length_mm: float
    heel: Grind
    toe: Grind
    middle_mm: float = 0.0
    """Where the middle of the sole's own length lies."""
    flat_half_mm: float = 0.0
    """Half the width of the flatter middle."""
    flat_share: float = 1.0
    """Curvature of the flatter middle over that beside it."""
    turn_mm: float = 100.0
    """From here outward the second radius holds, both sides."""
    turn_share: float = 1.0
    """Curvature of the second radius over that of the first."""
    lopsided: float = 0.0
    """The toe side is curved more by this share, the heel side less."""

    @property
    def heel_end_mm(self) -> float:
        """Where the sole ends."""
        return self.middle_mm - self.length_mm / 2

    @property
    def toe_end_mm(self) -> float:
        """Where the sole ends."""
        return self.middle_mm + self.length_mm / 2

    @property
    def grinds_mm(self) -> tuple[float, float]:
        """Where the grinds begin, heel and toe: the ends of what prints."""
        return (self.heel_end_mm + self.heel.length_mm, self.toe_end_mm - self.toe.length_mm)

    def profile(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Place, height and slope of the sole, ends not cut off."""
        u = np.arange(-_PROFILE_HALF_MM, _PROFILE_HALF_MM + 1e-9, _PROFILE_STEP_MM)
        shape = np.ones_like(u)
        # Blended over 2 mm and 3 mm: no grinder leaves a step.
        shape *= 1 + (self.flat_share - 1) * 0.5 * (1 - np.tanh((abs(u) - self.flat_half_mm) / 2))
        shape *= 1 + (self.turn_share - 1) * 0.5 * (1 + np.tanh((abs(u) - self.turn_mm) / 3))
        shape *= 1 + self.lopsided * np.tanh(u / 10)
        bent = _integral(u, shape)
        # Rocked by up to 3 degrees the contact runs over some 15 mm each way.
        curvature = shape / (self.camber_mm * _rocked_share(u, bent, self.camber_mm))
        heel, toe = self.grinds_mm
        curvature = np.where(u > toe, 1 / self.toe.radius_mm, curvature)
        curvature = np.where(u < heel, 1 / self.heel.radius_mm, curvature)
        slope = _integral(u, curvature)
        return u, _integral(u, slope), slope

    def lowest_mm(self, lie_deg: float) -> float:
        """Where it touches first under this lie error."""
        u, _, slope = self.profile()
        inside = (u >= self.heel_end_mm) & (u <= self.toe_end_mm)
        return float(np.interp(-np.tan(np.radians(lie_deg)), slope[inside], u[inside]))


def _integral(u: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Integrate from 0 (the middle of the grid) outward."""
    steps = 0.5 * (values[1:] + values[:-1]) * np.diff(u)
    total = np.concatenate([[0.0], np.cumsum(steps)])
    return total - total[len(u) // 2]


def _rocked_share(u: np.ndarray, bent: np.ndarray, camber_mm: float) -> float:
    """Radius to build a sole with, over the radius that rocking it then finds.

    ``bent`` is the integral of its relative curvature from 0, mm. Rocking: regression of place on
    tangent over 13 angles up to 3 degrees each way, as a bench would.
    """
    tangent = np.tan(np.radians(np.linspace(-3.0, 3.0, 13)))
    share = 1.0
    for _ in range(6):
        place = np.interp(tangent * camber_mm * share, bent, u)
        share *= camber_mm / float(np.sum(tangent * place) / np.sum(tangent**2))
    return share


@dataclass(frozen=True)
class Cover:
    """What lies over the cells."""

    shear_mm: float = 0.0
    """Length ``a`` over which the skin hangs beside the sole."""
    shallow_mm: float = 0.0
    """Depth at which the upper layer hands its load on."""
    deep_mm: float = 8.0
    deep_share: float = 0.0
    """Share of the load that goes through a lower layer and is spread by ``deep_mm``."""
    stiffening_per_mm: float = 0.0
    hysteresis: float = 0.0
    """Share of the load that is missing on the way back, at no load."""
    lag_us: float = 0.0
    """Time constant with which cells follow the load."""

    def carried(self, pressed: np.ndarray) -> np.ndarray:
        """Pressure under a depth, counted in mm of a linear foundation."""
        return pressed * (1 + self.stiffening_per_mm * pressed)


def hanging(gap: np.ndarray, step_mm: float, shear_mm: float) -> np.ndarray:
    """Depth of the skin under a sole: ``gap`` (..., n) is how deep the sole itself is, any sign."""
    pressed = np.maximum(gap, 0.0)
    if shear_mm < 1e-3:
        return pressed
    # Logarithms would do it in one step of any length; blocks keep the exponentials in range.
    fall = np.exp(-step_mm / shear_mm)
    out = pressed.copy()
    for i in range(1, out.shape[-1]):
        np.maximum(out[..., i], fall * out[..., i - 1], out=out[..., i])
    for i in range(out.shape[-1] - 2, -1, -1):
        np.maximum(out[..., i], fall * out[..., i + 1], out=out[..., i])
    return out


def flamant(x: np.ndarray, z_mm: float) -> np.ndarray:
    """Stress at depth z under a unit line load on a half-plane (Johnson, 2.2 and 2.3), per mm."""
    return 2 * z_mm**3 / (np.pi * (x**2 + z_mm**2) ** 2)


def spreading(cover: Cover, opening_mm: float) -> np.ndarray:
    """Matrix from pressure on the grid to what a cell of this width sees at each place of it."""
    x = _grid()
    n = len(x)
    lag = np.arange(-(n - 1), n) * _GRID_STEP_MM
    here = (lag == 0).astype(float)

    def through(z_mm: float) -> np.ndarray:
        return flamant(lag, z_mm) * _GRID_STEP_MM if z_mm > 0.8 * _GRID_STEP_MM else here

    shallow = through(cover.shallow_mm)
    deep = np.convolve(shallow, through(cover.deep_mm), mode="same")
    kernel = (1 - cover.deep_share) * shallow + cover.deep_share * deep
    low = np.clip(lag - _GRID_STEP_MM / 2, -opening_mm / 2, opening_mm / 2)
    high = np.clip(lag + _GRID_STEP_MM / 2, -opening_mm / 2, opening_mm / 2)
    kernel = np.convolve(kernel, (high - low) / opening_mm, mode="same")
    index = np.arange(n)
    return kernel[index[:, None] - index[None, :] + n - 1]


def _grid() -> np.ndarray:
    return np.arange(-_GRID_HALF_MM, _GRID_HALF_MM + 1e-9, _GRID_STEP_MM)


def gap_under(sole: Sole, lie_deg: np.ndarray, x: np.ndarray) -> np.ndarray:
    """How far above its lowest point the sole is at ``x`` (from its middle), (n_strikes, n_x)."""
    u, height, _ = sole.profile()
    inside = (u >= sole.heel_end_mm) & (u <= sole.toe_end_mm)
    tilt = np.tan(np.radians(lie_deg))[:, None]
    lowest = np.min(height[inside] + u[inside] * tilt, axis=1, keepdims=True)
    above = np.interp(x, u, height) + x * tilt - lowest
    return np.where((x >= sole.heel_end_mm) & (x <= sole.toe_end_mm), above, _NOWHERE_MM)


@dataclass(frozen=True)
class Prints:
    """Load under the cover of many strikes, for any depth up to each one's deepest."""

    depth_mm: np.ndarray
    """(n,)"""
    table: np.ndarray
    """(n, depths, grid): what a cell sees at each place from the sole's middle."""

    def at(self, strike: np.ndarray, depth_mm: np.ndarray, u_mm: np.ndarray) -> np.ndarray:
        """Load of cells that lie at ``u_mm`` from the sole's middle, arrays of one shape."""
        part = np.clip(depth_mm / self.depth_mm[strike], 0.0, 1.0)
        level = _DEPTHS * (1 - np.sqrt(1 - part))
        j = np.minimum(level.astype(np.intp), _DEPTHS - 1)
        # Linear in depth between two levels, not in their number.
        edge_low, edge_high = _part(j), _part(j + 1)
        f = (part - edge_low) / (edge_high - edge_low)
        place = np.clip((u_mm + _GRID_HALF_MM) / _GRID_STEP_MM, 0, self.table.shape[2] - 1.001)
        i = place.astype(np.intp)
        g = place - i
        flat = self.table.reshape(-1)
        base = (strike * (_DEPTHS + 1) + j) * self.table.shape[2] + i
        above = base + self.table.shape[2]
        low = flat[base] * (1 - g) + flat[base + 1] * g
        return low * (1 - f) + (flat[above] * (1 - g) + flat[above + 1] * g) * f


def _part(j: np.ndarray) -> np.ndarray:
    return 1 - (1 - j / _DEPTHS) ** 2


def prints(
    soles: list[Sole],
    which: np.ndarray,
    lie_deg: np.ndarray,
    depth_mm: np.ndarray,
    cover: Cover,
    opening_mm: float,
) -> Prints:
    """Work out the prints of strikes.

    Parameters
    ----------
    soles
        All heads.
    which : (n,)
        Sole of each strike.
    lie_deg : (n,)
        Tilt as struck, + toe up.
    depth_mm : (n,)
        Deepest press, at the lowest point.
    cover, opening_mm
        What lies over the cells, and how wide a cell is.
    """
    x = _grid()
    above = np.empty((len(which), len(x)))
    for number, sole in enumerate(soles):
        own = which == number
        if own.any():
            above[own] = gap_under(sole, lie_deg[own], x)
    levels = depth_mm[:, None] * _part(np.arange(_DEPTHS + 1))
    gap = levels[:, :, None] - above[:, None, :]
    carried = cover.carried(hanging(gap, _GRID_STEP_MM, cover.shear_mm))
    return Prints(depth_mm, carried @ spreading(cover, opening_mm))


def ends_pressed(sole: Sole, lie_deg: np.ndarray, depth_mm: np.ndarray, cover: Cover) -> np.ndarray:
    """Whether heel and toe end press by more than a tenth of the deepest place, (n, 2)."""
    ends = np.array(sole.grinds_mm)
    above = gap_under(sole, lie_deg, ends)
    at_end = cover.carried(np.maximum(depth_mm[:, None] - above, 0.0))
    return at_end >= 0.1 * cover.carried(depth_mm)[:, None]
