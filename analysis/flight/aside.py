"""What a lie error does to the ball: face direction, start, curve, and metres aside at carry.

A club delivered too upright turns its face toward the heel side by the exact angle of
`analysis.conventions.face_azimuth_deg`; the ball starts part of the way there and its spin axis
leans by about the lie error, so it also curves. How far that is at carry comes from the impact of
`analysis.flight.launch` and the flight of `analysis.flight.trajectory`. It is a model of a
club-golfer's usual delivery, good to about a fifth.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analysis.conventions import FloatArray, Hand, face_azimuth_deg
from analysis.flight.launch import Delivery, head_mass_kg, head_speed_m_s, impact
from analysis.flight.trajectory import Launch, fly


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
