"""What a session says of each club and what is decided: one result, for every screen and file."""

from __future__ import annotations

from dataclasses import dataclass, replace

from analysis.answers import NoAnswerError
from analysis.conventions import (
    USUAL_LIE_DEG,
    Hand,
    lie_word,
    stance_lie_error_deg,
    toe_from_lie_error,
)
from analysis.lie.club import LieError
from analysis.plan.next_club import Advice, next_club
from analysis.plan.types import Choice, Decision, PlanClub, SetPlan
from analysis.statistics.contact_mean import ContactVerdict, judge, tolerance_mm
from analysis.statistics.estimation import Interval
from logger.session.evidence.evidence import (
    ClubEvidence,
    EvidenceRules,
    SessionPicture,
    session_picture,
)
from logger.session.evidence.soles import hands_mm, sole_arc
from logger.session.results.planning import (
    LevelClaim,
    PlanWishes,
    bend_plan,
    level_claim,
    plan_clubs,
)
from logger.store.rows import SessionRow
from logger.store.store import Store


@dataclass(frozen=True, slots=True)
class Wanted:
    """Where a club's lie error and contact are wanted."""

    lie_error_deg: float = 0.0
    toe_mm: float = 0.0
    """Contact that shows it, stance counted."""
    words: str = ""
    """Why it is not the middle of the sole; empty where it is."""


@dataclass(frozen=True, slots=True)
class ClubResult:
    """One club."""

    evidence: ClubEvidence
    lie: LieError | None
    """By all clubs of the set together; None for a club with no strike that counts."""
    lie_error_deg: float | None
    interval_deg: Interval | None
    wanted: Wanted
    touched: str
    """Where the sole touched, as struck: ``centred``, ``toe-deep``, ``heel-deep`` or ``not clear``;
    empty with fewer than two strikes."""
    decision: Decision
    why: str
    off_line: str
    """What the set says of the club, or nothing."""

    @property
    def label(self) -> str:
        """Name of the club."""
        return self.evidence.club.label

    @property
    def lie_words(self) -> str:
        """Lie error as a sentence, or nothing."""
        if self.lie_error_deg is None or self.interval_deg is None:
            return ""
        off, interval = self.lie_error_deg, self.interval_deg
        return (
            f"lie error {off:+z.1f}° ({100 * interval.confidence:.0f} % {interval.low:+z.1f} to "
            f"{interval.high:+z.1f}°), {way_words(off)} as delivered"
        )

    def tends(self, hand: Hand) -> str:
        """Where the ball tends to because of it; empty where that is not clear."""
        if self.touched == ContactVerdict.TOE_DEEP.value:
            return f"ball tends {hand.toe_miss}"
        if self.touched == ContactVerdict.HEEL_DEEP.value:
            return f"ball tends {hand.heel_miss}"
        return ""


def way_words(lie_error_deg: float) -> str:
    """Say which way a lie error goes."""
    return "square" if abs(lie_error_deg) < 0.05 else f"too {lie_word(lie_error_deg)}"


