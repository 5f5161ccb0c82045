"""Radius of a sole's heel-to-toe arc, from rocking the head on the board at known angles.

The head is rocked through a few degrees; at each stop a digital inclinometer gives the angle and
the board (or a mark) the contact. ``toe_mm = -R * tan(angle - zero)`` (`conventions`), so the
contacts against the tangent are a straight line: its slope is -R, and where it crosses 0 is the
angle at which the sole stands on its middle.

When the sole rolls without slipping, its middle stays where it was on the board up to the third
order of the angle (0.005 mm at 3 degrees and R = 300 mm), so a contact seen on the board is turned
into toe_mm by one `conventions.toe_from_board` with the place of the middle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray
from analysis.statistics.budget import coverage_factor
from analysis.statistics.lines import Line, ordinary_line, york_line

FEWEST_POINTS = 4
# Half of one step of a common inclinometer, 0.1 degree, spread evenly (GUM 4.3.7).
DEFAULT_RESOLUTION_DEG = 0.1
# Beyond this the default radius with its wide doubt is as good as the measurement.
_WORST_RELATIVE_U = 0.25
# Under this spread in units of the angle's own doubt, the fit sees the inclinometer more than the
# sole: at 3 the slope of an ordinary fit would be 10 % low.
_LEAST_SPREAD = 3.0
_SIGNIFICANT = 0.05


@dataclass(frozen=True, slots=True)
class SoleShape:
    """Whether one radius describes the sole over the angles that were tried.

    Attributes
    ----------
    p : float or None
        Chance of as much curvature in the line from scatter alone (F test of a square and a cubic
        term together); None when there are too few different angles to ask.
    worst_deg : float or None
        Greatest distance of the curved fit from the straight one within the series, degrees of lie.
    circular : bool or None
        False when `p` is under 0.05, None when not asked.
    words : str
        One sentence for a person.
    """

    p: float | None
    worst_deg: float | None
    circular: bool | None
    words: str


@dataclass(frozen=True, slots=True)
class MeasuredCamber:
    """A measured sole.

    Attributes
    ----------
    camber_mm, u_camber_mm : float
        Radius R and its standard uncertainty.
    zero_deg, u_zero_deg : float
        Inclinometer angle at which the sole touches at its middle, and its standard uncertainty
        with everything that is common to the whole series.
    covariance_mm_deg : float
        Covariance of the two.
    residual_sd_mm : float
        Scatter of the contacts about the line.
    dof : int
        Degrees of freedom, n - 2; kept even when the scatter was given.
    points : int
        Number of points.
    shape : SoleShape
        The circle test.
    remarks : tuple of str
        Sentences about what is odd in the series; empty as a rule.
    """

    camber_mm: float
    u_camber_mm: float
    zero_deg: float
    u_zero_deg: float
    covariance_mm_deg: float
    residual_sd_mm: float
    dof: int
    points: int
    shape: SoleShape
    remarks: tuple[str, ...]

    def interval_mm(self, level: float = 0.90) -> tuple[float, float]:
        """Interval of the radius at ``level``, mm (Student's t on `dof`)."""
        half = coverage_factor(self.dof, level) * self.u_camber_mm
        return self.camber_mm - half, self.camber_mm + half

    def lie_error_deg(self, toe_mm: float) -> tuple[float, float]:
        """Lie error of a contact, and the part of its standard uncertainty that R causes."""
        square = self.camber_mm**2 + toe_mm**2
        error = math.degrees(math.atan(-toe_mm / self.camber_mm))
        return error, math.degrees(abs(toe_mm) * self.u_camber_mm / square)


def _clean(angle_deg: ArrayLike, toe_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
    angle = np.asarray(angle_deg, dtype=np.float64)
    toe = np.asarray(toe_mm, dtype=np.float64)
    if angle.ndim != 1 or angle.shape != toe.shape:
        raise ValueError("a rocking series needs one contact for each angle")
    if not (np.all(np.isfinite(angle)) and np.all(np.isfinite(toe))):
        raise ValueError("a rocking series needs finite numbers only")
    if angle.size < FEWEST_POINTS:
        raise NoAnswerError(
            f"rock the head at {FEWEST_POINTS} angles or more: there are {angle.size}"
        )
    if np.unique(angle).size < 3:
        raise NoAnswerError("rock the head at 3 different angles or more, spread over some degrees")
    if np.ptp(angle) > 40:
        raise NoAnswerError("the angles span over 40 degrees: they are not one rocking series")
    return angle, toe


def _line(tangent: FloatArray, toe: FloatArray, u_tangent: float, u_toe: float | None) -> Line:
    """York's line; contacts of unknown scatter get what the residuals leave beside the angles."""
    if u_toe is not None:
        line = york_line(tangent, toe, u_tangent, u_toe)
        return line.widened(max(1.0, math.sqrt(line.chi2 / line.dof)))
    plain = ordinary_line(tangent, toe)
    left = plain.residual_sd**2 - (plain.slope * u_tangent) ** 2
    # Less scatter than the inclinometer's step alone explains: then the angles carry it all, and
    # the contacts get a small share so that the fit stays defined.
    smallest = 0.1 * abs(plain.slope) * u_tangent + 1e-9
    line = york_line(tangent, toe, u_tangent, math.sqrt(max(left, smallest**2)))
    return line.widened(max(1.0, math.sqrt(line.chi2 / line.dof)))


def fit_camber(
    angle_deg: ArrayLike,
    toe_mm: ArrayLike,
    *,
    resolution_deg: float = DEFAULT_RESOLUTION_DEG,
    u_angle_deg: float = 0.0,
    u_toe_mm: float | None = None,
    u_level_deg: float = 0.0,
    u_middle_mm: float = 0.0,
) -> MeasuredCamber:
    """Radius and zero of a sole from a rocking series.

    Parameters
    ----------
    angle_deg : array_like
        Shape (n,), n >= 4. Inclinometer reading, positive = more upright (toe up). Any zero: the
        reading may be of the shaft (about 60) or of a level laid on the head.
    toe_mm : array_like
        Shape (n,). Contact along the sole, mm, positive toward the toe.
    resolution_deg : float
        One step of the inclinometer's display; its standard uncertainty is step / sqrt(12).
    u_angle_deg : float
        Further standard uncertainty of each single angle.
    u_toe_mm : float, optional
        Standard uncertainty of each contact. Left out, it is taken from the scatter.
    u_level_deg : float
        Common to all angles: how well board and inclinometer agree on level.
    u_middle_mm : float
        Common to all contacts: how well the place of the sole's middle is known.

    Returns
    -------
    MeasuredCamber
        With errors in both axes considered (`lines.york_line`), widened by the root of chi2 per
        degree of freedom where the points scatter more than they were said to (common practice).

    Raises
    ------
    NoAnswerError
        Fewer than 4 points or 3 different angles; too little spread against the inclinometer; the
        contact did not move with the angle, moved the wrong way, or so loosely that the standard
        uncertainty of R exceeds a quarter of R.
    ValueError
        Lengths differ, numbers not finite, an uncertainty negative.
    """
    angle, toe = _clean(angle_deg, toe_mm)
    if min(resolution_deg, u_angle_deg, u_level_deg, u_middle_mm) < 0:
        raise ValueError("uncertainties must not be negative")
    if u_toe_mm is not None and not u_toe_mm > 0:
        raise ValueError("u_toe_mm must be positive; leave it out if it is not known")
    u_angle = math.hypot(resolution_deg / math.sqrt(12.0), u_angle_deg)
    if float(np.std(angle, ddof=1)) < _LEAST_SPREAD * u_angle:
        raise NoAnswerError(
            "the angles hardly differ against what the inclinometer resolves: rock the head further"
        )

    zero = float(np.median(angle))
    for _ in range(50):
        tangent = np.tan(np.radians(angle - zero))
        # d tan = sec^2 d angle: 0.3 % at 3 degrees, so one value does for all.
        line = _line(tangent, toe, math.radians(u_angle), u_toe_mm)
        _moved_with_angle(line)
        # Near the zero the line's crossing moves the zero by itself: a few rounds settle it.
        shift = math.degrees(math.atan(-line.intercept / line.slope))
        zero += shift
        if abs(shift) < 1e-12:
            break
    tangent = np.tan(np.radians(angle - zero))
    line = _line(tangent, toe, math.radians(u_angle), u_toe_mm)

    radius, u_radius = -line.slope, line.u_slope
    if u_radius > _WORST_RELATIVE_U * radius:
        raise NoAnswerError(
            f"the contact follows the angle too loosely: the radius would be {radius:.0f} mm give "
            f"or take {100 * u_radius / radius:.0f} %; take more points over a wider range"
        )
    # The intercept a moves the zero by a / R radians.
    per_mm = math.degrees(1.0 / radius)
    u_zero = math.hypot(per_mm * line.u_intercept, u_level_deg, per_mm * u_middle_mm)
    return MeasuredCamber(
        camber_mm=radius,
        u_camber_mm=u_radius,
        zero_deg=zero,
        u_zero_deg=u_zero,
        covariance_mm_deg=-per_mm * line.covariance,
        residual_sd_mm=line.residual_sd,
        dof=line.dof,
        points=int(angle.size),
        shape=sole_shape(tangent, toe, line),
        remarks=_remarks(radius, angle, zero),
    )


def _moved_with_angle(line: Line) -> None:
    if abs(line.slope) < 3.0 * line.u_slope:
        raise NoAnswerError(
            "the contact did not move with the angle: rock the head further, or check that the "
            "contacts belong to these angles"
        )
    if line.slope > 0:
        raise NoAnswerError(
            "the contact moved toward the toe as the head was tilted upright: check the sign of "
            "the angles and the player's hand"
        )


def _remarks(radius: float, angle: FloatArray, zero: float) -> tuple[str, ...]:
    remarks = []
    # 200 to 365 mm covers what is met (common practice, no source); twice that either way is odd.
    if not 100.0 <= radius <= 730.0:
        remarks.append(
            f"a radius of {radius:.0f} mm is unusual: check that contacts are in mm and angles "
            "in degrees"
        )
    if not float(angle.min()) <= zero <= float(angle.max()):
        remarks.append(
            "the sole's middle never touched in this series: its zero is an extrapolation, rock "
            "the head to both sides of it"
        )
    return tuple(remarks)


def sole_shape(tangent: ArrayLike, toe_mm: ArrayLike, line: Line) -> SoleShape:
    """Test whether the contacts bend away from a straight line (the sole is no circle).

    A square term means that the two sides differ; a cubic one that middle and ends differ. Both are
    added to the line and tested together by F on (2, n - 4) degrees of freedom (Draper and Smith,
    Applied Regression Analysis: the extra sum of squares).

    Parameters
    ----------
    tangent : array_like
        Shape (n,). ``tan(angle - zero)``.
    toe_mm : array_like
        Shape (n,). Contacts, mm.
    line : Line
        The straight fit; only its slope is used, to turn mm into degrees.

    Returns
    -------
    SoleShape
        With fewer than 6 points or 5 different angles it says that it was not asked.
    """
    x = np.asarray(tangent, dtype=np.float64)
    y = np.asarray(toe_mm, dtype=np.float64)
    if x.size < 6 or np.unique(np.round(x, 6)).size < 5:
        return SoleShape(
            None,
            None,
            None,
            "Too few different angles to see whether the sole is a circle: take 6 or more.",
        )
    scale = float(np.max(np.abs(x)))
    powers = np.vander(x / scale, 4, increasing=True)
    straight, curved = powers[:, :2], powers
    flat_fit = straight @ np.linalg.lstsq(straight, y, rcond=None)[0]
    solution = np.linalg.lstsq(curved, y, rcond=None)[0]
    curved_fit = curved @ solution
    left_flat = float(np.sum((y - flat_fit) ** 2))
    left_curved = float(np.sum((y - curved_fit) ** 2))
    dof = x.size - 4
    worst = math.degrees(float(np.max(np.abs(curved_fit - flat_fit))) / abs(line.slope))
    # Numbers that lie on the line to rounding carry no test.
    if left_flat <= 1e-20 * float(np.sum(y**2)):
        return SoleShape(1.0, worst, True, "The contacts lie on one line: one radius fits.")
    variance = left_curved / dof
    excess = max(left_flat - left_curved, 0.0) / 2.0
    p = float(fdtrc(2, dof, excess / variance)) if variance > 0 else 0.0
    if p >= _SIGNIFICANT:
        return SoleShape(
            p,
            worst,
            True,
            f"One radius fits over this range (chance of this bend from scatter: {p:.2f}).",
        )
    spread = np.sqrt(variance * np.diag(np.linalg.inv(curved.T @ curved)))
    square, cube = (
        abs(float(solution[k])) / float(spread[k]) if spread[k] > 0 else math.inf for k in (2, 3)
    )
    # The toe side is where the tangent is negative; local radius = -dy/dx.
    if square >= cube:
        side = "toe" if solution[2] > 0 else "heel"
        what = f"it is flatter toward the {side}"
    else:
        what = (
            "it is rounder in the middle than at its ends"
            if solution[3] < 0
            else "it is flatter in the middle than at its ends"
        )
    return SoleShape(
        p,
        worst,
        False,
        f"The sole is not one circle: {what}; one radius is wrong by up to {worst:.2f} degrees "
        "within this range.",
    )
