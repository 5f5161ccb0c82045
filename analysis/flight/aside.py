"""What a lie error does to the ball: face direction, start, curve, and metres aside at carry.

A club delivered too upright turns its face toward the heel side by the exact angle of
`analysis.conventions.face_azimuth_deg`; the ball starts part of the way there and its spin axis
leans by about the lie error, so it also curves. How far that is at carry comes from the impact of
`analysis.flight.aside` and the flight of `analysis.flight.trajectory`. It is a model of a
club-golfer's usual delivery, good to about a fifth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.conventions import USUAL_LENGTH_MM, FloatArray, Hand, face_azimuth_deg
from analysis.flight.trajectory import BALL_DIAMETER_M, BALL_MASS_KG, Launch, fly

# A uniform sphere: moment of inertia 2/5 m r^2, so mass times radius squared over it is 5/2.
_SPHERE = 2.5

# A club-golfer's 7-iron of `USUAL_LENGTH_MM`: head speed, head mass. Common practice, no source.
PIVOT_SPEED_M_S = 35.0
PIVOT_HEAD_KG = 0.270
# A club half an inch longer is swung about 1 m/s faster, and its head is 7 g lighter.
_SPEED_POWER = 1.8
_HEAD_KG_PER_MM = -0.007 / 12.7


@dataclass(frozen=True, slots=True)
class Delivery:
    """How a player brings a club to the ball. All defaults: common practice, no source."""

    loft_share: float = 0.84
    """Loft at impact over the club's own loft: hands ahead of the ball take loft off."""
    attack_deg: float = -3.5
    """Path of the head against the horizontal, negative = downward."""
    restitution: float = 0.78
    """Coefficient of restitution of ball against iron, less where it is struck off-centre."""

    def __post_init__(self) -> None:
        if not (0.3 < self.loft_share <= 1.2 and abs(self.attack_deg) < 20):
            raise ValueError("loft_share lies within 0.3 and 1.2, attack_deg within -20 and 20")
        if not 0 < self.restitution <= 1:
            raise ValueError("restitution lies within 0 and 1")


@dataclass(frozen=True, slots=True)
class Impact:
    """What a centred, straight blow gives; all shape of the inputs."""

    ball_speed_m_s: FloatArray
    launch_deg: FloatArray
    spin_rpm: FloatArray
    start_share: FloatArray
    """How far the start follows the face to the side: 1 = all the way, 0 = along the path."""


def head_speed_m_s(length_mm: float) -> float:
    """Head speed of a club-golfer with a club of this length, m/s.

    Parameters
    ----------
    length_mm : float
        Whole length of the club, > 0.

    Returns
    -------
    float
        35 m/s at 940 mm, as the 1.8th power of the length (about 1 m/s per half inch). Common
        practice, no source; players differ by 4 m/s and more, so a measured speed is always better.
    """
    return PIVOT_SPEED_M_S * float((length_mm / USUAL_LENGTH_MM) ** _SPEED_POWER)


def head_mass_kg(length_mm: float) -> float:
    """Usual mass of an iron head for a club of this length, kg.

    Parameters
    ----------
    length_mm : float
        Whole length of the club.

    Returns
    -------
    float
        270 g at 940 mm, 7 g less per half inch longer. Common practice, no source.
    """
    return PIVOT_HEAD_KG + _HEAD_KG_PER_MM * (length_mm - USUAL_LENGTH_MM)


