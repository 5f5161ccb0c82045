"""What a lie error does to the ball: face direction, start, curve, and metres aside at carry.

A club delivered too upright turns its face toward the heel side by the exact angle of
`analysis.conventions.face_azimuth_deg`; the ball starts part of the way there and its spin axis
leans by about the lie error, so it also curves. How far that is at carry comes from the impact of
`analysis.launch` and the flight of `analysis.flight`. It is a model: every figure carries the doubt
of what was not measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.aero import Aerodynamics, Air
from analysis.budget import Budget, Contribution, combine
from analysis.conventions import FloatArray, Hand, face_azimuth_deg
from analysis.flight import Launch, fly
from analysis.launch import PIVOT_HEAD_KG, Delivery, head_mass_kg, head_speed_m_s, impact

# The ball starts at 75 to 85 % of the face's direction, less with lofted irons (Penner, Rep. Prog.
# Phys. 66 (2003) 131-171, from memory). The impact model gives the share; this is its doubt, that
# range taken as evenly likely. Where the model leaves the range, the distance is doubt as well.
START_SHARE_RANGE = (0.75, 0.85)
_U_START_SHARE = (START_SHARE_RANGE[1] - START_SHARE_RANGE[0]) / math.sqrt(12)

# The spin axis leans by 0.83 to 0.93 of the lie error if the leading edge is brought back square,
# by 0.99 to 1.07 if the swing stays as it was, lofts 20 to 56 degrees (our derivation,
# tests/shot/test_launch.py). It is taken as evenly likely within 0.15 of 1.
_U_TILT_SHARE = 0.15 / math.sqrt(3)

# How far the fit differs from a second wind tunnel, Bearman and Harvey (1976), over the square root
# of 2, since either may be the wrong one (tests/shot/test_aero.py).
_U_DRAG_SHARE = 0.10
_U_LIFT_SHARE = 0.12

# Head speed guessed from the length, and measured. Common practice, no source.
_U_SPEED_GUESSED_M_S = 4.0
_U_SPEED_MEASURED_M_S = 1.0

# Beyond this the metres are no longer in proportion to within 1.5 %, and no club is bent so far.
MOST_LIE_ERROR_DEG = 6.0

_PARTS = ("delivered loft", "attack angle", "head speed", "restitution", "spin", "drag", "lift")


@dataclass(frozen=True, slots=True)
class MetresPerDegree:
    """Metres aside at carry for each degree of lie error of one club; positive = right of target.

    A right-hander's club that is too upright sends the ball left: ``value_m`` is negative for
    right-handers and positive for left-handers.
    """

    hand: Hand
    value_m: float
    u_m: float
    """Standard uncertainty."""
    start_m: float
    """Part of ``value_m`` along a straight line in the direction of the start."""
    curve_m: float
    """The rest: the curve in the air away from that line."""
    face_deg: float
    """Direction of the face for one degree too upright, positive = right."""
    start_deg: float
    """Direction in which the ball starts then."""
    start_share: float
    carry_m: float
    ball_speed_m_s: float
    launch_deg: float
    spin_rpm: float
    head_speed_m_s: float
    speed_is_measured: bool
    budget: Budget

    @property
    def parts_m(self) -> Mapping[str, float]:
        """Standard uncertainty by cause, metres per degree, largest first."""
        return {line.contribution.name: line.u_result for line in self.budget.lines}

    @property
    def words(self) -> str:
        """One plain sentence for a person."""
        side = "right" if self.value_m > 0 else "left"
        speed = "measured" if self.speed_is_measured else "guessed from the club's length"
        return (
            f"1° too upright: {abs(self.value_m):.1f} ± {self.u_m:.1f} m {side} at "
            f"{self.carry_m:.0f} m carry (standard uncertainty; head speed {speed})"
        )

    def side_m(self, lie_error_deg: float, u_lie_error_deg: float = 0.0) -> tuple[float, float]:
        """Metres aside at carry, positive = right, and their standard uncertainty.

        Parameters
        ----------
        lie_error_deg, u_lie_error_deg : float
            Positive = too upright; with its standard uncertainty >= 0.

        Returns
        -------
        side_m, u_m : float
            In proportion to the lie error, which holds to 1.5 % up to `MOST_LIE_ERROR_DEG`.

        Raises
        ------
        ValueError
            Not finite, uncertainty negative, or beyond `MOST_LIE_ERROR_DEG`.
        """
        if not (abs(lie_error_deg) <= MOST_LIE_ERROR_DEG and u_lie_error_deg >= 0):
            raise ValueError(f"a lie error lies within ±{MOST_LIE_ERROR_DEG:g}°, its doubt >= 0")
        u = math.hypot(lie_error_deg * self.u_m, u_lie_error_deg * self.value_m)
        return self.value_m * lie_error_deg, u


def face_direction_deg(loft_deg: ArrayLike, lie_error_deg: ArrayLike, hand: Hand) -> FloatArray:
    """Direction of the face caused by a lie error.

    Parameters
    ----------
    loft_deg, lie_error_deg : array_like
        Loft with which the face turns, and lie error, positive = too upright; broadcast together.
    hand : Hand
        Of the player.

    Returns
    -------
    ndarray
        Degrees, positive = right of target: `analysis.conventions.face_azimuth_deg` (exact), with
        the side that the hand gives it.
    """
    return np.asarray(-hand.toe_sign * face_azimuth_deg(loft_deg, lie_error_deg))


def metres_per_degree(
    loft_deg: float,
    *,
    hand: Hand,
    length_mm: float | None = None,
    speed_m_s: float | None = None,
    u_speed_m_s: float | None = None,
    delivery: Delivery | None = None,
    air: Air | None = None,
    aerodynamics: Aerodynamics | None = None,
) -> MetresPerDegree:
    """How far aside a ball lands for each degree of lie error.

    Parameters
    ----------
    loft_deg : float
        The club's own loft, 10 to 70 degrees.
    hand : Hand
        Of the player.
    length_mm : float, optional
        Of the club, 700 to 1300. Gives the head's mass and, without ``speed_m_s``, its speed.
    speed_m_s : float, optional
        Head speed with this club, 10 to 70.
    u_speed_m_s : float, optional
        Its standard uncertainty: 1 m/s if not given, 4 m/s for a speed guessed from the length.
    delivery : Delivery, optional
        How the player delivers the club.
    air, aerodynamics : optional
        As `analysis.flight.fly`.

    Returns
    -------
    MetresPerDegree

    Raises
    ------
    ValueError
        Neither length nor speed, or one out of range.

    Notes
    -----
    The face turns with a loft that lies between the loft delivered and the club's own. Turned about
    the target line at impact, the leading edge square, the loft that counts is the delivered one;
    with the swing kept as it is, hands ahead, it is nearly the club's own. The middle is taken, all
    in between evenly likely (JCGM 100:2008, 4.3.7). With ``Delivery(loft_share=1)`` both are the
    club's own loft.

    Uncertainties are propagated to first order (JCGM 100:2008, 5.1.2), with central differences
    over one standard uncertainty, all flights at once.
    """
    plan = _plan(loft_deg, length_mm, speed_m_s, u_speed_m_s, delivery or Delivery())
    blow = impact(
        plan.loft, plan.attack, plan.speed, head_kg=plan.head_kg, restitution=plan.restitution
    )
    # The last flight has an axis that does not lean: what the start alone does.
    face = face_direction_deg((loft_deg + plan.loft) / 2, 1.0, hand)
    tilt = np.full(plan.loft.size, -float(hand.toe_sign))
    tilt[-1] = 0.0
    start = blow.start_share * face
    spin = blow.spin_rpm * plan.spin
    landing = fly(
        Launch(blow.ball_speed_m_s, blow.launch_deg, spin, start, tilt),
        air=air,
        aerodynamics=aerodynamics,
        drag_factor=plan.drag,
        lift_factor=plan.lift,
    )
    side = landing.side_m
    value, by_start = float(side[0]), float(side[-1])
    share = float(blow.start_share[0])
    low, high = START_SHARE_RANGE
    beyond = max(low - share, share - high, 0.0)
    u_share = math.hypot(_U_START_SHARE, beyond / math.sqrt(3))
    face_loft = (loft_deg + float(plan.loft[0])) / 2
    u_face_loft = abs(loft_deg - float(plan.loft[0])) / math.sqrt(12)
    # d ln(tan L) / dL = 2 / sin(2 L): the start follows the face in proportion.
    per_loft = by_start * 2 / math.sin(2 * math.radians(face_loft)) * math.pi / 180
    contributions = [
        Contribution("face loft", u_face_loft, "deg", per_loft),
        Contribution("start share", u_share, "", by_start / share),
        Contribution("spin axis", _U_TILT_SHARE, "deg", value - by_start),
    ]
    for row, (name, u, unit) in enumerate(plan.parts):
        change = float(side[1 + 2 * row] - side[2 + 2 * row]) / 2
        contributions.append(Contribution(name, u, unit, change / u if u > 0 else 0.0))
    total = combine(contributions, reading=value)
    start_m = float(landing.carry_m[0]) * math.tan(math.radians(float(start[0])))
    return MetresPerDegree(
        hand=hand,
        value_m=value,
        u_m=total.u,
        start_m=start_m,
        curve_m=value - start_m,
        face_deg=float(face[0]),
        start_deg=float(start[0]),
        start_share=share,
        carry_m=float(landing.carry_m[0]),
        ball_speed_m_s=float(blow.ball_speed_m_s[0]),
        launch_deg=float(blow.launch_deg[0]),
        spin_rpm=float(spin[0]),
        head_speed_m_s=float(plan.speed[0]),
        speed_is_measured=speed_m_s is not None,
        budget=total,
    )


def metres_aside(loft_deg: ArrayLike, length_mm: ArrayLike, *, hand: Hand) -> FloatArray:
    """Metres aside per degree of lie error for many clubs at once, without their doubt.

    Parameters
    ----------
    loft_deg, length_mm : array_like
        Shape (n,), as for `metres_per_degree`, whose values these are.
    hand : Hand
        Of the player.

    Returns
    -------
    ndarray
        Shape (n,), metres at carry per degree too upright, positive = right of the target.

    Raises
    ------
    ValueError
        A loft or a length out of range.

    Notes
    -----
    One flight each, all together: an eighth of the time that the doubts take as well.
    """
    plans = [
        _plan(float(loft), float(length), None, None, Delivery())
        for loft, length in zip(np.ravel(loft_deg), np.ravel(length_mm), strict=True)
    ]
    if not plans:
        return np.zeros(0)
    delivered, attack, speed, restitution, spin = (
        np.array([getattr(plan, name)[0] for plan in plans])
        for name in ("loft", "attack", "speed", "restitution", "spin")
    )
    heads = np.array([plan.head_kg for plan in plans])
    blow = impact(delivered, attack, speed, head_kg=heads, restitution=restitution)
    face = face_direction_deg((np.ravel(loft_deg) + delivered) / 2, 1.0, hand)
    tilt = np.full(len(plans), -float(hand.toe_sign))
    launch = Launch(
        blow.ball_speed_m_s,
        blow.launch_deg,
        blow.spin_rpm * spin,
        blow.start_share * face,
        tilt,
    )
    return np.asarray(fly(launch).side_m)


@dataclass(frozen=True, slots=True)
class _Plan:
    """Inputs of all flights: as they are, each part plus and minus its u, and as they are again."""

    loft: FloatArray
    attack: FloatArray
    speed: FloatArray
    restitution: FloatArray
    spin: FloatArray
    drag: FloatArray
    lift: FloatArray
    head_kg: float
    parts: tuple[tuple[str, float, str], ...]


def _plan(
    loft_deg: float,
    length_mm: float | None,
    speed_m_s: float | None,
    u_speed_m_s: float | None,
    delivery: Delivery,
) -> _Plan:
    if not 10 <= loft_deg <= 70:
        raise ValueError(f"a loft of {loft_deg:g}° is not an iron's: 10 to 70° are")
    if length_mm is not None and not 700 <= length_mm <= 1300:
        raise ValueError(f"a length of {length_mm:g} mm is not a club's: 700 to 1300 mm are")
    if speed_m_s is None:
        if length_mm is None:
            raise ValueError("give the club's length, or the head speed")
        speed_m_s = head_speed_m_s(length_mm)
        u_speed = _U_SPEED_GUESSED_M_S if u_speed_m_s is None else u_speed_m_s
    else:
        u_speed = _U_SPEED_MEASURED_M_S if u_speed_m_s is None else u_speed_m_s
    if not 10 <= speed_m_s <= 70 or not 0 <= u_speed < speed_m_s / 2:
        raise ValueError("a head speed lies within 10 and 70 m/s, its doubt under half of it")
    middle = (
        loft_deg * delivery.loft_share,
        delivery.attack_deg,
        speed_m_s,
        delivery.restitution,
        delivery.spin_factor,
        1.0,
        1.0,
    )
    doubts = (
        loft_deg * delivery.u_loft_share,
        delivery.u_attack_deg,
        u_speed,
        delivery.u_restitution,
        delivery.u_spin_factor * delivery.spin_factor,
        _U_DRAG_SHARE,
        _U_LIFT_SHARE,
    )
    table = np.repeat(np.array(middle)[:, None], 2 * len(middle) + 2, axis=1)
    for row, u in enumerate(doubts):
        table[row, 1 + 2 * row] += u
        table[row, 2 + 2 * row] -= u
    units = ("deg", "deg", "m/s", "", "", "", "")
    loft, attack, speed, restitution, spin, drag, lift = table
    return _Plan(
        loft=loft,
        attack=attack,
        speed=speed,
        restitution=restitution,
        spin=spin,
        drag=drag,
        lift=lift,
        head_kg=PIVOT_HEAD_KG if length_mm is None else head_mass_kg(length_mm),
        parts=tuple(zip(_PARTS, doubts, units, strict=True)),
    )
