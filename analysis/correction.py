"""The bend sheet: what to bend on the loft-and-lie machine, how far, in which steps, or why not.

First form: every club for itself. `plan_bends` is the seam behind which clubs may be planned
together.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Protocol

from analysis.budget import WHAT_TO_IMPROVE, coverage_factor
from analysis.contact import FIRST_LOOK, MOST_MORE_SWINGS, ContactMean
from analysis.conventions import lie_error_from_toe, toe_from_lie_error
from analysis.estimation import EVERY_SWING, stein_sample_size, t_below
from analysis.lie import LieError

CAUTIONS: tuple[str, ...] = (
    "Wear eye protection and keep others away while bending.",
    "Clamp the head in soft jaws; bend the hosel, never the shaft or the ferrule.",
    "Bend in small steps, pull slowly, and measure lie and loft after each step: metal springs "
    "back, and the two move together.",
    "Stop at a crack, a wrinkle or a sudden softness, and do not use that club again.",
    "Cast and unknown heads bend little or not at all; past bends add up; never bend to and fro.",
    "These limits are rules of thumb: the head maker's limit and the judgement of a qualified club "
    "technician come first.",
    "Hit a few careful shots with a bent club, with nobody in front, before it is played.",
    "Never bend a club during a round.",
)


class Head(Enum):
    """What a head is made of, as far as bending goes."""

    SOFT_FORGED = "soft forged"
    CAST = "cast"
    HARD_OR_UNKNOWN = "hard or unknown"


@dataclass(frozen=True, slots=True)
class HeadLimit:
    """How far a kind of head may be bent; common practice, no source."""

    total_deg: float
    """Sum of all bends in its life, both directions, degrees."""
    step_deg: float
    """Largest single step before measuring again."""


# Common practice, no source: two degrees are usually safe on soft carbon steel (up to four with
# care, which is a technician's decision and not ours); one to two on cast stainless, in small
# steps; some hard or unknown heads not at all.
HEAD_LIMITS: Mapping[Head, HeadLimit] = {
    Head.SOFT_FORGED: HeadLimit(2.0, 1.0),
    Head.CAST: HeadLimit(1.0, 0.5),
    Head.HARD_OR_UNKNOWN: HeadLimit(0.0, 0.5),
}


class LimitedBy(Enum):
    """What kept a bend smaller than what the club seems to need."""

    NOTHING = "nothing"
    EVIDENCE = "evidence"
    HEAD = "head"
    INCREMENT = "increment"


@dataclass(frozen=True, slots=True)
class BendRules:
    """How bends are proposed."""

    increment_deg: float = 0.5
    """Smallest step of the machine, 0.25 or 0.5 as a rule."""
    tolerance_deg: float = 0.5
    """A club nearer than this to its wanted lie is left alone."""
    p_needed: float = 0.90
    """Least probability that the bend makes it better."""
    confidence: float = 0.90
    """Of the intervals that are shown, and of the one that has to lie within the tolerance."""
    sided_confidence: float = EVERY_SWING
    """Of the interval that has to leave out the wanted lie before a club is bent; the default
    allows for a look after every swing."""
    u_machine_deg: float = 0.25
    """Standard uncertainty of a bend as carried out: reading of the gauge, spring-back. Common
    practice, no source."""
    limits: Mapping[Head, HeadLimit] = field(default_factory=lambda: HEAD_LIMITS)

    def __post_init__(self) -> None:
        if not self.increment_deg > 0 or not self.tolerance_deg > 0:
            raise ValueError("increment_deg and tolerance_deg must be positive")
        if not 0.5 <= self.p_needed < 1:
            raise ValueError("p_needed lies in 0.5 .. 1")
        if not 0 < self.confidence <= self.sided_confidence < 1:
            raise ValueError("confidence lies in 0 .. 1 and sided_confidence not below it")
        if not self.u_machine_deg >= 0:
            raise ValueError("u_machine_deg cannot be negative")


@dataclass(frozen=True, slots=True)
class ClubEvidence:
    """Everything the plan knows of one club."""

    label: str
    head: Head
    contact: ContactMean | None
    lie: LieError | None
    """None while there is no number."""
    wanted_toe_mm: float | None = None
    """Wanted contact, positive toward the toe; or give the next, not both. Neither: centred."""
    wanted_lie_error_deg: float | None = None
    past_bends_deg: tuple[float, ...] = ()
    """Every bend of its life that is known, signed."""
    maker_limit_deg: float | None = None
    """The head maker's own limit, if known; it replaces ours."""

    def wanted_deg(self) -> float:
        """Lie error that is aimed for, degrees.

        Raises
        ------
        ValueError
            Both wishes given, or a contact without a lie error to take the radius from.
        """
        if self.wanted_toe_mm is None:
            return self.wanted_lie_error_deg or 0.0
        if self.wanted_lie_error_deg is not None:
            raise ValueError(f"{self.label}: give the wanted contact or the wanted lie, not both")
        if self.lie is None:
            raise ValueError(f"{self.label}: a wanted contact needs the sole's radius")
        return float(lie_error_from_toe(self.wanted_toe_mm, self.lie.camber_mm))


