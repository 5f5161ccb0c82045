"""Does a set grade: measured static lies, lofts and lengths, from the longest club to the shortest.

Lie should rise evenly as clubs get shorter, with no club off the line of the others, no two clubs
doing the same job and no gap where a club is missing. Everything is judged against the set itself;
the trade's usual progressions serve only where a set is too small to have a line of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from analysis.answers import NoAnswerError
from analysis.gradation.findings import find
from analysis.gradation.types import (
    ClubOnLine,
    Gradation,
    GradationRules,
    GradationStep,
    LieLine,
    LiePoint,
    StaticClub,
    u_lie,
)
from analysis.lie.set_types import LENGTH_STEP_MM
from analysis.statistics.estimation import huber_location
from analysis.statistics.robust_line import robust_line


def gradation(clubs: Sequence[StaticClub], rules: GradationRules | None = None) -> Gradation:
    """Judge how the static lies, lofts and lengths of a set grade.

    Parameters
    ----------
    clubs : sequence of StaticClub
        At least one, labels all different. Put in order here: by loft if every club has one, else
        by length if every club has one, else as given (longest first).
    rules : GradationRules, optional
        Uncertainties and limits.

    Returns
    -------
    Gradation

    Raises
    ------
    NoAnswerError
        No club at all.
    ValueError
        Two clubs of the same label.

    Notes
    -----
    Lies follow a robust line along length (`analysis.statistics.robust_line`); each club is
    judged against the line of the others. It is a fault only if it exceeds the tolerance and what
    the measuring itself may have done, with the limit raised for the number of clubs looked at
    (Sidak). A step that one club off the line already explains is not reported again.
    """
    rules = rules or GradationRules()
    if not clubs:
        raise NoAnswerError("no club to grade: measure at least one")
    if len({club.label for club in clubs}) != len(clubs):
        raise ValueError("two clubs of the set have the same label")
    ordered = _in_order(clubs)
    one_length = is_one_length(ordered, rules)
    line = lie_line(lie_points(ordered, rules), one_length, rules)
    steps = tuple(_step(a, b, line, one_length, rules) for a, b in pairwise(ordered))
    return Gradation(
        order=tuple(club.label for club in ordered),
        is_one_length=one_length,
        line=line,
        steps=steps,
        findings=find(ordered, line, steps, one_length, rules),
    )


def is_one_length(clubs: Sequence[StaticClub], rules: GradationRules) -> bool:
    """Say whether all clubs, two at least and all measured, are of one length.

    Parameters
    ----------
    clubs : sequence of StaticClub
        In any order.
    rules : GradationRules
        ``one_length_mm`` is how far their lengths may differ.
    """
    lengths = [club.length_mm for club in clubs if club.length_mm is not None]
    if len(lengths) < max(len(clubs), 2):
        return False
    return max(lengths) - min(lengths) <= rules.one_length_mm


def _in_order(clubs: Sequence[StaticClub]) -> list[StaticClub]:
    lofts = [club.loft_deg for club in clubs if club.loft_deg is not None]
    if len(lofts) == len(clubs):
        return [c for _, c in sorted(zip(lofts, clubs, strict=True), key=lambda pair: pair[0])]
    lengths = [club.length_mm for club in clubs if club.length_mm is not None]
    if len(lengths) == len(clubs):
        return [c for _, c in sorted(zip(lengths, clubs, strict=True), key=lambda pair: -pair[0])]
    return list(clubs)


def lie_points(clubs: Sequence[StaticClub], rules: GradationRules) -> list[LiePoint]:
    """Pick the clubs of which both length and lie are measured.

    Parameters
    ----------
    clubs : sequence of StaticClub
        In any order.
    rules : GradationRules
        Uncertainty of lies that bring none of their own.
    """
    return [
        LiePoint(club.label, club.length_mm, club.lie_deg, u_lie(club, rules))
        for club in clubs
        if club.length_mm is not None and club.lie_deg is not None
    ]


def lie_line(points: Sequence[LiePoint], one_length: bool, rules: GradationRules) -> LieLine | None:
    """Fit the line of lie along length; None of fewer than 3 points (2 of one length).

    Parameters
    ----------
    points : sequence of LiePoint
        In any order.
    one_length : bool
        Whether all are of one length: then the line is their common level.
    rules : GradationRules
        Uncertainty of the lengths.
    """
    if one_length:
        return _level(points)
    try:
        fit = robust_line(
            [p.length_mm for p in points],
            [p.lie_deg for p in points],
            u_y=[p.u_deg for p in points],
        )
    except NoAnswerError:
        return None
    return LieLine(
        deg_per_step=-fit.slope * LENGTH_STEP_MM,
        u_deg_per_step=fit.u_slope * LENGTH_STEP_MM,
        middle_mm=fit.middle_x,
        middle_deg=fit.middle_y,
        u_middle_deg=fit.u_middle_y,
        clubs=tuple(
            ClubOnLine(
                label=point.label,
                line_deg=fit.at(point.length_mm)[0],
                off_deg=float(fit.off[i]),
                # A length read wrong moves the club along the line.
                u_off_deg=math.hypot(float(fit.u_off[i]), fit.slope * rules.u_length_mm),
                weight=float(fit.weight[i]),
            )
            for i, point in enumerate(points)
        ),
    )


def _level(points: Sequence[LiePoint]) -> LieLine | None:
    """Level of a set of one length, each club against the others."""
    if len(points) < 2:
        return None
    lies = [point.lie_deg for point in points]
    typical = median(point.u_deg for point in points)
    level = huber_location(lies, scale=typical)[0]
    rows = []
    for i, point in enumerate(points):
        others = lies[:i] + lies[i + 1 :]
        off = point.lie_deg - huber_location(others, scale=typical)[0]
        u_off = math.hypot(point.u_deg, typical / math.sqrt(len(others)))
        away = abs(point.lie_deg - level)
        # Huber's weight, with the pull of `huber_location`.
        weight = 1.0 if away <= 1.5 * typical else 1.5 * typical / away
        rows.append(ClubOnLine(point.label, level, off, u_off, weight))
    return LieLine(
        deg_per_step=0.0,
        u_deg_per_step=0.0,
        middle_mm=median(point.length_mm for point in points),
        middle_deg=level,
        u_middle_deg=typical / math.sqrt(len(points)),
        clubs=tuple(rows),
    )


def _step(
    first: StaticClub,
    second: StaticClub,
    line: LieLine | None,
    one_length: bool,
    rules: GradationRules,
) -> GradationStep:
    def change(a: float | None, b: float | None) -> float | None:
        return None if a is None or b is None else b - a

    length = change(first.length_mm, second.length_mm)
    lie = change(first.lie_deg, second.lie_deg)
    expected = None
    if line is not None and length is not None:
        expected = 0.0 if one_length else -line.deg_per_step * length / LENGTH_STEP_MM
    return GradationStep(
        first=first.label,
        second=second.label,
        length_mm=length,
        lie_deg=lie,
        u_lie_deg=None if lie is None else math.hypot(u_lie(first, rules), u_lie(second, rules)),
        expected_lie_deg=expected,
        loft_deg=change(first.loft_deg, second.loft_deg),
    )
