"""What goes into judging how a set grades and what comes out, as plain values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from scipy.special import ndtri

from analysis.lie.set_types import LENGTH_STEP_MM

# Common practice, no source: lie rises by half a degree to a degree per half inch, loft by 3 to 4
# degrees per club in the middle of a set and 4 to 5 in short irons and wedges.
USUAL_LIE_STEP_DEG = (0.5, 1.0)
USUAL_LOFT_STEP_DEG = (3.0, 5.0)


class Spec(Enum):
    """What is graded."""

    LIE = "lie"
    LOFT = "loft"
    LENGTH = "length"


class FindingKind(Enum):
    """What can be wrong with how a set grades, or worth knowing."""

    NOT_MEASURED = "not measured"
    OFF_LINE = "off the line of the others"
    REVERSED = "runs the wrong way"
    DOUBLED = "two clubs alike"
    GAP = "a gap"
    ONE_LENGTH = "all of one length"
    TOO_FEW = "too few to judge"

    @property
    def is_fault(self) -> bool:
        """Whether it asks for a look at the clubs, rather than being for information."""
        return self in _FAULTS


_FAULTS = (FindingKind.OFF_LINE, FindingKind.REVERSED, FindingKind.DOUBLED, FindingKind.GAP)


@dataclass(frozen=True, slots=True)
class StaticClub:
    """Measured specs of one club; None = not measured."""

    label: str
    length_mm: float | None = None
    lie_deg: float | None = None
    loft_deg: float | None = None
    u_lie_deg: float | None = None
    """None = as `GradationRules` says."""

    def __post_init__(self) -> None:
        for value, low, high, what in (
            (self.length_mm, 600, 1300, "length in mm"),
            (self.lie_deg, 40, 80, "lie in degrees"),
            (self.loft_deg, 5, 75, "loft in degrees"),
        ):
            if value is not None and not low <= value <= high:
                raise ValueError(f"{self.label}: a {what} lies within {low} and {high}")
        if self.u_lie_deg is not None and not self.u_lie_deg > 0:
            raise ValueError(f"{self.label}: the uncertainty of its lie must be positive")


@dataclass(frozen=True, slots=True)
class LiePoint:
    """A club of which length and lie are known."""

    label: str
    length_mm: float
    lie_deg: float
    u_deg: float


@dataclass(frozen=True, slots=True)
class GradationRules:
    """How exactly things were measured, and how much is too much."""

    u_lie_deg: float = 0.25
    u_loft_deg: float = 0.25
    u_length_mm: float = 1.5
    """Standard uncertainties of single readings on a gauge and a rule. Common practice."""
    tolerance_deg: float = 0.5
    """A lie nearer than this to the line of the others is left alone."""
    one_length_mm: float = 4.0
    """Lengths that all lie within this are one length: it is a third of the usual step."""
    confidence: float = 0.90
    """Chance, at least, that a set in which nothing is wrong is not found fault with."""

    def __post_init__(self) -> None:
        positive = (self.u_lie_deg, self.u_loft_deg, self.u_length_mm, self.tolerance_deg)
        if not (min(positive) > 0 and self.one_length_mm >= 0 and 0 < self.confidence < 1):
            raise ValueError("uncertainties and tolerance are positive, confidence within 0 and 1")


@dataclass(frozen=True, slots=True)
class GradationFinding:
    """One thing to know about how the set grades."""

    kind: FindingKind
    spec: Spec
    clubs: tuple[str, ...]
    value: float | None
    """What it is, degrees or mm: distance off the line, step, gap."""
    expected: float | None
    u: float | None
    """Standard uncertainty of ``value`` against ``expected``."""
    words: str


@dataclass(frozen=True, slots=True)
class GradationStep:
    """From one club to the next shorter one; None = not known."""

    first: str
    second: str
    length_mm: float | None
    """Positive = the second is longer."""
    lie_deg: float | None
    """Positive = the second is more upright."""
    u_lie_deg: float | None
    expected_lie_deg: float | None
    """By the set's own line over this step in length; None without a line."""
    loft_deg: float | None


@dataclass(frozen=True, slots=True)
class ClubOnLine:
    """One club's lie against the set's line."""

    label: str
    line_deg: float
    off_deg: float
    """Lie minus the line of the other clubs; minus the common level if all are of one length."""
    u_off_deg: float
    weight: float
    """How much it counts in the line: 0 = not at all."""


@dataclass(frozen=True, slots=True)
class LieLine:
    """How lie goes with length in this set; with one length, slope 0."""

    deg_per_step: float
    """Degrees more upright for each half inch shorter."""
    u_deg_per_step: float
    middle_mm: float
    middle_deg: float
    u_middle_deg: float
    clubs: tuple[ClubOnLine, ...]

    def at(self, length_mm: float) -> float:
        """Lie that the line gives a club of this length, degrees."""
        return self.middle_deg - self.deg_per_step * (length_mm - self.middle_mm) / LENGTH_STEP_MM


@dataclass(frozen=True, slots=True)
class Gradation:
    """How a set grades."""

    order: tuple[str, ...]
    """Longest club first."""
    is_one_length: bool
    line: LieLine | None
    steps: tuple[GradationStep, ...]
    findings: tuple[GradationFinding, ...]

    @property
    def grades_evenly(self) -> bool | None:
        """Whether nothing is wrong; None when there was too little to judge the lies by."""
        if any(finding.kind.is_fault for finding in self.findings):
            return False
        return None if self.line is None else True


def sure_factor(confidence: float, tests: int) -> float:
    """Limit in standard uncertainties that none of several sound readings exceeds, two-sided.

    Parameters
    ----------
    confidence : float
        Chance that none does, within 0 and 1.
    tests : int
        How many normal readings are looked at; fewer than 1 counts as 1.

    Returns
    -------
    float
        Normal quantile at ``confidence ** (1 / tests)`` (Sidak, J. Am. Stat. Assoc. 62 (1967)
        626-633, from memory).
    """
    return float(ndtri((1 + confidence ** (1 / max(tests, 1))) / 2))


def u_lie(club: StaticClub, rules: GradationRules) -> float:
    """Return the standard uncertainty of a club's measured lie, degrees.

    Parameters
    ----------
    club : StaticClub
        Its own uncertainty counts where it has one.
    rules : GradationRules
        Gives it otherwise.
    """
    return rules.u_lie_deg if club.u_lie_deg is None else club.u_lie_deg
