"""What a session's strikes say of each club: contact, lie error, and how sure. Read-only.

Where a board sends whole scans the footprints tell contact and lie apart
(`logger.session.evidence.printed`); readings and marks are taken at their word, and the
level rests on the sole itself, on an audit of an earlier session, or on the address mark.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from analysis.lie.club import Level, LevelSource, LieError, Stance, lie_error
from analysis.lie.set_types import SetPosterior
from analysis.statistics.budget import coverage_factor
from analysis.statistics.contact_mean import Axis, ContactMean, Judgement, judge, tolerance_mm
from analysis.statistics.estimation import Interval
from logger.session.evidence.audits import carried_audit
from logger.session.evidence.footprints import FootprintReader
from logger.session.evidence.means import MeanOf
from logger.session.evidence.printed import (
    Printed,
    PrintedClub,
    PrintedStrike,
    level_of,
    put_together,
)
from logger.session.evidence.set_view import hands_mm, set_posterior
from logger.session.evidence.soles import sole_arc as sole_arc
from logger.session.evidence.soles import wanted_toe_mm
from logger.store.rows import ClubRow, SessionRow, StrikeRow
from logger.store.store import Store

_USUAL_LIE_DEG = 62.0
# From this probability on a club is called one that stands off the line.
_NAMED_OUTLIER = 0.5
# Radius of the sole from leading to trailing edge, where none is known: the middle of 30 to 80 mm.
_FRONT_BACK_RADIUS_MM = 50.0


@dataclass(frozen=True, slots=True)
class SeenContact:
    """One contact as the evidence takes it."""

    source: Literal["board", "mark"]
    id: int
    """With ``source`` it names the contact in the store."""
    toe_mm: float
    """On the sole: by its footprint where there is one, else as read, level taken off."""
    trail_mm: float | None
    reason: str
    """Why it does not count; empty where it does."""

    def printed_in(self, strikes: Mapping[int, PrintedStrike]) -> bool:
        """Whether it has a footprint."""
        return self.source == "board" and self.id in strikes


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
    strange: int
    """Strikes whose cells do not look like a sole's; they count in ``set_aside``."""
    seen: tuple[SeenContact, ...]
    """All contacts that have a place, in the order they were struck."""

    @property
    def words(self) -> str:
        """Verdict on the contact as one sentence."""
        return self.judgement.words

    @property
    def verdict_words(self) -> str:
        """Verdict in a few words, for a table: heel to toe, what would settle it, front to back."""
        words = self.judgement.verdict.value
        if self.judgement.more_swings:
            words += f" (about {self.judgement.more_swings} more)"
        elif self.judgement.more_swings is None:
            words += " (nor by more swings)"
        if self.trail_judgement is not None and self.trail_judgement.verdict.is_sided:
            words += f", {self.trail_judgement.verdict.value}"
        return words

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
            f"({100 * interval.confidence:.0f} % {interval.low:+z.1f} to {interval.high:+z.1f}°, "
            f"level resolved by: {self.lie.level_words})"
        )


@dataclass(frozen=True, slots=True)
class EvidenceRules:
    """What counts as good enough."""

    tolerance_deg: float = 0.5
    confidence: float = 0.90


@dataclass(frozen=True, slots=True)
class SessionPicture:
    """All clubs of a session, one by one and as a set."""

    clubs: tuple[ClubEvidence, ...]
    """In the order of the set."""
    together: SetPosterior | None
    """The whole set at once, clubs in the same order; None while nothing counts."""
    printed: Mapping[int, PrintedStrike] = field(default_factory=dict)
    """By id of the board's strike: what its footprint says, where it has one."""

    def words_of(self, place: int) -> str:
        """Return what the set says of the club at this place, or nothing."""
        if self.together is None:
            return ""
        p = float(self.together.p_outlier[place])
        # NaN where too few clubs share a line.
        return f"stands off the set's line ({100 * p:.0f} %)" if p >= _NAMED_OUTLIER else ""


