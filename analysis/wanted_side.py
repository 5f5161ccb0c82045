"""A wish in metres right or left, as the contact on the sole that brings it, and back."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.answers import NoAnswerError
from analysis.conventions import lie_error_from_toe, toe_from_lie_error
from analysis.shot import MOST_LIE_ERROR_DEG, MetresPerDegree


@dataclass(frozen=True, slots=True)
class WantedContact:
    """A wish in metres, as the lie error and the place on the sole that bring it."""

    side_m: float
    """As wished, positive = right."""
    lie_error_deg: float
    u_lie_error_deg: float
    toe_mm: float
    """Where the sole should touch, positive toward the toe."""
    u_toe_mm: float
    words: str


def wanted_contact(
    side_m: float, per_degree: MetresPerDegree, *, camber_mm: float, u_camber_mm: float = 0.0
) -> WantedContact:
    """Lie error and contact that send the ball a wished distance aside at carry.

    Parameters
    ----------
    side_m : float
        Metres, positive = right of target.
    per_degree : MetresPerDegree
        Of this club and player.
    camber_mm, u_camber_mm : float
        Radius of the sole heel to toe, > 0, with its standard uncertainty >= 0.

    Returns
    -------
    WantedContact

    Raises
    ------
    NoAnswerError
        The wish takes more than `MOST_LIE_ERROR_DEG` of lie.
    ValueError
        ``side_m`` not finite, radius not positive or its uncertainty negative.
    """
    if not math.isfinite(side_m) or not u_camber_mm >= 0:
        raise ValueError("side_m must be finite and u_camber_mm cannot be negative")
    lie = side_m / per_degree.value_m
    if abs(lie) > MOST_LIE_ERROR_DEG:
        raise NoAnswerError(
            f"{abs(side_m):g} m aside takes {abs(lie):.1f}° of lie, more than any bend gives: "
            f"ask for {MOST_LIE_ERROR_DEG * abs(per_degree.value_m):.0f} m at most"
        )
    u_lie = abs(lie) * per_degree.u_m / abs(per_degree.value_m)
    toe = float(toe_from_lie_error(lie, camber_mm))
    per_lie = camber_mm * math.radians(1.0) / math.cos(math.radians(lie)) ** 2
    u_toe = math.hypot(per_lie * u_lie, toe / camber_mm * u_camber_mm)
    if side_m == 0:
        words = "straight: contact in the middle of the sole"
    else:
        words = (
            f"{abs(side_m):g} m {'right' if side_m > 0 else 'left'}: {abs(lie):.1f} ± {u_lie:.1f}° "
            f"too {'upright' if lie > 0 else 'flat'}, contact {abs(toe):.1f} ± {u_toe:.1f} mm "
            f"toward the {'heel' if toe < 0 else 'toe'}"
        )
    return WantedContact(side_m, lie + 0.0, u_lie, toe + 0.0, u_toe, words)


def side_of_contact_m(
    toe_mm: float, per_degree: MetresPerDegree, *, camber_mm: float
) -> tuple[float, float]:
    """Metres aside that a contact on the sole stands for: the inverse of `wanted_contact`.

    Parameters
    ----------
    toe_mm : float
        Contact, positive toward the toe.
    per_degree : MetresPerDegree
        Of this club and player.
    camber_mm : float
        Radius of the sole, > 0.

    Returns
    -------
    side_m, u_m : float
        Positive = right; the uncertainty of ``per_degree`` alone.

    Raises
    ------
    ValueError
        Radius not positive, or the lie error beyond `MOST_LIE_ERROR_DEG`.
    """
    return per_degree.side_m(float(lie_error_from_toe(toe_mm, camber_mm)))
