"""One club's lie error as everything shows it, with what makes it doubtful."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from analysis.statistics.budget import Budget
from analysis.statistics.estimation import Interval


class LevelSource(Enum):
    """What tells where the sole's middle passed over the board."""

    ADDRESS = "address only"
    MARKS = "marks"
    BOTH_ENDS = "both sole ends"
    HEEL_END = "heel end"
    TOE_END = "toe end"

    @property
    def is_resolved(self) -> bool:
        """Whether the absolute level, and not only the differences between clubs, is known."""
        return self is not LevelSource.ADDRESS


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
    """Mean contact on the sole, as struck."""
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
