"""Front to back: how much more or less bounce a club shows than its middle, and what loft does.

Across the sole the same arc holds as along it, with a smaller radius r: a contact ``trail_mm``
behind the middle belongs to a sole that is tilted by ``atan(trail / r)``. Toward the trailing edge
= too much effective bounce, toward the leading edge = too little. One degree of loft is one degree
of bounce: bent strong takes bounce away, bent weak adds it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.special import stdtr

from analysis.answers import NoAnswerError
from analysis.statistics.contact_mean import ContactMean
from analysis.statistics.estimation import Interval

# Soles are met with radii of 30 to 80 mm front to back; not measured = all of that evenly likely.
RADIUS_RANGE_MM = (30.0, 80.0)
_RADII = 26
# Same place in the tails of the contact and of the radius: points of the mixture's grid.
_GRID = 2001


class SoleKind(Enum):
    """Kinds of sole, by how much bounce they forgive. Common practice, no source."""

    IRON = "iron"
    WEDGE = "wedge"

    @property
    def tolerance_deg(self) -> float:
        """Difference either way that is left alone.

        A wedge is opened and laid back by more than its bounce is off, on sand and on turf.
        """
        return 2.0 if self is SoleKind.IRON else 4.0


class BounceVerdict(Enum):
    """What the sole shows."""

    FITS = "fits"
    TOO_MUCH = "too much bounce"
    TOO_LITTLE = "too little bounce"
    NOT_SETTLED = "not settled"


@dataclass(frozen=True, slots=True)
class BounceReading:
    """Effective bounce of one club against its sole's middle."""

    bounce_error_deg: float
    """Positive = too much effective bounce."""
    u_deg: float
    interval_deg: Interval
    verdict: BounceVerdict
    p_too_much: float
    p_too_little: float
    """Probabilities to lie beyond the tolerance."""
    words: str


@dataclass(frozen=True, slots=True)
class LoftBend:
    """What a bend of the loft does to the bounce."""

    loft_change_deg: float
    """Positive = weaker."""
    loft_after_deg: float | None
    bounce_after_deg: float | None
    contact_shift_mm: float
    """Expected move of the contact, positive toward the trailing edge, and its uncertainty."""
    u_contact_shift_mm: float
    words: str


def bounce_error(
    trail: ContactMean,
    *,
    kind: SoleKind = SoleKind.IRON,
    radius_mm: float | None = None,
    u_radius_mm: float = 0.0,
    confidence: float = 0.90,
) -> BounceReading:
    """Effective bounce off mid-sole, from where the sole touched front to back.

    Parameters
    ----------
    trail : ContactMean
        Of ``trail_mm``, at least two strikes.
    kind : SoleKind
        Its tolerance.
    radius_mm, u_radius_mm : float
        Radius of the sole from leading to trailing edge, if measured.
    confidence : float
        Of the interval, and of the verdict.

    Returns
    -------
    BounceReading

    Raises
    ------
    NoAnswerError
        Fewer than two usable strikes.
    ValueError
        A radius that is not positive.

    Notes
    -----
    The radius enters as a factor, so its doubt makes the distribution skew; it is summed over
    radii, Student's t for the contact at each (our derivation).
    """
    if trail.mean_mm is None or trail.u_mm is None or trail.dof is None:
        raise NoAnswerError("the bounce needs at least two strikes seen front to back: hit more")
    if radius_mm is not None and not (radius_mm > 0 and u_radius_mm >= 0):
        raise ValueError("the sole's radius must be positive, its uncertainty not negative")
    if not 0 < confidence < 1:
        raise ValueError("confidence must lie within 0 and 1")
    if radius_mm is None:
        low, high = RADIUS_RANGE_MM
        radii = low + (np.arange(_RADII) + 0.5) * (high - low) / _RADII
        share = np.full(_RADII, 1 / _RADII)
    else:
        nodes, share = np.polynomial.hermite_e.hermegauss(9)
        radii = np.maximum(radius_mm + u_radius_mm * nodes, 0.1 * radius_mm)
        share = share / share.sum()
    mean, u, dof = trail.mean_mm, max(trail.u_mm, 1e-9), trail.dof

    each = np.degrees(np.arctan(mean / radii))
    slope = np.degrees(radii / (radii**2 + mean**2))
    middle = float(share @ each)
    widen = dof / (dof - 2) if dof > 2.5 else 5.0
    spread = math.sqrt(float(share @ ((slope * u) ** 2 * widen + (each - middle) ** 2)))
    reach = 12 * spread
    grid = np.linspace(middle - reach, middle + reach, _GRID)
    # Below a bounce of g: contact below r tan(g).
    inside = np.clip(grid, -89.0, 89.0)
    place = radii[:, None] * np.tan(np.radians(inside))
    below = share @ stdtr(min(dof, 1e8), (place - mean) / u)

    def under(value: float) -> float:
        return float(np.interp(value, grid, below, 0.0, 1.0))

    tails = np.interp([(1 - confidence) / 2, (1 + confidence) / 2], below, grid)
    tolerance = kind.tolerance_deg
    too_much, too_little = 1 - under(tolerance), under(-tolerance)
    interval = Interval(float(tails[0]), float(tails[1]), confidence)
    if too_much >= confidence:
        verdict = BounceVerdict.TOO_MUCH
    elif too_little >= confidence:
        verdict = BounceVerdict.TOO_LITTLE
    elif too_much + too_little <= 1 - confidence:
        verdict = BounceVerdict.FITS
    else:
        verdict = BounceVerdict.NOT_SETTLED
    return BounceReading(
        middle, spread, interval, verdict, too_much, too_little,
        _words(middle, interval, verdict, kind, mean),
    )  # fmt: skip


