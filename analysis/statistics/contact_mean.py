"""Where one club's sole meets the strip, how sure that is, and what to call it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike

from analysis.statistics.budget import coverage_factor
from analysis.statistics.estimation import (
    EVERY_SWING,
    Interval,
    RobustMean,
    robust_mean,
    stein_sample_size,
)

# A strip of 4 mm cells and an eye on a rubbed mark both place a contact to about half a millimetre
# at best. Common practice, no source.
RESOLUTION_MM = 0.5

# A value is called a mishit when it is at least this probable; the mean does not depend on it.
CALL_MISHIT = 0.8

# Two swings leave the spread open by a factor of twenty: no verdict. Five are the usual first
# look at a club. Common practice, no source.
FEWEST_SWINGS = 3
FIRST_LOOK = 5

# Nobody hits one club more often than this in a session to settle a bend. Common practice.
MOST_MORE_SWINGS = 30


class Axis(Enum):
    """Which way along the sole a contact is measured; values are (negative, positive) words."""

    HEEL_TOE = ("heel", "toe")
    FRONT_BACK = ("leading edge", "trailing edge")


class ContactVerdict(Enum):
    """Where a club's contact lies against where it is wanted."""

    CENTRED = "centred"
    TOE_DEEP = "toe-deep"
    HEEL_DEEP = "heel-deep"
    LEADING_EDGE_DEEP = "leading-edge deep"
    TRAILING_EDGE_DEEP = "trailing-edge deep"
    NOT_SETTLED = "not settled"

    @property
    def is_sided(self) -> bool:
        """Whether it says that the contact is off to one side."""
        return self not in (ContactVerdict.CENTRED, ContactVerdict.NOT_SETTLED)


_SIDED = {
    Axis.HEEL_TOE: (ContactVerdict.HEEL_DEEP, ContactVerdict.TOE_DEEP),
    Axis.FRONT_BACK: (ContactVerdict.LEADING_EDGE_DEEP, ContactVerdict.TRAILING_EDGE_DEEP),
}


@dataclass(frozen=True, slots=True)
class SetAside:
    """A value that the mean does not, or hardly, follow."""

    index: int
    """Place in the values as they were given."""
    value_mm: float
    reason: str


@dataclass(frozen=True, slots=True)
class ContactMean:
    """Robust mean of one club's contacts along one axis.

    With no usable value every number is None; with one only ``mean_mm`` is known.
    """

    axis: Axis
    n_used: int
    set_aside: tuple[SetAside, ...]
    mean_mm: float | None
    u_mm: float | None
    """Standard uncertainty of the mean, with ``dof`` degrees of freedom."""
    dof: float | None
    interval_mm: Interval | None
    spread_mm: float | None
    """Standard deviation of single swings, mishits left out."""
    spread_interval_mm: Interval | None


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with what it rests on."""

    verdict: ContactVerdict
    more_swings: int | None
    """0 when settled; at most `MOST_MORE_SWINGS`; None when more swings alone cannot settle it."""
    words: str


def contact_mean(
    values_mm: ArrayLike,
    *,
    axis: Axis = Axis.HEEL_TOE,
    confidence: float = 0.90,
    resolution_mm: float = RESOLUTION_MM,
) -> ContactMean:
    """Robust mean and spread of one club's contacts.

    Parameters
    ----------
    values_mm : array_like, shape (n,)
        toe_mm or trail_mm of the strikes, n >= 0. NaN and infinite values are set aside.
    axis : Axis
        Only for words.
    confidence : float
        Of both intervals.
    resolution_mm : float
        Smallest step that the values can show, > 0 (1 for marks read to the millimetre).

    Returns
    -------
    ContactMean

    Raises
    ------
    ValueError
        If ``confidence`` or ``resolution_mm`` is out of range.

    Notes
    -----
    The model is `analysis.statistics.estimation.robust_mean`. Mishits are weighed down by it,
    smoothly; the list ``set_aside`` names those that are mishits with a probability over
    `CALL_MISHIT`.
    """
    if not 0 < confidence < 1:
        raise ValueError("confidence must lie within 0 and 1")
    if not resolution_mm > 0:
        raise ValueError("resolution_mm must be positive")
    values = np.asarray(values_mm, dtype=np.float64).reshape(-1)
    sound = np.flatnonzero(np.isfinite(values))
    aside = [
        SetAside(int(i), float(values[i]), "not a number")
        for i in np.flatnonzero(~np.isfinite(values))
    ]
    if sound.size < 2:
        return ContactMean(
            axis=axis,
            n_used=int(sound.size),
            set_aside=tuple(aside),
            mean_mm=float(values[sound[0]]) if sound.size else None,
            u_mm=None,
            dof=None,
            interval_mm=None,
            spread_mm=None,
            spread_interval_mm=None,
        )
    fit = robust_mean(values[sound], confidence=confidence, resolution=resolution_mm)
    for i, p in zip(sound, fit.p_stray, strict=True):
        if p > CALL_MISHIT:
            aside.append(SetAside(int(i), float(values[i]), _mishit(values[i], fit, axis)))
    return ContactMean(
        axis=axis,
        n_used=int(values.size) - len(aside),
        set_aside=tuple(sorted(aside, key=lambda a: a.index)),
        mean_mm=fit.estimate,
        u_mm=fit.u,
        dof=fit.dof,
        interval_mm=fit.interval,
        spread_mm=fit.spread,
        spread_interval_mm=fit.spread_interval,
    )


def judge(
    mean: ContactMean,
    *,
    wanted_mm: float = 0.0,
    tolerance_mm: float,
    u_level_mm: float = 0.0,
    sided_confidence: float = EVERY_SWING,
) -> Judgement:
    """Say whether a club's contact is where it is wanted.

    Parameters
    ----------
    mean : ContactMean
        From `contact_mean`.
    wanted_mm : float
        Place on the sole that is aimed for, same axis.
    tolerance_mm : float
        Allowed distance either way, mm, > 0 (`tolerance_mm` turns degrees into it).
    u_level_mm : float
        Standard uncertainty, common to all swings, of where the sole's middle passed. It widens the
        interval, and no number of swings takes it away.
    sided_confidence : float
        Of the interval that has to leave out the wanted place. The default allows for a look after
        every swing; the mean's own confidence will do for a number of swings fixed beforehand.

    Returns
    -------
    Judgement
        CENTRED if the mean's interval lies within the tolerance; to one side if the interval at
        ``sided_confidence`` leaves out the wanted place and the mean lies outside the tolerance;
        else NOT_SETTLED.

    Raises
    ------
    ValueError
        If the tolerance is not positive or the uncertainty negative.
    """
    if not tolerance_mm > 0:
        raise ValueError("tolerance_mm must be positive")
    if not (u_level_mm >= 0 and math.isfinite(wanted_mm)):
        raise ValueError("wanted_mm must be finite and u_level_mm cannot be negative")
    mid, plain, dof = mean.mean_mm, mean.interval_mm, mean.dof
    if mid is None or plain is None or dof is None or mean.n_used < FEWEST_SWINGS:
        return _too_few(mean)
    off = mid - wanted_mm
    confidence = plain.confidence
    interval = _widened(mid, plain, dof, confidence, u_level_mm)
    where = _where(mean, mid, wanted_mm, interval)
    if abs(interval.low - wanted_mm) <= tolerance_mm >= abs(interval.high - wanted_mm):
        return Judgement(ContactVerdict.CENTRED, 0, f"centred: {where}")
    sure = _widened(mid, plain, dof, max(sided_confidence, confidence), u_level_mm)
    if abs(off) > tolerance_mm and not sure.low <= wanted_mm <= sure.high:
        verdict = _SIDED[mean.axis][1 if off > 0 else 0]
        return Judgement(verdict, 0, f"{verdict.value}: {where}")
    if abs(off) > tolerance_mm:
        more = _more_swings(mean, abs(off), sure.confidence, u_level_mm)
    else:
        more = _more_swings(mean, tolerance_mm - abs(off), confidence, u_level_mm)
    return Judgement(ContactVerdict.NOT_SETTLED, more, f"not settled: {where}; {_advice(more)}")


def _widened(
    mid: float, plain: Interval, dof: float, confidence: float, u_level_mm: float
) -> Interval:
    """Interval at another confidence, with the level's uncertainty in it."""
    stretch = coverage_factor(dof, confidence) / coverage_factor(dof, plain.confidence)
    level_mm = coverage_factor(math.inf, confidence) * u_level_mm
    return Interval(
        mid - math.hypot(stretch * (mid - plain.low), level_mm),
        mid + math.hypot(stretch * (plain.high - mid), level_mm),
        confidence,
    )