@dataclass(frozen=True, slots=True)
class BendRow:
    """One line of the bend sheet."""

    label: str
    bend_deg: float
    """Proposed, positive = more upright; 0 = leave it."""
    u_bend_deg: float | None
    """Standard uncertainty of what the club needs."""
    lie_before_deg: float | None
    lie_after_deg: float | None
    u_after_deg: float | None
    contact_after_mm: float | None
    """Where the board should show the contact after the bend, if swing and stance stay the same."""
    p_better: float | None
    """Probability that the bend brings it nearer to the wanted lie; None without a bend."""
    limited_by: LimitedBy
    why: str
    more_swings: int | None
    """That would settle it: 0 = enough; None = swings alone cannot."""
    steps_deg: tuple[float, ...]
    """In this order, measuring after each."""


@dataclass(frozen=True, slots=True)
class BendPlan:
    """The bend sheet of a set."""

    rows: tuple[BendRow, ...]
    rules: BendRules
    cautions: tuple[str, ...] = CAUTIONS


def plan_bends(clubs: Sequence[ClubEvidence], rules: BendRules | None = None) -> BendPlan:
    """Propose a bend for every club that the evidence carries.

    Parameters
    ----------
    clubs : sequence of ClubEvidence
        In the order of the sheet.
    rules : BendRules, optional
        Increment, tolerance, limits.

    Returns
    -------
    BendPlan

    Raises
    ------
    ValueError
        A club's wish makes no sense (`ClubEvidence.wanted_deg`).

    Notes
    -----
    The lie error d against the wanted one is Student's t about its estimate. A bend is proposed if
    the estimate lies outside the tolerance, the interval leaves out 0, and the bend makes it better
    with probability ``p_needed``: ``|d + b + m| < |d|``, that is ``-d - m / 2 > b / 2`` for b > 0
    (our derivation; m = error of the bend itself, normal). Among the machine's steps the one
    nearest to the need is taken, then smaller ones until evidence and head allow it.
    """
    rules = rules or BendRules()
    return BendPlan(tuple(_row(club, rules) for club in clubs), rules)


def p_better(
    bend_deg: float, off_deg: float, u_deg: float, dof: float, u_machine_deg: float
) -> float:
    """Probability that a bend brings a club nearer to its wanted lie.

    Parameters
    ----------
    bend_deg : float
        Not 0, degrees, positive = more upright.
    off_deg, u_deg, dof : float
        Lie error minus wanted lie error, its standard uncertainty and degrees of freedom.
    u_machine_deg : float
        Standard uncertainty of the bend as carried out; taken to be small against the bend.
    """
    toward = -math.copysign(1.0, bend_deg) * off_deg
    u = math.hypot(u_deg, u_machine_deg / 2)
    if u == 0:
        return 1.0 if toward > abs(bend_deg) / 2 else 0.0
    return t_below((toward - abs(bend_deg) / 2) / u, dof)