@dataclass(frozen=True, slots=True)
class SessionResults:
    """A whole session."""

    picture: SessionPicture
    clubs: tuple[ClubResult, ...]
    """In the order of the set."""
    plan: SetPlan | None
    """The bend sheet that the decisions come from."""
    no_plan: str
    """Why there is none."""
    level: LevelClaim | None
    """None while nothing counts."""
    advice: Advice | None
    """Which club to hit next; None without a plan."""

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a reader must know of the level before trusting a number, one line each."""
        if self.level is None:
            return ()
        said = [self.level.words]
        if not self.level.claimed:
            said = [f"{self.level.words} Gaps between the clubs hold. {self.level.what_settles}"]
        return tuple(said)


def session_results(
    store: Store,
    session: SessionRow,
    picture: SessionPicture | None = None,
) -> SessionResults:
    """Work out what a session says of every club and what is decided."""
    picture = session_picture(store, session) if picture is None else picture
    plan, no_plan, advice = None, "", None
    try:
        own = plan_clubs(store, session, picture, PlanWishes())
        plan = bend_plan(store, session, picture)
        if picture.together is not None:
            decisions = [row.decision for row in plan.rows]
            # By gaps there is no wish to come nearer to.
            asked = [replace(club, wanted=0.0) for club in own] if plan.gaps else own
            advice = next_club(picture.together, asked, decisions, plan.rules)
    except NoAnswerError as error:
        no_plan = str(error)
    clubs = tuple(
        _club(session, picture, place, club, plan, no_plan)
        for place, club in enumerate(plan_clubs(store, session, picture, PlanWishes()))
    )
    level = None if picture.together is None else level_claim(session, picture)
    return SessionResults(picture, clubs, plan, no_plan, level, advice)


def _club(
    session: SessionRow,
    picture: SessionPicture,
    place: int,
    club: PlanClub,
    plan: SetPlan | None,
    no_plan: str,
) -> ClubResult:
    one, together = picture.clubs[place], picture.together
    lie, interval = None, None
    if together is not None and one.used:
        lie = float(together.mean_deg[place])
        interval = Interval(
            float(together.low_deg[place]), float(together.high_deg[place]), together.confidence
        )
    decision, why = Decision(Choice.NOT_HIT), ""
    if plan is not None:
        decision, why = plan.rows[place].decision, plan.rows[place].why
    elif one.used:
        decision, why = Decision(Choice.NO_PLAN), no_plan
    return ClubResult(
        evidence=one,
        lie=_with_number(one.lie, lie, interval),
        lie_error_deg=lie,
        interval_deg=interval,
        wanted=_wanted(session, one, club),
        touched=_touched(one),
        decision=decision,
        why=why,
        off_line=picture.words_of(place),
    )


def _with_number(
    lie: LieError | None, value: float | None, interval: Interval | None
) -> LieError | None:
    """Lie error of a club with the number that everybody shows."""
    if lie is None or value is None or interval is None:
        return None
    return replace(lie, lie_error_deg=value, interval_deg=interval)


def _wanted(session: SessionRow, one: ClubEvidence, club: PlanClub) -> Wanted:
    try:
        wish = club.wanted_deg()
    except NoAnswerError as error:
        return Wanted(words=str(error))
    spec = one.club.spec
    camber = sole_arc(spec).camber_mm
    stance = 0.0
    if session.stance_told and session.stance_mm:
        stance = stance_lie_error_deg(
            session.stance_mm, hands_mm(spec), spec.lie_deg or USUAL_LIE_DEG
        )
    toe = float(toe_from_lie_error(wish + stance, camber))
    said = []
    if wish:
        asked = {"mm": f"{club.wanted:+g} mm", "m": f"{club.wanted:+g} m at carry"}
        words = f"wanted {abs(wish):.1f}° {lie_word(wish)}"
        said.append(words + (f" ({asked[club.wanted_unit]})" if club.wanted_unit in asked else ""))
    if stance:
        low = "lower" if session.stance_mm > 0 else "higher"
        said.append(f"feet {abs(session.stance_mm):g} mm {low} than the board")
    if not said:
        return Wanted()
    side = "toe" if toe > 0 else "heel"
    said.append(f"so it should touch {abs(toe):.1f} mm toward the {side}")
    return Wanted(wish, toe, ", ".join(said))


def _touched(one: ClubEvidence) -> str:
    """Where the sole touched, as struck, against its middle."""
    if one.contact.mean_mm is None or one.contact.u_mm is None:
        return ""
    camber = sole_arc(one.club.spec).camber_mm
    u_level = 0.0
    if one.lie is not None:
        u_level = one.lie.components_deg.get("level", 0.0) * tolerance_mm(1.0, camber)
    verdict = judge(
        one.contact,
        tolerance_mm=tolerance_mm(EvidenceRules().tolerance_deg, camber),
        u_level_mm=u_level,
    ).verdict
    return "not clear" if verdict is ContactVerdict.NOT_SETTLED else verdict.value