def impact(
    delivered_loft_deg: ArrayLike,
    attack_deg: ArrayLike,
    head_speed: ArrayLike,
    *,
    head_kg: ArrayLike = PIVOT_HEAD_KG,
    restitution: ArrayLike = 0.78,
    spin_factor: ArrayLike = 1.0,
) -> Impact:
    """Ball speed, launch, spin and start share of a centred blow.

    Parameters
    ----------
    delivered_loft_deg : array_like
        Loft of the face at impact, against the vertical.
    attack_deg : array_like
        Path of the head against the horizontal, negative = downward.
    head_speed : array_like
        m/s, > 0.
    head_kg, restitution, spin_factor : array_like
        Mass of the head; coefficient of restitution; factor on the rolling ball's spin.

    Returns
    -------
    Impact

    Raises
    ------
    ValueError
        Speed, mass or restitution not positive, or loft plus downward path outside 0 .. 80 degrees.

    Notes
    -----
    With q = ball mass / head mass, and s the angle between path and face normal: across the face
    the ball leaves with ``V cos(s) (1 + e) / (1 + q)``, along it with ``V sin(s) / (1 + q + 5/2)``,
    turning at ``5/2`` of the latter over the radius (rolling at the end of contact). As vectors,
    with path p and normal n, ``v = V ((a - b) (p.n) n + b p)``, a and b the two fractions; turning
    n a little to the side turns v by the share ``(a - b) cos(s) cos(L) / (b cos(attack) + (a - b)
    cos(s) cos(L))`` of it.
    """
    loft, attack = np.radians(delivered_loft_deg), np.radians(attack_deg)
    speed, head = np.asarray(head_speed, np.float64), np.asarray(head_kg, np.float64)
    bounce = np.asarray(restitution, np.float64)
    spin_loft = loft - attack
    if not (np.all(speed > 0) and np.all(head > 0) and np.all(bounce > 0)):
        raise ValueError("head speed, head mass and restitution must be positive")
    if not (np.all(spin_loft > 0) and np.all(spin_loft < math.radians(80))):
        raise ValueError("loft at impact less the attack angle must lie within 0 and 80 degrees")
    ratio = BALL_MASS_KG / head
    across = (1 + bounce) / (1 + ratio)
    along = 1 / (1 + ratio + _SPHERE)
    cos_s, sin_s = np.cos(spin_loft), np.sin(spin_loft)
    off_normal = np.arctan2(along * sin_s, across * cos_s)
    spin = _SPHERE * along * speed * sin_s / (BALL_DIAMETER_M / 2)
    follows = (across - along) * cos_s * np.cos(loft)
    return Impact(
        ball_speed_m_s=speed * np.hypot(across * cos_s, along * sin_s),
        launch_deg=np.asarray(np.degrees(loft - off_normal)),
        spin_rpm=np.asarray(spin * spin_factor * (30 / math.pi)),
        start_share=np.asarray(follows / (along * np.cos(attack) + follows)),
    )


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


def metres_aside(loft_deg: ArrayLike, length_mm: ArrayLike, *, hand: Hand) -> FloatArray:
    """Metres aside per degree of lie error for many clubs at once.

    Parameters
    ----------
    loft_deg : array_like
        Shape (n,), the clubs' own lofts, 10 to 70 degrees.
    length_mm : array_like
        Shape (n,), 700 to 1300. Gives the head's mass and its speed.
    hand : Hand
        Of the player.

    Returns
    -------
    ndarray
        Shape (n,), metres at carry per degree too upright, positive = right of the target: negative
        for right-handers, positive for left-handers. In proportion to 1.5 % up to 6 degrees.

    Raises
    ------
    ValueError
        A loft or a length out of range.

    Notes
    -----
    The face turns with a loft that lies between the loft delivered and the club's own. Turned about
    the target line at impact, the leading edge square, the loft that counts is the delivered one;
    with the swing kept as it is, hands ahead, it is nearly the club's own. The middle is taken.
    """
    lofts, lengths = np.ravel(loft_deg), np.ravel(length_mm)
    for loft, length in zip(lofts, lengths, strict=True):
        if not 10 <= loft <= 70:
            raise ValueError(f"a loft of {loft:g}° is not an iron's: 10 to 70° are")
        if not 700 <= length <= 1300:
            raise ValueError(f"a length of {length:g} mm is not a club's: 700 to 1300 mm are")
    if not lofts.size:
        return np.zeros(0)
    delivery = Delivery()
    delivered = lofts * delivery.loft_share
    speed = np.array([head_speed_m_s(float(length)) for length in lengths])
    heads = np.array([head_mass_kg(float(length)) for length in lengths])
    blow = impact(
        delivered, delivery.attack_deg, speed, head_kg=heads, restitution=delivery.restitution
    )
    face = face_direction_deg((lofts + delivered) / 2, 1.0, hand)
    tilt = np.full(lofts.size, -float(hand.toe_sign))
    launch = Launch(
        blow.ball_speed_m_s, blow.launch_deg, blow.spin_rpm, blow.start_share * face, tilt
    )
    return np.asarray(fly(launch).side_m)
