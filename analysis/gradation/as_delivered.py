"""Static gradation and delivered gradation side by side: is a club off, or the swing with it.

The lie error that the board shows is the static lie less the lie this player's swing asks for. So
``needed = static - lie error`` is the lie at which the sole would lie flat, and it has to grade
over the set just as the static lies have to.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from analysis.gradation.steps import is_one_length, lie_line, lie_points
from analysis.gradation.types import (
    ClubOnLine,
    GradationRules,
    LieLine,
    LiePoint,
    StaticClub,
    sure_factor,
    u_lie,
)
from analysis.lie.club import LieError
from analysis.lie.set_types import FEWEST_FOR_OUTLIER


@dataclass(frozen=True, slots=True)
class DeliveredRow:
    """One club, as measured and as delivered; None = not known."""

    label: str
    length_mm: float | None
    static_deg: float | None
    u_static_deg: float | None
    lie_error_deg: float | None
    """Positive = too upright."""
    u_lie_error_deg: float | None
    needed_deg: float | None
    """Lie at which this swing would bring the sole down flat."""
    u_needed_deg: float | None
    """With everything that all clubs share."""
    static_off_deg: float | None
    """Static lie minus the static line of the other clubs."""
    u_static_off_deg: float | None
    needed_off_deg: float | None
    """Needed lie minus the needed line of the other clubs; what all clubs share drops out."""
    u_needed_off_deg: float | None
    words: str


@dataclass(frozen=True, slots=True)
class DeliveredGradation:
    """How the clubs grade, and how the swings ask for them to grade."""

    rows: tuple[DeliveredRow, ...]
    static_line: LieLine | None
    needed_line: LieLine | None
    words: str
    """The two slopes in plain words."""


def delivered_gradation(
    clubs: Sequence[StaticClub],
    lies: Mapping[str, LieError],
    rules: GradationRules | None = None,
) -> DeliveredGradation:
    """Put static and delivered gradation side by side.

    Parameters
    ----------
    clubs : sequence of StaticClub
        In the order of the answer.
    lies : mapping of str to LieError
        By label, of one session; clubs may be lacking.
    rules : GradationRules, optional
        Uncertainties and limits.

    Returns
    -------
    DeliveredGradation

    Raises
    ------
    ValueError
        A lie error of a club that is not in the set, or two clubs of one label.

    Notes
    -----
    For the line of the needed lies each club carries its static lie's uncertainty and only its own
    part of the lie error's (`LieError.u_own_deg`): what all clubs share moves the line as a whole.
    """
    rules = rules or GradationRules()
    labels = [club.label for club in clubs]
    if len(set(labels)) != len(labels):
        raise ValueError("two clubs of the set have the same label")
    strange = [label for label in lies if label not in labels]
    if strange:
        raise ValueError(f"{', '.join(strange)}: delivered, but not among the clubs of the set")
    one_length = is_one_length(clubs, rules)
    points = lie_points(clubs, rules)
    static_line = lie_line(points, one_length, rules)
    needed = [_needed(point, lies[point.label]) for point in points if point.label in lies]
    needed_line = lie_line(needed, one_length, rules)
    rows = tuple(
        _row(club, lies.get(club.label), static_line, needed_line, rules) for club in clubs
    )
    return DeliveredGradation(rows, static_line, needed_line, _slopes(static_line, needed_line))


def _needed(static: LiePoint, lie: LieError) -> LiePoint:
    return replace(
        static,
        lie_deg=static.lie_deg - lie.lie_error_deg,
        u_deg=math.hypot(static.u_deg, lie.u_own_deg),
    )


def _row(
    club: StaticClub,
    lie: LieError | None,
    static_line: LieLine | None,
    needed_line: LieLine | None,
    rules: GradationRules,
) -> DeliveredRow:
    static = _on(static_line, club.label)
    needed = _on(needed_line, club.label)
    both = club.lie_deg is not None and lie is not None
    return DeliveredRow(
        label=club.label,
        length_mm=club.length_mm,
        static_deg=club.lie_deg,
        u_static_deg=None if club.lie_deg is None else u_lie(club, rules),
        lie_error_deg=lie.lie_error_deg if lie else None,
        u_lie_error_deg=lie.u_deg if lie else None,
        needed_deg=club.lie_deg - lie.lie_error_deg if club.lie_deg is not None and lie else None,
        u_needed_deg=math.hypot(u_lie(club, rules), lie.u_deg) if both and lie else None,
        static_off_deg=static.off_deg if static else None,
        u_static_off_deg=static.u_off_deg if static else None,
        needed_off_deg=needed.off_deg if needed else None,
        u_needed_off_deg=needed.u_off_deg if needed else None,
        words=_words(club, lie, static, needed, (static_line, needed_line), rules),
    )


def _on(line: LieLine | None, label: str) -> ClubOnLine | None:
    if line is None:
        return None
    found = next((club for club in line.clubs if club.label == label), None)
    return None if found is None or math.isnan(found.off_deg) else found


def _is_off(club: ClubOnLine | None, line: LieLine | None, rules: GradationRules) -> bool | None:
    """Whether a club surely stands off its line; None where so few cannot tell."""
    if club is None or line is None or len(line.clubs) < FEWEST_FOR_OUTLIER:
        return None
    limit = sure_factor(rules.confidence, len(line.clubs)) * club.u_off_deg
    return abs(club.off_deg) > max(limit, rules.tolerance_deg)


def _words(
    club: StaticClub,
    lie: LieError | None,
    static: ClubOnLine | None,
    needed: ClubOnLine | None,
    lines: tuple[LieLine | None, LieLine | None],
    rules: GradationRules,
) -> str:
    if club.lie_deg is None:
        return "its lie was not measured"
    if lie is None:
        return "too few swings to say what it asks for"
    club_off, swing_off = _is_off(static, lines[0], rules), _is_off(needed, lines[1], rules)
    if club_off is None or swing_off is None:
        return "too few clubs to say whether it is off"
    if club_off and not swing_off and static:
        return f"the club is off, not the swing: {_way(static)} the other clubs"
    if swing_off and not club_off and needed:
        return (
            f"the club grades, but the swing with it asks for a lie {_way(needed)} its line: its "
            "length, its shaft or the swing itself may be the reason"
        )
    if club_off and swing_off and static and needed:
        return (
            f"the club is {_way(static)} the other clubs, and the swing with it asks for a lie "
            f"{_way(needed)} its line"
        )
    return "in line, club and swing"


def _way(club: ClubOnLine) -> str:
    way = "more upright than" if club.off_deg > 0 else "flatter than"
    return f"{abs(club.off_deg):.1f} ± {club.u_off_deg:.1f}° {way}"


def _slopes(static: LieLine | None, needed: LieLine | None) -> str:
    if static is None or needed is None:
        return "too few clubs with lie, length and swings to compare how they grade"
    # Both hold the same static lies, so this is on the wide side.
    u = math.hypot(static.u_deg_per_step, needed.u_deg_per_step)
    return (
        f"per half inch shorter the clubs get {static.deg_per_step:.2f} ± "
        f"{static.u_deg_per_step:.2f}° more upright, the swings ask for "
        f"{needed.deg_per_step:.2f} ± {needed.u_deg_per_step:.2f}°: "
        f"{'they differ' if abs(static.deg_per_step - needed.deg_per_step) > 2 * u else 'alike'}"
    )
