"""Signs, frames and units: written here once, used everywhere.

Inside the program lengths are millimetres, angles degrees, times seconds, forces newtons. Inches
exist only at the edge.

board_mm
    Position along the strip. 0 at the strip's middle, positive where the toe points when the board
    is laid for a right-hander.
toe_mm
    Where the sole touched, along the sole. 0 at the middle of the sole (middle of the score lines),
    positive toward the toe.
trail_mm
    Front to back on the sole. 0 at mid-sole, positive toward the trailing edge.
lie_error_deg
    Positive = delivered too upright (toe in the air, heel digs).
bend_deg
    Positive = bend more upright. A centred sole needs ``bend_deg = -lie_error_deg``.

Toe contact = too flat for this swing = needs upright = a right-hander's ball tends to the right.
"""

from __future__ import annotations

import math
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# A usual club, a middle iron, where one was not measured. Common practice, no source.
USUAL_LIE_DEG = 62.0
USUAL_LENGTH_MM = 940.0
USUAL_SOLE_MM = 78.0
"""From heel to toe, ground-off ends included."""
GRIP_MM = 100.0
"""From the end of the club to the middle of the hands."""
WEDGE_LOFT_DEG = 44.0
"""From this loft on clubs are wedges: another family of soles, often all of one length."""

NORMAL_90 = 1.645
"""Standard uncertainties in half of a 90 % interval of a normal distribution."""


class Hand(Enum):
    """Which side the player stands on."""

    RIGHT = "right"
    LEFT = "left"

    @property
    def toe_sign(self) -> int:
        """+1 if the toe points to positive board_mm, -1 for a left-hander."""
        return 1 if self is Hand.RIGHT else -1

    @property
    def toe_miss(self) -> str:
        """Side of the target the ball tends to when the toe end touches."""
        return "right" if self is Hand.RIGHT else "left"

    @property
    def heel_miss(self) -> str:
        """Side of the target the ball tends to when the heel end touches."""
        return "left" if self is Hand.RIGHT else "right"


def lie_word(degrees: float) -> str:
    """Direction of a lie error or a bend: ``upright`` if positive, else ``flat``."""
    return "upright" if degrees > 0 else "flat"


def toe_from_board(board_mm: ArrayLike, hand: Hand, sole_middle_mm: ArrayLike = 0.0) -> FloatArray:
    """Place on the sole of a contact seen on the board.

    Parameters
    ----------
    board_mm : array_like
        Position along the strip, mm.
    hand : Hand
        The only place where handedness enters.
    sole_middle_mm : array_like
        Where on the board the middle of the sole passed over, mm (board frame).

    Returns
    -------
    ndarray
        toe_mm, broadcast shape of the inputs.
    """
    board = np.asarray(board_mm, dtype=np.float64)
    return np.asarray(hand.toe_sign * (board - np.asarray(sole_middle_mm, dtype=np.float64)))


def lie_error_from_toe(toe_mm: ArrayLike, camber_mm: ArrayLike) -> FloatArray:
    """Lie error that puts the lowest point of a circular sole at ``toe_mm``.

    ``toe_mm = -R * tan(lie_error)`` (our definition: the sole's profile is the parabola u^2/2R,
    whose lowest point under slope tan(e) is at -R tan(e); a true circle gives R sin(e), which
    differs by 0.02 % at 1 degree).

    Parameters
    ----------
    toe_mm : array_like
        Contact along the sole, mm, positive toward the toe.
    camber_mm : array_like
        Radius R of the sole's heel-to-toe arc, mm, > 0.

    Returns
    -------
    ndarray
        lie_error_deg; NaN in, NaN out.

    Raises
    ------
    ValueError
        If any radius is not positive.
    """
    radius = np.asarray(camber_mm, dtype=np.float64)
    if np.any(radius <= 0):
        raise ValueError("camber must be a positive radius in mm")
    return np.asarray(np.degrees(np.arctan(-np.asarray(toe_mm, dtype=np.float64) / radius)))


def toe_from_lie_error(lie_error_deg: ArrayLike, camber_mm: ArrayLike) -> FloatArray:
    """Inverse of `lie_error_from_toe`: where a sole with this lie error touches, mm."""
    radius = np.asarray(camber_mm, dtype=np.float64)
    if np.any(radius <= 0):
        raise ValueError("camber must be a positive radius in mm")
    return np.asarray(-radius * np.tan(np.radians(np.asarray(lie_error_deg, dtype=np.float64))))


def cell_middles_mm(cells: int, pitch_mm: float) -> FloatArray:
    """Middles of a row's cells in the board frame, shape (cells,), mm."""
    return np.asarray((np.arange(cells) - (cells - 1) / 2) * pitch_mm, dtype=np.float64)


def face_azimuth_deg(loft_deg: ArrayLike, lie_error_deg: ArrayLike) -> FloatArray:
    """Direction of the face off the target line caused by a lie error, degrees.

    Exact for a square leading edge rotated about the target line: ``atan(tan(loft) * sin(e))``
    (derivation: face normal (cos L, 0, sin L) turned about the target axis). Positive = toward the
    heel side, i.e. left of target for a right-hander when the club is too upright.
    """
    loft = np.radians(np.asarray(loft_deg, dtype=np.float64))
    error = np.radians(np.asarray(lie_error_deg, dtype=np.float64))
    return np.asarray(np.degrees(np.arctan(np.tan(loft) * np.sin(error))))


def stance_lie_error_deg(stance_mm: float, hands_mm: float, lie_deg: float) -> float:
    """How much too upright a club reads when the feet stand ``stance_mm`` lower than the board.

    The hands come down with the feet while the sole stays at the board's height:
    ``s / (Lh * cos(lie))`` in radians (small-angle form of a shaft of length Lh from sole to hands
    at this lie; our definition).

    Parameters
    ----------
    stance_mm : float
        Positive = feet lower than the board's surface.
    hands_mm : float
        From the sole to the hands along the club, mm, > 0.
    lie_deg : float
        Static lie of the club, degrees.
    """
    return math.degrees(stance_mm / (hands_mm * math.cos(math.radians(lie_deg))))


def sure_words(probability: float) -> str:
    """Write how sure something is: nothing that was measured is 100 % or 0 % so."""
    if probability > 0.995:
        return "more than 99 %"
    return "less than 1 %" if probability < 0.005 else f"{100 * probability:.0f} %"
