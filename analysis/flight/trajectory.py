"""Flight of a golf ball in three dimensions, many shots at once.

Axes: x toward the target, y to the right, z up, metres, from where the ball lay. Forces on a ball
of cross-section A and mass m at velocity v: drag ``rho A Cd |v|^2 / 2`` against it, lift
``rho A Cl |v|^2 / 2`` across it and across the spin axis, and weight. The air is still.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray


@dataclass(frozen=True, slots=True)
class Air:
    """Still air; as it stands, the standard atmosphere at sea level (ISO 2533: 15 °C, 1013.25 hPa).

    Attributes
    ----------
    density_kg_m3 : float
        > 0.
    viscosity_m2_s : float
        Kinematic viscosity, > 0.
    """

    density_kg_m3: float = 1.225
    viscosity_m2_s: float = 1.4607e-5

    def __post_init__(self) -> None:
        if not (self.density_kg_m3 > 0 and self.viscosity_m2_s > 0):
            raise ValueError("density and viscosity of air must be positive")


class Aerodynamics(Protocol):
    """Drag and lift of a ball in flight."""

    def coefficients(
        self, speed_m_s: FloatArray, spin_ratio: FloatArray, reynolds: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Drag and lift coefficients; all of one shape.

        Parameters
        ----------
        speed_m_s : ndarray
            Through the air.
        spin_ratio : ndarray
            Speed of the ball's surface over its speed through the air.
        reynolds : ndarray
            Speed times diameter over kinematic viscosity.

        Returns
        -------
        drag, lift : ndarray
            On the ball's cross-section.
        """
        ...