class BentHead(Protocol):
    """A head with what is known of its bends."""

    @property
    def head(self) -> Head:
        """What it is made of."""

    @property
    def past_bends_deg(self) -> tuple[float, ...]:
        """Every bend of its life that is known, signed."""

    @property
    def maker_limit_deg(self) -> float | None:
        """The head maker's own limit, if known; it replaces ours."""


class HasLimits(Protocol):
    """Rules that hold the limits of heads."""

    @property
    def limits(self) -> Mapping[Head, HeadLimit]:
        """By kind of head."""


def head_room_deg(club: BentHead, rules: HasLimits) -> float:
    """How far this head may still be bent, degrees: its limit less all past bends."""
    limit = rules.limits[club.head].total_deg
    if club.maker_limit_deg is not None:
        limit = club.maker_limit_deg
    return max(0.0, limit - sum(abs(bend) for bend in club.past_bends_deg))


def _row(club: ClubEvidence, rules: BendRules) -> BendRow:
    lie = club.lie
    if lie is None:
        have = club.contact.n_used if club.contact else 0
        first = max(FIRST_LOOK - have, 1)
        why = f"{have or 'no'} usable {'swing' if have == 1 else 'swings'}: hit {first} more"
        return _leave(club, None, why, LimitedBy.EVIDENCE, first)
    off = lie.lie_error_deg - club.wanted_deg()
    half = coverage_factor(lie.dof, rules.confidence) * lie.u_deg
    doubt = f"{abs(off):.1f}° ± {half:.1f}° too {'upright' if off > 0 else 'flat'}"
    if abs(off) <= rules.tolerance_deg and abs(off) + half <= rules.tolerance_deg:
        return _leave(club, lie, f"{doubt}: within {rules.tolerance_deg:g}°", LimitedBy.NOTHING, 0)
    sure = coverage_factor(lie.dof, rules.sided_confidence) * lie.u_deg
    if abs(off) <= rules.tolerance_deg or sure >= abs(off):
        more, advice = _what_would_tell(club, lie, off, rules)
        return _leave(club, lie, f"{doubt}: not settled; {advice}", LimitedBy.EVIDENCE, more)

    wanted_steps = _nearest_steps(abs(off), rules.increment_deg)
    if wanted_steps == 0:
        why = f"{doubt}: less than half the machine's {rules.increment_deg:g}°"
        return _leave(club, lie, why, LimitedBy.INCREMENT, 0)
    room = head_room_deg(club, rules)
    allowed = min(wanted_steps, math.floor(room / rules.increment_deg + 1e-9))
    if allowed == 0:
        why = f"{doubt}, but this {club.head.value} head has {room:g}° left to bend: leave it"
        return _leave(club, lie, why, LimitedBy.HEAD, 0)
    sign = -math.copysign(1.0, off)
    for steps in range(allowed, 0, -1):
        bend = sign * steps * rules.increment_deg
        p = p_better(bend, off, lie.u_deg, lie.dof, rules.u_machine_deg)
        if p >= rules.p_needed:
            break
    else:
        more, advice = _what_would_tell(club, lie, off, rules)
        why = f"{doubt}: even {rules.increment_deg:g}° helps with only {100 * p:.0f} %; {advice}"
        return _leave(club, lie, why, LimitedBy.EVIDENCE, more)
    return _bend(club, lie, bend, p, (wanted_steps, allowed, steps), doubt, rules)