class EvidenceReader:
    """Works out a session's evidence, again and again as strikes come in."""

    def __init__(
        self, store: Store, session: SessionRow, rules: EvidenceRules | None = None
    ) -> None:
        self._store = store
        self._session = session
        self._rules = rules or EvidenceRules()
        self._footprints = FootprintReader(store, session)
        self._mean_of = MeanOf(self._rules.confidence)

    def read(self) -> SessionPicture:
        """Work out what stands in the store now."""
        session, store = self._session, self._store
        contacts = _since_bent(store, store.contacts(session.id))
        lost: dict[int | None, int] = {}
        for loss in store.losses(session=session.id):
            lost[loss.club] = lost.get(loss.club, 0) + loss.count
        own = store.get_set(session.set, at_utc_ns=session.ended_utc_ns)
        # Also what has left the set since: its strikes of then still say what they said.
        clubs = store.clubs_of(session.id, at_utc_ns=session.ended_utc_ns)
        known = {club.id for club in clubs}
        counted = [c for c in contacts if c.used and c.toe_mm is not None and c.club in known]
        arcs = {club.id: sole_arc(club.spec) for club in clubs}
        marks = {c.audits: c for c in counted if c.audits is not None}
        fitted = self._footprints.fit(
            [c for c in counted if c.source == "board"],
            {club: (arc.camber_mm, arc.u_camber_mm) for club, arc in arcs.items()},
            {club.id: club.spec for club in clubs},
        )
        # Marks of this very session say more than any audit of another.
        by_mark = any(c.source == "mark" for c in counted)
        carried = None if by_mark or not counted else carried_audit(store, session)
        printed = put_together(fitted, marks, carried, self._mean_of)
        level = _level(session, printed, None if carried is None else level_of(carried))
        evidence = [
            _club_evidence(
                club,
                [contact for contact in contacts if contact.club == club.id],
                printed,
                level,
                lost.get(club.id, 0),
                session,
                self._rules,
                self._mean_of,
            )
            for club in clubs
        ]
        together = None
        if counted:
            together = set_posterior(
                session, clubs, arcs, counted, fitted, own.pivot_club, level, self._rules.confidence
            )
        return SessionPicture(tuple(evidence), together, printed.strikes)


def _since_bent(store: Store, contacts: Sequence[StrikeRow]) -> list[StrikeRow]:
    """Leave out what a club did before it was bent, once it was hit again."""
    bent: dict[int | None, int] = {}
    for bend in store.bends():
        bent[bend.club] = max(bent.get(bend.club, 0), bend.bent_utc_ns)
    again = {c.club for c in contacts if c.club in bent and c.struck_utc_ns > bent[c.club]}
    return [c for c in contacts if c.club not in again or c.struck_utc_ns > bent[c.club]]


def session_picture(
    store: Store, session: SessionRow, rules: EvidenceRules | None = None
) -> SessionPicture:
    """Work out what a session says of every club of its set, one by one and as a set."""
    return EvidenceReader(store, session, rules).read()


def session_evidence(
    store: Store, session: SessionRow, rules: EvidenceRules | None = None
) -> list[ClubEvidence]:
    """Evidence of every club of the session's set, one by one, in the order of the set."""
    return list(session_picture(store, session, rules).clubs)


