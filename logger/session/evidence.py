"""What a session's strikes say of each club: contact, lie error, and how sure. Read-only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.contact import (
    Axis,
    ContactMean,
    Judgement,
    contact_mean,
    judge,
    tolerance_mm,
)
from analysis.conventions import toe_from_lie_error
from analysis.lie import Level, LieError, SoleArc, Stance, lie_error
from logger.clubs import ClubSpec
from logger.store.rows import ClubRow, SessionRow, StrikeRow
from logger.store.store import Store

# From the sole to the middle of the hands, which hold the club some 100 mm below its end; a
# club whose length is not known is taken for a middle iron. Common practice, no source.
_GRIP_MM = 100.0
_USUAL_LENGTH_MM = 940.0
_USUAL_LIE_DEG = 62.0
# Radius of the sole from leading to trailing edge, where none is known: the middle of 30 to 80 mm.
_FRONT_BACK_RADIUS_MM = 50.0


@dataclass(frozen=True, slots=True)
class ClubEvidence:
    """One club in one session."""

    club: ClubRow
    used: int
    set_aside: int
    lost: int
    contact: ContactMean
    judgement: Judgement
    trail: ContactMean
    trail_judgement: Judgement | None
    """None while nothing is known front to back."""
    lie: LieError | None
    """None with fewer than two strikes."""
    wanted_toe_mm: float

    @property
    def words(self) -> str:
        """Verdict on the contact as one sentence."""
        return self.judgement.words

    @property
    def settled(self) -> bool:
        """Whether more swings would not change the verdict."""
        return self.judgement.more_swings == 0

    @property
    def lie_words(self) -> str:
        """Lie error with its interval, or nothing."""
        if self.lie is None:
            return ""
        interval = self.lie.interval_deg
        way = "upright" if self.lie.lie_error_deg > 0 else "flat"
        return (
            f"delivered {abs(self.lie.lie_error_deg):.1f}° too {way} "
            f"({100 * interval.confidence:.0f} % {interval.low:+.1f} to {interval.high:+.1f}°, "
            f"level: {self.lie.level_source.value})"
        )


@dataclass(frozen=True, slots=True)
class EvidenceRules:
    """What counts as good enough."""

    tolerance_deg: float = 0.5
    confidence: float = 0.90


def session_evidence(
    store: Store, session: SessionRow, rules: EvidenceRules | None = None
) -> list[ClubEvidence]:
    """Evidence of every club of the session's set, in the order of the set."""
    rules = rules or EvidenceRules()
    contacts = store.contacts(session.id)
    lost: dict[int | None, int] = {}
    for loss in store.losses(session=session.id):
        lost[loss.club] = lost.get(loss.club, 0) + loss.count
    clubs = store.get_set(session.set, at_utc_ns=session.ended_utc_ns).clubs
    return [
        _club_evidence(
            club,
            [contact for contact in contacts if contact.club == club.id],
            lost.get(club.id, 0),
            session,
            rules,
        )
        for club in clubs
    ]


def club_evidence(
    store: Store, session: SessionRow, club: ClubRow, rules: EvidenceRules | None = None
) -> ClubEvidence:
    """Evidence of one club."""
    lost = sum(loss.count for loss in store.losses(session=session.id) if loss.club == club.id)
    contacts = store.contacts(session.id, club=club.id)
    return _club_evidence(club, contacts, lost, session, rules or EvidenceRules())


def sole_arc(spec: ClubSpec) -> SoleArc:
    """Return the sole's radius as measured, or what is usual with a wide uncertainty."""
    if spec.camber_mm is None:
        return SoleArc()
    # A radius typed in without its uncertainty is trusted to a tenth. Common practice, no source.
    u_mm = spec.camber_u_mm if spec.camber_u_mm is not None else 0.1 * spec.camber_mm
    return SoleArc(spec.camber_mm, u_mm, measured=True)


def wanted_toe_mm(spec: ClubSpec, sole: SoleArc) -> float:
    """Place on the sole where this player wants the contact, mm toward the toe."""
    if spec.bias is None or spec.bias_unit not in ("mm", "deg"):
        return 0.0
    if spec.bias_unit == "mm":
        return spec.bias
    return float(toe_from_lie_error(spec.bias, sole.camber_mm))


def hands_mm(spec: ClubSpec) -> float:
    """Length from the sole to the hands."""
    return (spec.length_mm or _USUAL_LENGTH_MM) - _GRIP_MM


def _club_evidence(
    club: ClubRow,
    contacts: Sequence[StrikeRow],
    lost: int,
    session: SessionRow,
    rules: EvidenceRules,
) -> ClubEvidence:
    used = [c for c in contacts if c.used and c.toe_mm is not None]
    toe = contact_mean([_number(c.toe_mm) for c in used], confidence=rules.confidence)
    trails = [_number(c.trail_mm) for c in used if c.trail_mm is not None]
    trail = contact_mean(trails, axis=Axis.FRONT_BACK, confidence=rules.confidence)
    sole = sole_arc(club.spec)
    level = level_of(session, used)
    wanted = wanted_toe_mm(club.spec, sole)
    judgement = judge(
        toe,
        wanted_mm=wanted,
        tolerance_mm=tolerance_mm(rules.tolerance_deg, sole.camber_mm),
        u_level_mm=level.u_mm,
    )
    lie = None
    if toe.u_mm is not None:
        lie = lie_error(
            toe,
            sole=sole,
            level=level,
            stance=Stance(session.stance_mm, session.stance_u_mm),
            hands_mm=hands_mm(club.spec),
            lie_deg=club.spec.lie_deg or _USUAL_LIE_DEG,
            confidence=rules.confidence,
        )
    return ClubEvidence(
        club=club,
        used=len(used) - len(toe.set_aside),
        set_aside=len(contacts) - len(used) + len(toe.set_aside),
        lost=lost,
        contact=toe,
        judgement=judgement,
        trail=trail,
        trail_judgement=judge(
            trail, tolerance_mm=tolerance_mm(2 * rules.tolerance_deg, _FRONT_BACK_RADIUS_MM)
        )
        if trails
        else None,
        lie=lie,
        wanted_toe_mm=wanted,
    )


def level_of(session: SessionRow, used: Sequence[StrikeRow]) -> Level:
    """Return what is known of where the sole's middle passed: nothing but the address mark."""
    from analysis.lie import LevelSource

    if used and all(c.source == "mark" for c in used):
        # Read off the sole itself: the board's middle does not enter.
        return Level(0.0, 0.0, source=LevelSource.MARKS)
    return Level(0.0, session.sole_middle_u_mm, source=LevelSource.ADDRESS)


def _number(value: float | None) -> float:
    assert value is not None
    return value
