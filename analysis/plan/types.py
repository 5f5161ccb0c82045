"""What the bend plan of a whole set is asked and what it answers, as plain values."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal

from analysis.answers import NoAnswerError
from analysis.conventions import lie_error_from_toe, lie_word
from analysis.plan.heads import CAUTIONS, HEAD_LIMITS, Head, HeadLimit
from analysis.statistics.contact_mean import FEWEST_SWINGS
from analysis.statistics.estimation import Interval

WishUnit = Literal["deg", "mm", "m"]


@dataclass(frozen=True, slots=True)
class PlanClub:
    """Everything the plan knows of one club besides its lie error; None = not known."""

    label: str
    head: Head = Head.HARD_OR_UNKNOWN
    length_mm: float | None = None
    lie_deg: float | None = None
    """Static lie as measured. A figure off a specification says nothing of this club's step to its
    neighbours: leave it out."""
    loft_deg: float | None = None
    bounce_deg: float | None = None
    camber_mm: float | None = None
    metres_per_deg: float | None = None
    """Metres at the landing place for each degree too upright, positive = right of the target: as a
    rule negative for right-handers, positive for left-handers."""
    toe_mm: float | None = None
    """Mean contact as read."""
    strikes: int = 0
    wanted: float = 0.0
    """The player's wished bias; 0 = centred, straight."""
    wanted_unit: WishUnit = "deg"
    """``deg``: lie error, positive upright. ``mm``: contact, positive toward the toe. ``m``: at the
    landing place, positive right of the target."""
    past_bends_deg: tuple[float, ...] = ()
    maker_limit_deg: float | None = None
    """The head maker's own limit on all bends together; it replaces ours."""
    locked: bool = False
    """The fitter wants it left alone."""
    must_bend: bool = False
    """The fitter insists on a bend, whatever the evidence says: the best one that is not 0."""
    must_bend_deg: float | None = None
    """The very bend the fitter insists on, whatever the evidence says."""
    most_bend_deg: float | None = None
    """The fitter wants it to end at most this far from its present lie."""
    within_deg: float | None = None
    """The fitter insists that it ends at most this far from the wanted lie error."""
    loft_change_deg: float = 0.0
    """Change of loft asked for on the same visit to the machine, positive = weaker. It takes from
    what the head has left, at right angles to the lie: ``hypot(bend, loft change)``."""
    trail_mm: float | None = None
    """Mean contact front to back, positive toward the trailing edge."""

    def wanted_deg(self) -> float:
        """Lie error that is aimed for, degrees.

        Raises
        ------
        NoAnswerError
            What is needed to turn the wish into degrees is not known.
        """
        if self.wanted == 0:
            return 0.0
        if self.wanted_unit == "deg":
            return self.wanted
        if self.wanted_unit == "mm":
            if self.camber_mm is None:
                raise NoAnswerError(
                    f"{self.label}: a wanted contact in mm needs the sole's radius: measure it, or "
                    "give the wish in degrees"
                )
            return float(lie_error_from_toe(self.wanted, self.camber_mm))
        if not self.metres_per_deg:
            raise NoAnswerError(
                f"{self.label}: a wish in metres needs the metres per degree, and those the loft: "
                "measure the loft, or give the wish in degrees"
            )
        return self.wanted / self.metres_per_deg

    def check(self) -> None:
        """Raise ValueError, naming the club, if a number makes no sense."""
        for name in ("wanted", "loft_change_deg"):
            if not math.isfinite(getattr(self, name)):
                raise ValueError(f"{self.label}: {name} is not a number")
        for name in ("length_mm", "lie_deg", "loft_deg", "camber_mm"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise ValueError(f"{self.label}: {name} must be positive, or None if not known")
        if self.metres_per_deg is not None and not math.isfinite(self.metres_per_deg):
            raise ValueError(f"{self.label}: metres_per_deg is not a number")
        if self.wanted_unit not in ("deg", "mm", "m"):
            raise ValueError(f"{self.label}: a wish is in deg, mm or m, not {self.wanted_unit!r}")
        for name in ("within_deg", "most_bend_deg"):
            value = getattr(self, name)
            if value is not None and not value >= 0:
                raise ValueError(f"{self.label}: {name} cannot be negative")


@dataclass(frozen=True, slots=True)
class PlanRules:
    """How a set is planned. Common practice, no source, unless said otherwise."""

    increment_deg: float = 0.5
    """Smallest step of the machine."""
    range_deg: float = 4.0
    """Farthest that any head is bent at one visit, whatever its limit."""
    charge_deg: float = 0.5
    """Touching a club costs as much as leaving it this far off."""
    p_needed: float = 0.90
    """Least probability that a bend brings its club nearer to the wanted lie."""
    worse_deg: float = 0.5
    p_worse: float = 0.02
    """Greatest probability that a bend makes its club worse by more than ``worse_deg``."""
    p_leave: float = 0.80
    """Least probability that no bend is worth its charge, for a club to be left for good. Lower
    than ``p_needed``: a club that was left can still be bent next week."""
    fewest_strikes: int = FEWEST_SWINGS
    """Nothing is decided of a club on fewer strikes of its own, however sure the others make it."""
    u_machine_deg: float = 0.25
    """Standard uncertainty of a bend as carried out: gauge and spring-back."""
    step_deg: tuple[float, float] = (0.0, 1.5)
    """Limits on the rise of the static lie from each club to the next shorter one. The lower one,
    0, is the rule that longer is never more upright."""
    strict_steps: bool = False
    """True: all steps must end within the limits. False: a step that is outside already may stay or
    come nearer, and never gets worse."""
    limits: Mapping[Head, HeadLimit] = field(default_factory=lambda: HEAD_LIMITS)

    def __post_init__(self) -> None:
        if not (0.01 <= self.increment_deg <= self.range_deg <= 10):
            raise ValueError("increment_deg must be at least 0.01 and range_deg at most 10")
        if not (self.charge_deg >= 0 and self.worse_deg >= 0 and self.u_machine_deg >= 0):
            raise ValueError("charge_deg, worse_deg and u_machine_deg cannot be negative")
        if not (0.5 <= self.p_needed < 1 and 0.5 <= self.p_leave < 1 and 0 < self.p_worse <= 1):
            raise ValueError("p_needed and p_leave lie in 0.5 .. 1, p_worse in 0 .. 1")
        if not self.step_deg[0] <= self.step_deg[1]:
            raise ValueError("the lower limit of step_deg is above the upper one")


class Choice(Enum):
    """What is decided of a club."""

    BEND = "bend"
    LEAVE = "leave"
    HIT = "hit more"
    CANNOT_TELL = "cannot tell"
    NOT_HIT = "not hit"
    NO_PLAN = "no plan"
    """A wish that cannot be met, or wishes that clash."""


class Settles(Enum):
    """What settles a club that more swings will not."""

    MARKS = "read three marks"
    STANCE = "measure the stance"
    CAMBER = "rock one head"
    COVER = "a softer cover"


@dataclass(frozen=True, slots=True)
class Decision:
    """What is to be done with a club: the one that every screen, file and page shows."""

    choice: Choice
    bend_deg: float = 0.0
    """Positive = more upright; 0 unless it is to be bent."""
    more_swings: int = 0
    """That decide it, as likely as `DECIDED` says; 0 unless it is to be hit."""
    settles: tuple[Settles, ...] = ()
    """What would settle it, all of them together; empty unless it cannot be told."""
    judge: str = "this board"
    """What cannot tell: the board, or marks where there is none."""

    @property
    def is_settled(self) -> bool:
        """Whether there is nothing left to find out."""
        return self.choice in (Choice.BEND, Choice.LEAVE)

    @property
    def words(self) -> str:
        """The decision as everybody reads it."""
        if self.choice is Choice.BEND:
            return f"bend {abs(self.bend_deg):g}° {lie_word(self.bend_deg)}"
        if self.choice is Choice.HIT:
            return f"hit {self.more_swings} more"
        if self.choice is Choice.CANNOT_TELL:
            return f"{self.judge} cannot tell: " + ", ".join(one.value for one in self.settles)
        return str(self.choice.value)


# A club is told to be hit so often that it is decided then with this probability.
DECIDED = 0.8
# Nobody hits one club more often than this, on top of what was hit, to settle a bend. Common
# practice, no source.
MOST_MORE_SWINGS = 15


class Reason(Enum):
    """What kept a bend from being the one that the mean alone asks for."""

    NOTHING = "nothing"
    GOOD_ENOUGH = "good enough"
    INCREMENT = "increment"
    LOCKED = "locked"
    HEAD = "head"
    EVIDENCE = "evidence"
    STEPS = "steps to its neighbours"
    WISH = "the fitter's wish"


@dataclass(frozen=True, slots=True)
class PairStep:
    """Rise of the static lie from the longer club of a pair to the shorter one."""

    to: str
    """Label of the neighbour."""
    before_deg: float
    after_deg: float
    u_deg: float | None = None
    """Standard uncertainty of both; None = not stated."""


@dataclass(frozen=True, slots=True)
class PlanRow:
    """One line of the bend sheet."""

    label: str
    bend_deg: float
    """Positive = more upright; 0 = leave it."""
    error_before_deg: float
    """Lie error as delivered, positive = too upright, its standard uncertainty and the interval
    that holds it with 90 %; on a sheet by gaps, how far it stands off the set's line."""
    u_before_deg: float
    interval_deg: Interval
    error_after_deg: float
    u_after_deg: float
    wanted_deg: float
    """Lie error that is aimed for."""
    free_deg: float
    """Bend that the mean alone asks for, no limit in the way."""
    static_before_deg: float | None
    static_after_deg: float | None
    contact_before_mm: float | None
    contact_after_mm: float | None
    """Expected on the board, if swing and stance stay the same."""
    miss_before_m: float | None
    miss_after_m: float | None
    """Expected distance aside of the wanted landing place that lie error makes."""
    aside_before_m: float | None
    aside_after_m: float | None
    """Where the mean lie error sends the ball, positive = right of the target."""
    p_better: float | None
    """Probability that the bend brings it nearer; None without a bend."""
    p_worse: float | None
    """Probability that it makes it worse by more than the rules' ``worse_deg``."""
    p_free: float | None
    """Probability that the bend in ``free_deg`` would bring it nearer."""
    steps: tuple[PairStep, ...]
    """To the next longer and the next shorter club, where the step of the static lies is known."""
    loft_change_deg: float
    """Asked for, positive = weaker; 0 = the loft stays."""
    loft_after_deg: float | None
    bounce_before_deg: float | None
    bounce_after_deg: float | None
    loft_words: str
    """What the change of loft does to bounce and contact; empty without one."""
    decision: Decision
    reason: Reason
    why: str
    pulls_deg: tuple[float, ...]
    """The bend in pulls of the machine, measuring after each."""

    @property
    def change_m(self) -> float | None:
        """Change of the expected miss in metres; negative = nearer."""
        if self.miss_before_m is None or self.miss_after_m is None:
            return None
        return self.miss_after_m - self.miss_before_m


@dataclass(frozen=True, slots=True)
class SetPlan:
    """Bend sheet of a set, planned together."""

    rows: tuple[PlanRow, ...]
    """In the order given."""
    along: tuple[str, ...]
    """Labels along the set, longest first."""
    objective: float
    """Expected squared miss plus charges, m^2 (deg^2 for clubs without metres)."""
    objective_before: float
    """The same with no club touched."""
    p_better: float | None
    """Probability that the whole sheet lowers the summed squared miss; None without a bend."""
    rules: PlanRules
    notes: tuple[str, ...]
    gaps: bool = False
    """Whether the errors in its rows are not lie errors, but how far each club stands off the set's
    line."""
    cautions: tuple[str, ...] = CAUTIONS

    def row(self, label: str) -> PlanRow:
        """Row of one club; KeyError if there is none."""
        for row in self.rows:
            if row.label == label:
                return row
        raise KeyError(label)


class ClashError(NoAnswerError):
    """Wishes and limits that cannot all hold; ``limits`` is the smallest set that clashes."""

    def __init__(self, limits: tuple[str, ...]) -> None:
        self.limits = limits
        if len(limits) == 1:
            super().__init__(f"this cannot be: {limits[0]}")
            return
        super().__init__(
            "these cannot all hold together: " + "; ".join(limits) + ". Give up one of them"
        )