def _words(
    middle: float, interval: Interval, verdict: BounceVerdict, kind: SoleKind, trail_mm: float
) -> str:
    edge = "trailing edge" if trail_mm > 0 else "leading edge"
    found = (
        f"{abs(trail_mm):.1f} mm toward the {edge}: about {abs(middle):.1f}° "
        f"{'more' if middle > 0 else 'less'} bounce than its middle "
        f"({100 * interval.confidence:.0f} % {interval.low:+.1f} to {interval.high:+.1f}°)"
    )
    tolerance = f"{kind.tolerance_deg:g}° either way are left alone on this {kind.value}"
    if verdict is BounceVerdict.FITS:
        return f"{found}; {tolerance}"
    if verdict is BounceVerdict.NOT_SETTLED:
        return f"{found}; not settled, {tolerance}: hit more, or measure the sole's radius"
    if verdict is BounceVerdict.TOO_MUCH:
        return (
            f"{found}: too much. Loft bent weak or the shaft leaning back does this; bending it "
            "strong takes bounce away, degree for degree, and changes the carry"
        )
    return (
        f"{found}: too little. Loft bent strong or much forward lean does this; bending it weak "
        "adds bounce, degree for degree, and changes the carry"
    )


def loft_bend(
    loft_change_deg: float,
    *,
    loft_deg: float | None = None,
    bounce_deg: float | None = None,
    radius_mm: float | None = None,
    u_radius_mm: float = 0.0,
    contact_mm: float = 0.0,
) -> LoftBend:
    """Tell what bending the loft does to the bounce and to the contact front to back.

    Parameters
    ----------
    loft_change_deg : float
        Positive = weaker.
    loft_deg, bounce_deg : float, optional
        Before the bend.
    radius_mm, u_radius_mm : float
        Of the sole from leading to trailing edge, if measured.
    contact_mm : float
        Mean contact now, positive toward the trailing edge.

    Raises
    ------
    ValueError
        Not a number, or a radius that is not positive.
    """
    if not (math.isfinite(loft_change_deg) and math.isfinite(contact_mm)):
        raise ValueError("the change of loft is not a number")
    low, high = RADIUS_RANGE_MM
    radius = (low + high) / 2 if radius_mm is None else radius_mm
    if not radius > 0:
        raise ValueError("the sole's radius must be positive")
    u_radius = (high - low) / math.sqrt(12) if radius_mm is None else u_radius_mm
    now = math.atan(contact_mm / radius)
    shift = radius * math.tan(now + math.radians(loft_change_deg)) - contact_mm
    u_shift = abs(u_radius * math.tan(math.radians(loft_change_deg)))
    loft_after = None if loft_deg is None else loft_deg + loft_change_deg
    bounce_after = None if bounce_deg is None else bounce_deg + loft_change_deg
    if loft_change_deg == 0:
        return LoftBend(0.0, loft_after, bounce_after, 0.0, 0.0, "the loft stays as it is")
    way, bounce, edge = "strong", "less", "leading"
    if loft_change_deg > 0:
        way, bounce, edge = "weak", "more", "trailing"
    words = (
        f"{abs(loft_change_deg):g}° {way} is {abs(loft_change_deg):g}° {bounce} bounce: the "
        f"contact moves about {abs(shift):.1f} mm toward the {edge} edge"
    )
    if bounce_after is not None:
        words += f", bounce {bounce_deg:g}° becomes {bounce_after:g}°"
        if bounce_after < 0:
            words += " and the leading edge digs: do not play it so"
    return LoftBend(loft_change_deg, loft_after, bounce_after, shift, u_shift, words)
