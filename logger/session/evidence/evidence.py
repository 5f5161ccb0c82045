"""What a session's strikes say of each club: contact, lie error, and how sure. Read-only.

All of it comes from one engine, `analysis.lie.session`: strikes with scans, readings and marks
together. What is shown of a club anywhere is taken from here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from analysis.conventions import USUAL_LIE_DEG, Hand, sure_words
from analysis.lie.club import LieError
from analysis.lie.model import Places
from analysis.lie.session import (
    ODD_WORDS,
    UNTOLD_STANCE_U_MM,
    ClubLie,
    HeadFacts,
    LieEngine,
    SessionLies,
    SetUp,
)
from analysis.lie.set_line import Camber
from analysis.lie.set_types import SetPosterior
from analysis.statistics.contact_mean import Axis, ContactMean
from logger.session.evidence.audits import carried_audit
from logger.session.evidence.footprints import FootprintReader, SessionPrints
from logger.session.evidence.means import MeanOf
from logger.session.evidence.soles import families, hands_mm, sole_arc, sole_length, wanted_toe_mm
from logger.store.rows import ClubRow, SessionRow, StrikeRow
from logger.store.store import Store

# From this probability on a club is called one that stands off the line.
_NAMED_OUTLIER = 0.5
# Radius of the sole from leading to trailing edge, where none is known: the middle of 30 to 80 mm.
_FRONT_BACK_RADIUS_MM = 50.0
# A centroid of 4 mm cells, or a mark on the sole, is placed to about this. Common practice.
_READING_U_MM = 1.0
# No mean delivery is known better than a strip's cells place it; 0 can be typed, and divides.
_LEAST_DELIVERY_U_MM = 0.1


@dataclass(frozen=True, slots=True)
class PrintedStrike:
    """What the cells of one strike say, all others considered."""

    toe_mm: float | None
    """Contact on the sole; None where the cells do not look like a sole's."""
    centre_mm: float | None
    """Where the sole's middle passed, board frame."""
    reason: str
    """Why it does not count; empty where it does."""


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
    trail: ContactMean
    lie: LieError | None
    """None where nothing counts."""
    wanted_toe_mm: float
    strange: int
    """Strikes whose cells do not look like a sole's; they count in ``set_aside``."""
    seen: tuple[SeenContact, ...]
    """All contacts that have a place, in the order they were struck."""


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
    lies: SessionLies | None = None
    """All that the engine says; None without a club."""

    @property
    def level_claimed(self) -> bool:
        """Whether clubs may be bent by where all of them lie, and not only by gaps."""
        return self.lies is not None and self.lies.level_claimed

    def words_of(self, place: int) -> str:
        """Return what the set says of the club at this place, or nothing."""
        if self.together is None:
            return ""
        p = float(self.together.p_outlier[place])
        # NaN where too few clubs share a line.
        return f"stands off the set's line ({sure_words(p)})" if p >= _NAMED_OUTLIER else ""


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
        self._engine = LieEngine()
        self._known: tuple[object, SessionLies] | None = None

    def read(self) -> SessionPicture:
        """Work out what stands in the store now."""
        session, store = self._session, self._store
        contacts = _since_bent(store, store.strikes.contacts(session.id))
        lost: dict[int | None, int] = {}
        for loss in store.records.losses(session=session.id):
            lost[loss.club] = lost.get(loss.club, 0) + loss.count
        own = store.sets.get(session.set, at_utc_ns=session.ended_utc_ns)
        # Also what has left the set since: its strikes of then still say what they said.
        clubs = store.clubs.of_session(session.id, at_utc_ns=session.ended_utc_ns)
        place = {club.id: index for index, club in enumerate(clubs)}
        counted = [c for c in contacts if c.used and c.toe_mm is not None and c.club in place]
        seen = self._footprints.read([c for c in counted if c.source == "board"], place)
        lies = None
        if clubs:
            lies = self._lies(clubs, own.pivot_club, counted, seen, place)
        printed = {} if lies is None else _printed(session, seen, lies)
        evidence = [
            _club_evidence(
                club,
                [contact for contact in contacts if contact.club == club.id],
                printed,
                None if lies is None else lies.clubs[place[club.id]],
                lost.get(club.id, 0),
                session,
                self._mean_of,
            )
            for club in clubs
        ]
        together = lies.together if lies is not None and counted else None
        return SessionPicture(tuple(evidence), together, printed, lies)

    def _lies(
        self,
        clubs: Sequence[ClubRow],
        pivot: int | None,
        counted: Sequence[StrikeRow],
        seen: SessionPrints,
        place: Mapping[int, int],
    ) -> SessionLies:
        session = self._session
        # Marks of this very session say more than any audit of another.
        by_mark = any(c.source == "mark" for c in counted)
        carried = None if by_mark or not counted else carried_audit(self._store, session)
        set_up = SetUp(
            stance_mm=session.stance_mm,
            stance_u_mm=session.stance_u_mm if session.stance_told else UNTOLD_STANCE_U_MM,
            stance_told=session.stance_told,
            delivery_mm=0.0 if carried is None else carried.level.offset_mm,
            delivery_u_mm=max(
                _LEAST_DELIVERY_U_MM,
                session.sole_middle_u_mm if carried is None else carried.level.u_mm,
            ),
            audit="" if carried is None else carried.words,
            audit_settles=carried is not None and carried.level.settles_level,
            pivot=place.get(pivot or 0, len(clubs) // 2),
        )
        places = _places(counted, seen, place)
        heads = heads_of(clubs)
        # Nothing is worked out twice: the same strikes of the same heads say the same.
        key = (
            tuple(c.id for c in seen.strikes),
            tuple((c.source, c.id, c.club, c.toe_mm, c.audits) for c in counted),
            tuple(heads),
            set_up,
            tuple(c.club for c in seen.strikes),
        )
        if self._known is None or self._known[0] != key:
            lies = self._engine.lies(
                seen.prints, places, heads, set_up, confidence=self._rules.confidence
            )
            self._known = (key, lies)
        return self._known[1]


def heads_of(clubs: Sequence[ClubRow]) -> list[HeadFacts]:
    """Return what the set file says of each head."""
    family = families([club.spec.loft_deg for club in clubs])
    found = []
    for club, own in zip(clubs, family, strict=True):
        arc = sole_arc(club.spec)
        length, length_u = sole_length(club.spec)
        camber = Camber(arc.camber_mm, arc.u_camber_mm, own) if arc.measured else Camber(family=own)
        found.append(
            HeadFacts(
                club.label,
                camber,
                length,
                length_u,
                club.spec.length_mm,
                hands_mm(club.spec),
                club.spec.lie_deg or USUAL_LIE_DEG,
            )
        )
    return found


def _places(
    counted: Sequence[StrikeRow], seen: SessionPrints, place: Mapping[int, int]
) -> Places | None:
    """Contacts without a print: readings of boards that send no scans, and marks."""
    press = {strike.id: row for row, strike in enumerate(seen.strikes)}
    own = [
        c for c in counted if c.source == "mark" or (c.id not in press and c.id not in seen.refused)
    ]
    if not own:
        return None
    return Places(
        np.array([c.toe_mm for c in own], dtype=np.float64),
        np.array([c.toe_u_mm or _READING_U_MM for c in own], dtype=np.float64),
        np.array([place[c.club] for c in own if c.club is not None], dtype=int),
        np.array([c.source == "mark" for c in own]),
        np.array(
            [press.get(c.audits, -1) if c.source == "mark" and c.audits else -1 for c in own],
            dtype=int,
        ),
    )


def _printed(
    session: SessionRow, seen: SessionPrints, lies: SessionLies
) -> dict[int, PrintedStrike]:
    sign = Hand(session.hand).toe_sign
    found = {}
    for row, strike in enumerate(seen.strikes):
        odd = lies.strike_reason[row] == ODD_WORDS
        found[strike.id] = PrintedStrike(
            None if odd else float(lies.strike_toe_mm[row]),
            None if odd else float(sign * lies.strike_middle_mm[row]),
            lies.strike_reason[row],
        )
    for number, why in seen.refused.items():
        found[number] = PrintedStrike(None, None, why)
    return found


def _since_bent(store: Store, contacts: Sequence[StrikeRow]) -> list[StrikeRow]:
    """Leave out what a club did before it was bent, once it was hit again."""
    bent: dict[int | None, int] = {}
    for bend in store.readings.bends():
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
    printed: Mapping[int, PrintedStrike],
    own: ClubLie | None,
    lost: int,
    session: SessionRow,
    mean_of: MeanOf,
) -> ClubEvidence:
    used = [c for c in contacts if c.used and c.toe_mm is not None]
    seen = _without_mishits(_seen(contacts, printed, session), printed, mean_of)
    counting = [one.toe_mm for one in seen if not one.reason]
    by_itself = mean_of(counting)
    toe = replace(by_itself, set_aside=())
    if own is not None and own.strikes:
        toe = replace(
            toe,
            n_used=len(counting),
            mean_mm=own.contact_mm,
            u_mm=own.contact_u_mm,
            # Scatter is shared by all clubs of the session.
            dof=200.0,
            interval_mm=own.contact_interval_mm,
        )
    trails = [_number(c.trail_mm) for c in used if c.trail_mm is not None]
    trail = mean_of(trails, Axis.FRONT_BACK)
    sole = sole_arc(club.spec)
    wanted = wanted_toe_mm(club.spec, sole)
    return ClubEvidence(
        club=club,
        used=len(counting),
        set_aside=len(contacts) - len(counting),
        lost=lost,
        contact=toe,
        trail=trail,
        lie=None if own is None else own.lie,
        wanted_toe_mm=wanted,
        strange=sum(_is_strange(one, printed) for one in seen),
        seen=seen,
    )