def _club_evidence(
    club: ClubRow,
    contacts: Sequence[StrikeRow],
    printed: Printed,
    session_level: Level,
    lost: int,
    session: SessionRow,
    rules: EvidenceRules,
    mean_of: MeanOf,
) -> ClubEvidence:
    used = [c for c in contacts if c.used and c.toe_mm is not None]
    from_print = printed.clubs.get(club.id)
    if from_print is not None:
        level = from_print.level
        seen = _seen_printed(contacts, printed.strikes)
        n_used = sum(not one.reason and one.printed_in(printed.strikes) for one in seen)
        toe = _printed_mean(from_print, n_used, rules.confidence)
    else:
        level = _plain_level(session_level, used)
        toe, seen = _seen_plain(contacts, level.offset_mm, mean_of)
        # Already taken off.
        level = replace(level, offset_mm=0.0)
        n_used = len(used) - len(toe.set_aside)
    trails = [_number(c.trail_mm) for c in used if c.trail_mm is not None]
    trail = mean_of(trails, Axis.FRONT_BACK)
    sole = sole_arc(club.spec)
    wanted = wanted_toe_mm(club.spec, sole)
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
        used=n_used,
        set_aside=len(contacts) - n_used,
        lost=lost,
        contact=toe,
        judgement=judge(
            toe,
            wanted_mm=wanted,
            tolerance_mm=tolerance_mm(rules.tolerance_deg, sole.camber_mm),
            u_level_mm=level.u_mm,
        ),
        trail=trail,
        trail_judgement=judge(
            trail, tolerance_mm=tolerance_mm(2 * rules.tolerance_deg, _FRONT_BACK_RADIUS_MM)
        )
        if trails
        else None,
        lie=lie,
        wanted_toe_mm=wanted,
        strange=sum(_is_strange(one, printed.strikes) for one in seen),
        seen=seen,
    )


def _is_strange(one: SeenContact, printed: Mapping[int, PrintedStrike]) -> bool:
    return one.printed_in(printed) and printed[one.id].toe_mm is None


def _seen_printed(
    contacts: Sequence[StrikeRow], printed: Mapping[int, PrintedStrike]
) -> tuple[SeenContact, ...]:
    """Contacts of a club by their footprints."""
    seen = []
    for contact in contacts:
        if contact.toe_mm is None:
            continue
        footprint = printed.get(contact.id) if contact.source == "board" else None
        toe = contact.toe_mm
        if footprint is not None and footprint.toe_mm is not None:
            toe = footprint.toe_mm
        reason = "" if footprint is None else footprint.reason
        seen.append(_as_seen(contact, toe, reason))
    return tuple(seen)


def _seen_plain(
    contacts: Sequence[StrikeRow], offset_mm: float, mean_of: MeanOf
) -> tuple[ContactMean, tuple[SeenContact, ...]]:
    """Mean of a club's contacts as read, and each of them."""
    seen = [
        _as_seen(contact, contact.toe_mm - (offset_mm if contact.source == "board" else 0.0))
        for contact in contacts
        if contact.toe_mm is not None
    ]
    counted = [index for index, one in enumerate(seen) if not one.reason]
    mean = mean_of(seen[index].toe_mm for index in counted)
    for mishit in mean.set_aside:
        place = counted[mishit.index]
        seen[place] = replace(seen[place], reason=mishit.reason)
    return mean, tuple(seen)


def _as_seen(contact: StrikeRow, toe_mm: float, reason: str = "") -> SeenContact:
    if not contact.used:
        reason = contact.reason or "set aside"
    return SeenContact(contact.source, contact.id, toe_mm, contact.trail_mm, reason)


def _printed_mean(from_print: PrintedClub, n_used: int, confidence: float) -> ContactMean:
    """Mean contact by the footprints of the whole session, spread by this club's own strikes."""
    half = coverage_factor(from_print.dof, confidence) * from_print.own_u_mm
    return replace(
        from_print.strikes,
        n_used=n_used,
        set_aside=(),
        mean_mm=from_print.toe_mm,
        u_mm=from_print.own_u_mm,
        dof=from_print.dof,
        interval_mm=Interval(from_print.toe_mm - half, from_print.toe_mm + half, confidence),
    )


def _level(session: SessionRow, printed: Printed, carried: Level | None) -> Level:
    """Return where the sole's middle passed, as far as that is not in the footprints themselves."""
    told = printed.level is not None and printed.level.source.is_resolved
    if carried is not None and (printed.level == carried or not told):
        return carried
    return Level(0.0, session.sole_middle_u_mm, source=LevelSource.ADDRESS)


def _plain_level(session_level: Level, used: Sequence[StrikeRow]) -> Level:
    """Return what is known of the level of a club without footprints."""
    if used and all(c.source == "mark" for c in used):
        # Read off the sole itself: the board's middle does not enter.
        return Level(0.0, 0.0, source=LevelSource.MARKS)
    return session_level


def _number(value: float | None) -> float:
    assert value is not None
    return value