def _bend(
    club: ClubEvidence,
    lie: LieError,
    bend: float,
    p: float,
    steps: tuple[int, int, int],
    doubt: str,
    rules: BendRules,
) -> BendRow:
    wanted, allowed, taken = steps
    way = "upright" if bend > 0 else "flat"
    why = f"{doubt}: {abs(bend):g}° {way} makes it better with {100 * p:.0f} %"
    limited = LimitedBy.NOTHING
    more: int | None = 0
    if taken < allowed:
        limited = LimitedBy.EVIDENCE
        more, advice = _what_would_tell(club, lie, lie.lie_error_deg - club.wanted_deg(), rules)
        why += f"; more than that is not carried yet: {advice}"
    elif allowed < wanted:
        limited = LimitedBy.HEAD
        why += (
            f"; this {club.head.value} head has no more than {head_room_deg(club, rules):g}° left"
        )
    touched_deg = float(lie_error_from_toe(lie.toe_mm, lie.camber_mm))
    return BendRow(
        label=club.label,
        bend_deg=bend,
        u_bend_deg=lie.u_deg,
        lie_before_deg=lie.lie_error_deg,
        lie_after_deg=lie.lie_error_deg + bend,
        u_after_deg=math.hypot(lie.u_deg, rules.u_machine_deg),
        contact_after_mm=float(toe_from_lie_error(touched_deg + bend, lie.camber_mm)),
        p_better=p,
        limited_by=limited,
        why=why,
        more_swings=more,
        steps_deg=pulls_deg(bend, rules.limits[club.head].step_deg, rules.increment_deg),
    )


def _leave(
    club: ClubEvidence, lie: LieError | None, why: str, limited: LimitedBy, more: int | None
) -> BendRow:
    return BendRow(
        label=club.label,
        bend_deg=0.0,
        u_bend_deg=lie.u_deg if lie else None,
        lie_before_deg=lie.lie_error_deg if lie else None,
        lie_after_deg=lie.lie_error_deg if lie else None,
        u_after_deg=lie.u_deg if lie else None,
        contact_after_mm=lie.toe_mm if lie else None,
        p_better=None,
        limited_by=limited,
        why=why,
        more_swings=more,
        steps_deg=(),
    )


def _what_would_tell(
    club: ClubEvidence, lie: LieError, off: float, rules: BendRules
) -> tuple[int | None, str]:
    """How many more swings would settle it (Stein), or what else must be known better first."""
    contact = club.contact
    tolerance = rules.tolerance_deg
    needed, confidence = tolerance - abs(off), rules.confidence
    if abs(off) > tolerance:
        needed, confidence = abs(off), rules.sided_confidence
    others = [line for line in lie.budget.lines if line.contribution.improve_key != "scatter"]
    fixed = coverage_factor(math.inf, confidence) * math.hypot(*(o.u_result for o in others))
    if fixed >= needed and others and fixed > 0:
        key = max(others, key=lambda line: line.u_result).contribution.improve_key
        return None, f"more swings will not settle it. {WHAT_TO_IMPROVE[key]}"
    left = math.sqrt(max(needed**2 - fixed**2, 0.0))
    scatter = lie.components_deg["contact"]
    if contact is None or contact.spread_mm is None or not contact.u_mm or left == 0:
        return MOST_MORE_SWINGS, "it lies at the edge of the tolerance"
    spread_deg = contact.spread_mm * scatter / contact.u_mm
    size = stein_sample_size(spread_deg, max(lie.dof, 1.0), left, confidence=confidence)
    more = min(max(size - contact.n_used, 1), MOST_MORE_SWINGS)
    return more, f"about {more} more swings would tell"


def _nearest_steps(need_deg: float, increment_deg: float) -> int:
    """Whole increments nearest to the need; half-way goes to the smaller, which bends less."""
    return math.ceil(need_deg / increment_deg - 0.5 - 1e-9)


def pulls_deg(bend: float, step_deg: float, increment_deg: float) -> tuple[float, ...]:
    """Cut a bend into pulls of at most ``step_deg``, whole increments each."""
    whole = round(abs(bend) / increment_deg)
    each = max(1, math.floor(step_deg / increment_deg + 1e-9))
    sizes = [min(each, whole - done) for done in range(0, whole, each)]
    return tuple(math.copysign(size * increment_deg, bend) for size in sizes)