@dataclass(frozen=True, slots=True)
class SmitsSmith:
    """Wind-tunnel fit of Smits and Smith (1994), constants from memory.

    ``Cd = 0.24 + 0.18 S + 0.06 sin(pi (Re - 90000) / 200000)``, ``Cl = 0.54 S^0.4``.

    They measured 70 000 < Re < 210 000 and spin ratios of about 0.08 to 0.2 (from memory). Short
    irons go beyond.
    """

    def coefficients(
        self, speed_m_s: FloatArray, spin_ratio: FloatArray, reynolds: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """See `Aerodynamics.coefficients`."""
        hump = np.sin((math.pi / 200_000) * (reynolds - 90_000))
        return 0.24 + 0.18 * spin_ratio + 0.06 * hump, 0.54 * spin_ratio**0.4


# Rules of Golf, the ball: mass not over 1.620 oz, diameter not under 1.680 in.
BALL_MASS_KG = 0.04593
BALL_DIAMETER_M = 0.04267

# Smits and Smith (1994), from memory: d(spin)/dt = -0.00002 spin |v| / radius. The form 0.0004 per
# second and mile per hour, in which it is also quoted, gives 0.0000191.
SPIN_DECAY = 2.0e-5

# ISO 2533 writes 9.80665; the references this is checked against used 9.81, within 0.04 %.
GRAVITY_M_S2 = 9.81

_LONGEST_S = 60.0
# Relative error per step; moves a carry by about 0.01 mm (tests/flight/test_trajectory.py).
_TOLERANCE = 1e-6
# Flights last seconds and are smooth: feeling the way from tiny steps costs a third of the time. A
# step that turns out too long is taken again.
_FIRST_STEP_S = 0.6
# Reading the dense output costs the square of the shots; stepping one system less than its shots.
_TOGETHER = 64
# Metres, or metres per second: how near to 0 apex and landing are found.
_AT_ZERO = 1e-7


@dataclass(frozen=True, slots=True)
class Launch:
    """How balls leave the face; every entry a number or shape (n,), broadcast together.

    Attributes
    ----------
    speed_m_s : array_like
        > 0.
    launch_deg : array_like
        Above the horizontal, within 0 and 90.
    spin_rpm : array_like
        Whole rate of spin, >= 0.
    start_deg : array_like
        Direction off the target line, positive = right.
    tilt_deg : array_like
        Lean of the spin axis in the plane across the target line, positive = curves to the right.
    """

    speed_m_s: ArrayLike
    launch_deg: ArrayLike
    spin_rpm: ArrayLike
    start_deg: ArrayLike = 0.0
    tilt_deg: ArrayLike = 0.0


@dataclass(frozen=True, slots=True)
class Landing:
    """Where and how balls come down to the height they were hit from; all shape (n,)."""

    carry_m: FloatArray
    """Along the target line."""
    side_m: FloatArray
    """Off the target line, positive = right."""
    apex_m: FloatArray
    time_s: FloatArray
    descent_deg: FloatArray
    """Below the horizontal, positive."""


def fly(
    launch: Launch,
    *,
    air: Air | None = None,
    aerodynamics: Aerodynamics | None = None,
    drag_factor: ArrayLike = 1.0,
    lift_factor: ArrayLike = 1.0,
    spin_decay: float = SPIN_DECAY,
    gravity_m_s2: float = GRAVITY_M_S2,
) -> Landing:
    """Fly balls until they are back at the height they were hit from.

    Parameters
    ----------
    launch : Launch
        n shots.
    air : Air, optional
        Standard air at sea level if not given.
    aerodynamics : Aerodynamics, optional
        `SmitsSmith` if not given.
    drag_factor, lift_factor : array_like
        Multiply both coefficients: for balls and doubts, number or shape (n,), >= 0.
    spin_decay : float
        k of ``d(spin)/dt = -k spin |v| / radius``, >= 0; 0 keeps the spin.
    gravity_m_s2 : float
        > 0.

    Returns
    -------
    Landing

    Raises
    ------
    ValueError
        A launch or a factor outside its range, or shapes that do not fit together.
    NoAnswerError
        A ball is still up after a minute: lift and drag make no sense together.

    Notes
    -----
    All shots are one system of equations, stepped by scipy's DOP853 (Dormand and Prince, order 8);
    apex and landing are found on its dense output, so they do not depend on the steps.
    """
    start, factors = _checked(launch, drag_factor, lift_factor)
    if not (spin_decay >= 0 and gravity_m_s2 > 0):
        raise ValueError("spin_decay cannot be negative and gravity must be positive")
    world = (air or Air(), aerodynamics or SmitsSmith(), spin_decay, gravity_m_s2)
    parts = [
        _fly_together(_Rates(*world, start[:, some], factors[:, some]))
        for some in (slice(i, i + _TOGETHER) for i in range(0, start.shape[1], _TOGETHER))
    ]
    return Landing(*np.concatenate(parts, axis=1))


def _fly_together(rates: _Rates) -> FloatArray:
    """Return the five rows of `Landing`, shape (5, n)."""
    from scipy.integrate import DOP853

    n = rates.state0.size // 7
    solver = DOP853(
        rates, 0.0, rates.state0, _LONGEST_S, rtol=_TOLERANCE, atol=1e-6, first_step=_FIRST_STEP_S
    )
    apex, apex_s = np.full(n, np.nan), np.full(n, np.nan)
    landed = np.full((5, n), np.nan)
    while np.isnan(landed[0]).any():
        if solver.status != "running":
            raise NoAnswerError("a ball stays up for over a minute: check its lift and its speed")
        solver.step()
        state = solver.y.reshape(7, n)
        who = np.flatnonzero(np.isnan(apex) & (state[5] <= 0))
        if who.size:
            begin = np.full(who.size, solver.t_old)
            times, states = _crossing(solver.dense_output(), begin, solver.t, 5, who, n)
            apex_s[who], apex[who] = times, states[2]
        who = np.flatnonzero(np.isnan(landed[0]) & ~np.isnan(apex) & (state[2] <= 0))
        if who.size:
            # A short hop has its apex in the same step.
            begin = np.maximum(solver.t_old, apex_s[who])
            times, states = _crossing(solver.dense_output(), begin, solver.t, 2, who, n)
            down = np.degrees(np.arctan2(-states[5], np.hypot(states[3], states[4])))
            landed[:, who] = (states[0], states[1], apex[who], times, down)
    return landed


class _Rates:
    """Right-hand side of the equations of motion; state rows x y z vx vy vz spin, flattened."""

    def __init__(
        self,
        air: Air,
        aerodynamics: Aerodynamics,
        spin_decay: float,
        gravity: float,
        start: FloatArray,
        factors: FloatArray,
    ) -> None:
        speed, launch, spin, side, tilt = start
        self._shape = (7, speed.size)
        self._aerodynamics = aerodynamics
        radius = BALL_DIAMETER_M / 2
        per_mass = 0.5 * air.density_kg_m3 * math.pi * radius**2 / BALL_MASS_KG
        self._slow = -per_mass * factors[0]
        self._radius = radius
        self._per_speed = BALL_DIAMETER_M / air.viscosity_m2_s
        self._decay = spin_decay / radius
        self._gravity = gravity
        # The axis keeps its direction: nothing but the small air torque along it acts on the ball.
        lift = per_mass * factors[1]
        self._lift_y, self._lift_z = lift * np.cos(tilt), -lift * np.sin(tilt)
        zero = np.zeros_like(speed)
        flat = speed * np.cos(launch)
        velocity = (flat * np.cos(side), flat * np.sin(side), speed * np.sin(launch))
        self.state0 = np.concatenate((zero, zero, zero, *velocity, spin))

    def __call__(self, _t: float, state: FloatArray) -> FloatArray:
        rows = state.reshape(self._shape)
        vx, vy, vz, spin = rows[3], rows[4], rows[5], rows[6]
        speed = np.sqrt(vx * vx + vy * vy + vz * vz)
        drag, lift = self._aerodynamics.coefficients(
            speed, spin * self._radius / speed, speed * self._per_speed
        )
        turn = lift * speed
        up, aside = turn * self._lift_y, turn * self._lift_z
        rates = np.empty(self._shape)
        rates[:3] = rows[3:6]
        np.multiply(rows[3:6], self._slow * drag * speed, out=rates[3:6])
        # Lift along velocity x axis; the axis has no part along x.
        rates[3] += vy * aside - vz * up
        rates[4] -= vx * aside
        rates[5] += vx * up - self._gravity
        rates[6] = -self._decay * spin * speed
        return rates.reshape(-1)


def _checked(
    launch: Launch, drag_factor: ArrayLike, lift_factor: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return launches as shape (5, n), radians, seconds; factors as shape (2, n)."""
    table = np.array(
        np.broadcast_arrays(
            launch.speed_m_s,
            launch.launch_deg,
            launch.spin_rpm,
            launch.start_deg,
            launch.tilt_deg,
            drag_factor,
            lift_factor,
        ),
        dtype=np.float64,
    ).reshape(7, -1)
    if not np.isfinite(table).all():
        raise ValueError("a launch needs finite numbers only")
    speed, angle, spin, start, tilt = table[:5]
    if not (np.all(speed > 0) and np.all((angle > 0) & (angle < 90)) and np.all(spin >= 0)):
        raise ValueError("a launch needs speed > 0, an angle within 0 and 90 degrees, spin >= 0")
    if not (np.all(np.abs(start) < 90) and np.all(np.abs(tilt) < 90)):
        raise ValueError("start direction and tilt lie within -90 and 90 degrees")
    if not np.all(table[5:] >= 0):
        raise ValueError("drag and lift factors cannot be negative")
    table[1] = np.radians(angle)
    table[2] = spin * (math.pi / 30.0)
    table[3:5] = np.radians(table[3:5])
    return table[:5], table[5:]


def _crossing(
    dense: Callable[[FloatArray], FloatArray],
    low_s: FloatArray,
    high_s: float,
    row: int,
    who: NDArray[np.intp],
    n: int,
) -> tuple[FloatArray, FloatArray]:
    """Find when one row of the state falls through 0, shape (m,), and the states then, (7, m)."""
    each = np.arange(who.size)

    def states(times: FloatArray) -> FloatArray:
        return np.asarray(dense(times).reshape(7, n, who.size)[:, who, each])

    low, high = low_s, np.full(who.size, high_s)
    before, now = low, high
    f_before, f_now = states(low)[row], states(high)[row]
    # Secant steps kept within the bracket: over one step of the solver these curves are nearly
    # straight, so four or five rounds do.
    for _ in range(60):
        slope = (f_now - f_before) / np.where(now == before, 1.0, now - before)
        ahead = now - f_now / np.where(slope == 0, -1.0, slope)
        ahead = np.where((ahead > low) & (ahead < high), ahead, (low + high) / 2)
        ahead = np.where(np.abs(f_now) < _AT_ZERO, now, ahead)
        found = states(ahead)
        before, f_before, now, f_now = now, f_now, ahead, found[row]
        if np.abs(f_now).max() < _AT_ZERO:
            break
        low, high = np.where(f_now > 0, now, low), np.where(f_now > 0, high, now)
    return now, found