def _is_strange(one: SeenContact, printed: Mapping[int, PrintedStrike]) -> bool:
    return one.printed_in(printed) and printed[one.id].toe_mm is None


def _seen(
    contacts: Sequence[StrikeRow], printed: Mapping[int, PrintedStrike], session: SessionRow
) -> tuple[SeenContact, ...]:
    """Contacts of a club, on its sole where the cells say so."""
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


def _without_mishits(
    seen: tuple[SeenContact, ...], printed: Mapping[int, PrintedStrike], mean_of: MeanOf
) -> tuple[SeenContact, ...]:
    """Name readings and marks that stand far off their club's; footprints were judged already."""
    counting = [place for place, one in enumerate(seen) if not one.reason]
    found = list(seen)
    for mishit in mean_of([seen[place].toe_mm for place in counting]).set_aside:
        place = counting[mishit.index]
        if not seen[place].printed_in(printed):
            found[place] = replace(seen[place], reason=mishit.reason)
    return tuple(found)


def _as_seen(contact: StrikeRow, toe_mm: float, reason: str = "") -> SeenContact:
    if not contact.used:
        reason = contact.reason or "set aside"
    return SeenContact(contact.source, contact.id, toe_mm, contact.trail_mm, reason)


def _number(value: float | None) -> float:
    assert value is not None
    return value
