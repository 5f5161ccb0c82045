"""One club's contact -> its lie error, with everything that makes it doubtful.

The uncertainty is combined in `analysis.statistics.budget` (JCGM 100:2008, 5.1.2 and G.4); here it
is kept apart by what is the club's own and what all clubs of a session share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray, lie_error_from_toe
from analysis.statistics.budget import Budget, Contribution, combine, lie_contributions
from analysis.statistics.contact_mean import ContactMean
from analysis.statistics.estimation import Interval


class LevelSource(Enum):
    """What tells where the sole's middle passed over the board."""

    ADDRESS = "address only"
    MARKS = "marks"
    BOTH_ENDS = "both sole ends"
    HEEL_END = "heel end"
    TOE_END = "toe end"
    AUDIT = "an audit of another session"

    @property
    def is_resolved(self) -> bool:
        """Whether the absolute level, and not only the differences between clubs, is known."""
        return self is not LevelSource.ADDRESS


@dataclass(frozen=True, slots=True)
class Level:
    """Where the middle of the sole passed, against where it was taken to pass; all clubs alike."""

    offset_mm: float = 0.0
    """Reading minus truth, positive toward the toe. It is taken off."""
    u_mm: float = 6.0
    """A player delivers the club some millimetres toward heel or toe of where it was addressed, the
    same way with every club; 6 mm is a degree of lie on R = 300 mm. Common practice, no source."""
    dof: float = math.inf
    source: LevelSource = LevelSource.ADDRESS
    detail: str = ""
    """Which marks, when they were not read in this session."""

    @property
    def words(self) -> str:
        """What the level rests on."""
        return f"{self.source.value} ({self.detail})" if self.detail else self.source.value


@dataclass(frozen=True, slots=True)
class Stance:
    """How much lower the feet stand than the board's surface; asked for once per session."""

    stance_mm: float = 0.0
    u_mm: float = 1.5
    """Read with a ruler on a mat that gives under the shoes: within 2.5 mm either way, evenly
    likely (JCGM 100:2008, 4.3.7)."""


@dataclass(frozen=True, slots=True)
class SoleArc:
    """Heel-to-toe radius of a sole."""

    camber_mm: float = 282.5
    """Not measured: the middle of 200 to 365 mm, which covers what is met (common practice)."""
    u_camber_mm: float = 165 / math.sqrt(12)
    """Not measured: all of that range evenly likely (JCGM 100:2008, 4.3.7)."""
    dof: float = math.inf
    measured: bool = False


@dataclass(frozen=True, slots=True)
class LieError:
    """Lie error of one club as delivered, positive = too upright."""

    lie_error_deg: float
    u_deg: float
    """Combined standard uncertainty."""
    dof: float
    interval_deg: Interval
    toe_mm: float
    """Mean contact as read, before any correction."""
    camber_mm: float
    components_deg: Mapping[str, float]
    """Standard uncertainty by cause: ``contact``, ``camber``, ``level``, ``stance``."""
    shared_deg: tuple[float, float]
    """Signed effects of one standard uncertainty of level and of stance, the same for all clubs."""
    level_source: LevelSource
    note: str
    """One plain sentence: what the number can and cannot be used for."""
    budget: Budget
    level_words: str = ""
    """What the level rests on, for a person."""

    @property
    def u_own_deg(self) -> float:
        """The part that is this club's own: good for gaps between clubs."""
        return math.hypot(self.components_deg["contact"], self.components_deg["camber"])

    @property
    def u_shared_deg(self) -> float:
        """The part that moves all clubs together."""
        return math.hypot(*self.shared_deg)


_CAUSES = {
    "contact scatter": "contact",
    "camber": "camber",
    "level": "level",
    "stance height": "stance",
}


def lie_error(
    contact: ContactMean,
    *,
    sole: SoleArc,
    level: Level,
    stance: Stance,
    hands_mm: float,
    lie_deg: float,
    confidence: float = 0.90,
) -> LieError:
    """Lie error of one club.

    ``atan(-(toe - level) / R) - stance effect`` (`analysis.conventions`).

    Parameters
    ----------
    contact : ContactMean
        Heel to toe, at least two swings.
    sole : SoleArc
        Radius and its uncertainty.
    level, stance : Level, Stance
        Of the session.
    hands_mm, lie_deg : float
        From the sole to the hands along the club, mm, > 0; the club's static lie, degrees.
    confidence : float
        Of the interval.

    Returns
    -------
    LieError

    Raises
    ------
    NoAnswerError
        Fewer than two usable swings: no uncertainty, so no number.
    ValueError
        Radius or hands length not positive, or an uncertainty negative.
    """
    if contact.mean_mm is None or contact.u_mm is None or contact.dof is None:
        raise NoAnswerError("a lie error needs at least two swings of the club: hit more")
    if not hands_mm > 0:
        raise ValueError("hands_mm must be positive")
    contributions = [
        item
        for item in lie_contributions(
            contact.mean_mm,
            camber_mm=sole.camber_mm,
            u_camber_mm=sole.u_camber_mm,
            camber_dof=sole.dof,
            u_scatter_mm=contact.u_mm,
            scatter_dof=contact.dof,
            level_offset_mm=level.offset_mm,
            u_level_mm=level.u_mm,
            level_dof=level.dof,
            stance_mm=stance.stance_mm,
            u_stance_mm=stance.u_mm,
            hands_mm=hands_mm,
            lie_deg=lie_deg,
        )
        if item.name in _CAUSES
    ]
    reading = float(lie_error_from_toe(contact.mean_mm, sole.camber_mm))
    total = combine(contributions, reading=reading, level=confidence)
    by_cause = {_CAUSES[item.name]: item for item in contributions}
    return LieError(
        lie_error_deg=total.value,
        u_deg=total.u,
        dof=total.dof,
        interval_deg=Interval(
            total.value - total.expanded, total.value + total.expanded, confidence
        ),
        toe_mm=contact.mean_mm,
        camber_mm=sole.camber_mm,
        components_deg={cause: abs(_effect(item)) for cause, item in by_cause.items()},
        shared_deg=(_effect(by_cause["level"]), _effect(by_cause["stance"])),
        level_source=level.source,
        note=_note(level, sole),
        budget=total,
        level_words=level.words,
    )


def covariance_deg2(lies: Sequence[LieError]) -> FloatArray:
    """Covariance of several clubs' lie errors from one session, shape (n, n), degrees squared.

    Contact and radius are each club's own; level and stance move all clubs together
    (JCGM 100:2008, F.1.2.3: covariance from common inputs).
    """
    own = np.array([lie.u_own_deg for lie in lies], dtype=np.float64)
    shared = np.array([lie.shared_deg for lie in lies], dtype=np.float64).reshape(len(lies), 2)
    return np.asarray(np.diag(own**2) + shared @ shared.T)


def _effect(item: Contribution) -> float:
    return item.sensitivity * item.u


def _note(level: Level, sole: SoleArc) -> str:
    if level.source.is_resolved:
        text = f"level known from {level.words}, to {level.u_mm:.1f} mm"
    else:
        text = (
            "level from the address mark only: gaps between clubs hold, but all clubs together may "
            f"be off by as much as {level.u_mm:.1f} mm of contact brings; a few marks settle it"
        )
    return text if sole.measured else f"{text}; the sole's radius was not measured"