def tolerance_mm(tolerance_deg: float, radius_mm: float) -> float:
    """Distance on the sole that a lie (or bounce) tolerance makes on an arc of this radius, mm.

    ``R * tan(tolerance)``, as in `analysis.conventions`.
    """
    return radius_mm * math.tan(math.radians(tolerance_deg))


def _more_swings(
    mean: ContactMean, half_width: float, confidence: float, u_level_mm: float
) -> int | None:
    """Stein's second-stage size for the half-width that would settle it, less what is there."""
    level_mm = coverage_factor(math.inf, confidence) * u_level_mm
    left = half_width**2 - level_mm**2
    if left <= 0:
        return None if level_mm > 0 else MOST_MORE_SWINGS
    if mean.n_used < FIRST_LOOK or mean.spread_mm is None or mean.dof is None:
        # A pilot of three or four says little of the spread: finish the first look, then count.
        return max(FIRST_LOOK - mean.n_used, 1)
    size = stein_sample_size(mean.spread_mm, mean.dof, math.sqrt(left), confidence=confidence)
    return min(max(size - mean.n_used, 1), MOST_MORE_SWINGS)


def _too_few(mean: ContactMean) -> Judgement:
    more = FIRST_LOOK - mean.n_used
    had = {0: "no swing", 1: "one swing"}.get(mean.n_used, f"{mean.n_used} swings")
    words = f"not settled: {had} so far says nothing of the scatter; hit {more} more"
    return Judgement(ContactVerdict.NOT_SETTLED, more, words)


def _advice(more: int | None) -> str:
    if more is None:
        return (
            "more swings will not settle it: where the sole's middle passed is not known well "
            "enough; read a few marks off the sole"
        )
    if more >= MOST_MORE_SWINGS:
        return f"{MOST_MORE_SWINGS} more swings or over: it lies at the edge of the tolerance"
    return f"about {more} more {'swing' if more == 1 else 'swings'} would tell"


def _side(mm: float, axis: Axis) -> str:
    return f"{abs(mm):.1f} mm toward the {axis.value[1 if mm > 0 else 0]}"


def _where(mean: ContactMean, mean_mm: float, wanted_mm: float, interval: Interval) -> str:
    wanted = f" (wanted {_side(wanted_mm, mean.axis)})" if wanted_mm else ""
    return (
        f"{_side(mean_mm, mean.axis)}{wanted}, {100 * interval.confidence:.0f} % between "
        f"{interval.low:+.1f} and {interval.high:+.1f} mm, {mean.n_used} swings"
    )


def _mishit(value: float, fit: RobustMean, axis: Axis) -> str:
    away = value - fit.estimate
    return (
        f"{_side(away, axis)} of the others, {abs(away) / fit.spread:.1f} times their spread: "
        "a mishit"
    )
