"""After a bend: whether it did what was said, and how far a degree moves this head's contact.

The contact of a club moves by ``-R (tan(e + b) - tan(e))``. Two sessions of the same club with a
bend between them therefore measure R, the sole's radius, once more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from analysis.answers import NoAnswerError
from analysis.conventions import NORMAL_90, FloatArray
from analysis.lie.club import SoleArc

# Contacts of one club wander from day to day by about a degree's quarter even with nothing changed
# (setup, shoes, turf). Common practice, no source.
U_DAY_DEG = 0.25
_RADII = 401


@dataclass(frozen=True, slots=True)
class Bent:
    """One bend of a head between two sessions."""

    before_mm: float
    """Mean contact before, positive toward the toe, and its standard uncertainty."""
    u_before_mm: float
    after_mm: float
    u_after_mm: float
    bend_deg: float
    """As measured on the machine, positive = more upright."""
    u_bend_deg: float = 0.25

    def __post_init__(self) -> None:
        if not (self.u_before_mm >= 0 and self.u_after_mm >= 0 and self.u_bend_deg >= 0):
            raise ValueError("uncertainties cannot be negative")
        if not all(map(math.isfinite, (self.before_mm, self.after_mm, self.bend_deg))):
            raise ValueError("contacts and bend must be numbers")


@dataclass(frozen=True, slots=True)
class Learned:
    """What the bends say of the head."""

    sole: SoleArc
    """Radius with everything taken in."""
    mm_per_deg: float
    """How far the contact moves per degree, without sign, and its uncertainty."""
    u_mm_per_deg: float
    predicted_mm: tuple[float, ...]
    """Move of the contact that was to be expected of each bend, from what was known before any."""
    u_predicted_mm: tuple[float, ...]
    found_mm: tuple[float, ...]
    p_surprise: tuple[float, ...]
    """Chance of a difference at least as great from the doubt alone, two-sided: small = the bend,
    the head or the swing is not what was thought."""
    words: str


def learn_from_bends(
    bends: Sequence[Bent], sole: SoleArc, *, u_day_deg: float = U_DAY_DEG
) -> Learned:
    """Update a head's radius by what its bends did.

    Parameters
    ----------
    bends : sequence of Bent
        At least one, none of 0 degrees.
    sole : SoleArc
        What was known of the radius.
    u_day_deg : float
        Standard deviation of the lie error of one club from session to session with nothing
        changed.

    Returns
    -------
    Learned

    Raises
    ------
    NoAnswerError
        No bend, or one of 0 degrees.
    ValueError
        A radius that is not positive.

    Notes
    -----
    Bayes on a grid of radii, prior normal and cut off at 50 mm; the move is normal with the
    uncertainties of both contacts, the bend and both days (our derivation). Several bends of one
    head are taken as independent.
    """
    if not bends or any(bend.bend_deg == 0 for bend in bends):
        raise NoAnswerError("to learn from a bend there must have been one")
    if not (sole.camber_mm > 0 and u_day_deg >= 0):
        raise ValueError("the sole's radius must be positive, u_day_deg not negative")
    u_radius = max(sole.u_camber_mm, 1e-6)
    low, high = max(50.0, sole.camber_mm - 5 * u_radius), sole.camber_mm + 5 * u_radius
    radius = np.linspace(min(low, sole.camber_mm), high, _RADII)
    log = -0.5 * ((radius - sole.camber_mm) / u_radius) ** 2
    predicted, u_predicted, found, surprise = [], [], [], []
    for bend in bends:
        move, sd = _move(bend, radius, u_day_deg)
        seen = bend.after_mm - bend.before_mm
        log = log - 0.5 * ((seen - move) / sd) ** 2 - np.log(sd)
        at, at_sd = _move(bend, np.array([sole.camber_mm]), u_day_deg)
        by_radius = u_radius / sole.camber_mm * float(at[0])
        u = math.hypot(float(at_sd[0]), by_radius)
        predicted.append(float(at[0]))
        u_predicted.append(u)
        found.append(seen)
        surprise.append(2 * float(ndtr(-abs(seen - float(at[0])) / max(u, 1e-9))))
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    middle = float(weight @ radius)
    u_middle = math.sqrt(float(weight @ (radius - middle) ** 2))
    per, u_per = math.radians(1) * middle, math.radians(1) * u_middle
    learned = SoleArc(middle, u_middle, measured=True)
    words = (
        f"one degree moves the contact of this head by {per:.1f} ± {NORMAL_90 * u_per:.1f} mm "
        f"(before: {math.radians(1) * sole.camber_mm:.1f} "
        f"± {NORMAL_90 * math.radians(1) * u_radius:.1f})"
    )
    worst = min(range(len(bends)), key=lambda k: surprise[k])
    if surprise[worst] < 0.02:
        words += (
            f"; the bend of {bends[worst].bend_deg:+g}° moved it by {found[worst]:+.1f} mm where "
            f"{predicted[worst]:+.1f} ± {NORMAL_90 * u_predicted[worst]:.1f} were to be expected: "
            "measure lie and loft again"
        )
    return Learned(
        learned, per, u_per, tuple(predicted), tuple(u_predicted), tuple(found), tuple(surprise),
        words,
    )  # fmt: skip


def _move(bend: Bent, radius: FloatArray, u_day_deg: float) -> tuple[FloatArray, FloatArray]:
    """Return the expected move of the contact for each radius, and its standard uncertainty."""
    error = np.arctan(-bend.before_mm / radius)
    after = error + math.radians(bend.bend_deg)
    move = -radius * (np.tan(after) - np.tan(error))
    # Bend and the day's wandering turn the club by angles: mm per radian is R / cos^2.
    turn = radius / np.cos(after) ** 2
    angle = math.radians(math.hypot(bend.u_bend_deg, math.sqrt(2) * u_day_deg))
    read = math.hypot(bend.u_before_mm, bend.u_after_mm)
    return np.asarray(move), np.asarray(np.sqrt((turn * angle) ** 2 + read**2))
