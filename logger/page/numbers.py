"""What takes some 100 ms: every club's contact and lie error, the set's line, the next club."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from analysis.conventions import (
    USUAL_LIE_DEG,
    USUAL_SOLE_MM,
    Hand,
    stance_lie_error_deg,
    toe_from_lie_error,
)
from logger.page.look import page_id
from logger.page.messages import (
    ClubPart,
    ContactPart,
    EllipsePart,
    LiePart,
    LinePart,
    NextPart,
    SolePart,
)
from logger.session.evidence.evidence import ClubEvidence, EvidenceReader, SessionPicture
from logger.session.evidence.soles import hands_mm, sole_arc
from logger.session.results.clubs import ClubResult, SessionResults, session_results
from logger.store.rows import SessionRow, StrikeRow
from logger.store.store import Store

# A usual iron: for drawing only. Common practice, no source.
_SOLE_WIDTH_MM = 20.0
Places: TypeAlias = list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class SeenStrike:
    """What the numbers make of one strike that was not set aside."""

    toe_mm: float | None
    doubt: str | None
    """Why it hardly counts."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """All that is worked out from a session's strikes."""

    clubs: list[ClubPart] = field(default_factory=list)
    line: LinePart | None = None
    next: NextPart | None = None
    notes: tuple[str, ...] = ()
    strikes: dict[int, SeenStrike] = field(default_factory=dict)
    """By id as on the page: what the numbers make of a strike, where it is more than its row."""


def numbers_of(store: Store, session: SessionRow, results: SessionResults) -> Numbers:
    """Put what a session says into the page's words."""
    picture, advice = results.picture, results.advice
    own = store.sets.get(session.set)
    contacts = store.strikes.contacts(session.id)
    strikes = _strikes(picture, contacts)
    placed = _placed(contacts, strikes)
    clubs = [
        _club(picture, place, one, placed, session, pivot=one.evidence.club.id == own.pivot_club)
        for place, one in enumerate(results.clubs)
    ]
    following = None
    if advice is not None:
        following = NextPart(advice.label, advice.swings, advice.why, advice.label is None)
    notes: list[str] = []
    if picture.together is not None:
        if results.level is not None and not results.level.claimed:
            needs = ", ".join(one.value for one in results.level.settles)
            notes.append(f"level not known: {needs}")
        notes += picture.together.notes
        if results.no_plan:
            notes.append(results.no_plan)
    return Numbers(clubs, _line(picture, session), following, tuple(notes), strikes)


def _club(
    picture: SessionPicture,
    place: int,
    result: ClubResult,
    placed: Mapping[int | None, Places],
    session: SessionRow,
    *,
    pivot: bool,
) -> ClubPart:
    one = result.evidence
    p_outlier = None if picture.together is None else float(picture.together.p_outlier[place])
    return ClubPart(
        name=one.club.label,
        pivot=pivot,
        length_mm=rounded(one.club.spec.length_mm),
        sole=_sole(one),
        contact=_contact(one),
        lie_error=_lie(result),
        decision=result.decision.words,
        why=result.why,
        settled=result.decision.is_settled,
        touched=result.touched,
        lie_words=result.lie_words,
        tends=result.tends(Hand(session.hand)),
        wanted_mm=round(result.wanted.toe_mm, 2),
        wanted_deg=round(result.wanted.lie_error_deg, 3),
        wanted_words=result.wanted.words,
        ellipse=_ellipse(placed.get(one.club.id, [])),
        used=one.used,
        set_aside=one.set_aside,
        lost=one.lost,
        level_by="" if one.lie is None else one.lie.level_source.value,
        outlier=None if p_outlier is None or np.isnan(p_outlier) else round(p_outlier, 3),
        outlier_words=result.off_line,
    )


def rounded(value: float | None) -> float | None:
    """Return a length as it is shown: to a hundredth of a millimetre."""
    return None if value is None else round(value, 2)


def _sole(one: ClubEvidence) -> SolePart:
    arc = sole_arc(one.club.spec)
    length = one.club.spec.sole_length_mm or USUAL_SOLE_MM
    return SolePart(length, _SOLE_WIDTH_MM, arc.camber_mm, arc.measured)


def _contact(one: ClubEvidence) -> ContactPart | None:
    mean, interval = one.contact.mean_mm, one.contact.interval_mm
    if mean is None:
        return None
    if interval is None:
        return ContactPart(mean, None, None)
    # Unrounded, or what is rounded twice would not be what every other screen shows.
    return ContactPart(mean, interval.low, interval.high)


def _lie(one: ClubResult) -> LiePart | None:
    if one.lie_error_deg is None or one.interval_deg is None:
        return None
    interval = one.interval_deg
    return LiePart(one.lie_error_deg, interval.low, interval.high)


def _strikes(picture: SessionPicture, contacts: Sequence[StrikeRow]) -> dict[int, SeenStrike]:
    found: dict[int, SeenStrike] = {}
    for contact in contacts:
        printed = picture.printed.get(contact.id) if contact.source == "board" else None
        if contact.used and printed is not None:
            toe_mm = contact.toe_mm if printed.toe_mm is None else printed.toe_mm
            found[page_id(contact)] = SeenStrike(toe_mm, printed.reason or None)
    for one in picture.clubs:
        mishits = {(seen.source, seen.id): seen.reason for seen in one.seen if seen.reason}
        for contact in contacts:
            number = page_id(contact)
            if (
                contact.club == one.club.id
                and contact.used
                and number not in found
                and (contact.source, contact.id) in mishits
            ):
                found[number] = SeenStrike(contact.toe_mm, mishits[contact.source, contact.id])
    return found


def _placed(
    contacts: Sequence[StrikeRow], strikes: Mapping[int, SeenStrike]
) -> dict[int | None, Places]:
    """Return the places of the strikes that count, by club, where both ways are known."""
    placed: dict[int | None, Places] = {}
    for contact in contacts:
        seen = strikes.get(page_id(contact))
        toe_mm = contact.toe_mm if seen is None else seen.toe_mm
        doubted = seen is not None and seen.doubt is not None
        if contact.used and not doubted and toe_mm is not None and contact.trail_mm is not None:
            placed.setdefault(contact.club, []).append((toe_mm, contact.trail_mm))
    return placed


def _ellipse(places: Places) -> EllipsePart | None:
    if not places:
        return None
    toe_mm, trail_mm = np.array(places, dtype=np.float64).T
    return next_strike_ellipse(toe_mm, trail_mm)


def _line(picture: SessionPicture, session: SessionRow) -> LinePart | None:
    """Return where clubs on the set's line would touch, in the frame of the contacts shown.

    The model's line is in degrees of lie error; a contact is ``-R tan(lie error + stance effect)``
    plus what the sole passed beyond the mark, common to all clubs. That part is taken from the
    clubs themselves: what is left, on average over strikes, between contacts and model.
    """
    together = picture.together
    if together is None:
        return None
    lengths = [one.club.spec.length_mm for one in picture.clubs]
    hit = [one.contact.mean_mm is not None for one in picture.clubs]
    if sum(hit) < 2:
        return None
    stance = np.array(
        [
            stance_lie_error_deg(
                session.stance_mm,
                hands_mm(one.club.spec),
                one.club.spec.lie_deg or USUAL_LIE_DEG,
            )
            for one in picture.clubs
        ]
    )
    camber = np.array([sole_arc(one.club.spec).camber_mm for one in picture.clubs])
    as_hit = toe_from_lie_error(together.mean_deg + stance, camber)
    on_line = toe_from_lie_error(together.mean_deg - together.own.mean + stance, camber)
    shown = np.array([one.contact.mean_mm or 0.0 for one in picture.clubs])
    weight = np.where(hit, np.maximum(together.strikes, 1), 0)
    common = float(np.average(shown - as_hit, weights=weight))
    points = sorted(
        (round(float(length), 2), round(float(toe) + common, 2))
        for length, toe in zip(lengths, on_line, strict=True)
        if length is not None
    )
    return LinePart(points) if len(points) > 1 else None


class NumberWorks:
    """Works out a session on a reading connection of its own; what was fitted once is kept.

    May be shared between threads: who asks while another's answer is worked out gets the same one.
    """

    def __init__(self, path: Path) -> None:
        self._store = Store.open(path, read_only=True)
        self._lock = threading.Lock()
        self._reader: EvidenceReader | None = None
        self._session: SessionRow | None = None
        self._version: int | None = None
        self._found: SessionResults | None = None

    def find(self, session: SessionRow) -> SessionResults:
        """Work out what a session says as it stands now, and which club to hit next."""
        with self._lock:
            if self._reader is None or session != self._session:
                self._reader, self._session = EvidenceReader(self._store, session), session
                self._found = None
            # Taken before: what is written meanwhile is worked out next time.
            version = self._store.live.data_version()
            if self._found is None or version != self._version:
                # A wish that cannot be met is no reason to show nothing.
                self._found = session_results(self._store, session, self._reader.read())
                self._version = version
            return self._found

    def work_out(self, session: SessionRow) -> Numbers:
        """Work out the page's numbers of a session as it stands now."""
        return numbers_of(self._store, session, self.find(session))

    def close(self) -> None:
        """Close the file; what is being worked out ends with an error at its next look into it."""
        self._store.close()

    def __enter__(self) -> NumberWorks:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


# Half of all swings: of the shapes a handful of swings can carry, the one that is soonest true.
SHARE = 0.5
# Of fewer, the covariance says next to nothing. Common practice, no source.
FEWEST = 5


def next_strike_ellipse(
    toe_mm: ArrayLike, trail_mm: ArrayLike, share: float = SHARE
) -> EllipsePart | None:
    """Return the region of the next strike, or None with fewer than `FEWEST` strikes.

    Of n draws from a bivariate normal distribution with mean m and covariance S, both estimated,
    the next one x has (x - m)' S^-1 (x - m) distributed as 2 (n^2 - 1) / (n (n - 2)) F(2, n - 2)
    (Johnson and Wichern, Applied Multivariate Statistical Analysis, section 5.6, prediction of a
    future observation). For two degrees of freedom the quantile of F is closed:
    m / 2 ((1 - p)^(-2 / m) - 1).
    """
    places = np.column_stack([np.asarray(toe_mm, float), np.asarray(trail_mm, float)])
    n = len(places)
    if n < FEWEST:
        return None
    middle = places.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov(places, rowvar=False))
    dof = n - 2
    f_quantile = dof / 2 * ((1 - share) ** (-2 / dof) - 1)
    stretch = 2 * (n**2 - 1) / (n * dof) * f_quantile
    minor, major = np.sqrt(np.maximum(values, 0.0) * stretch)
    angle = math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
    # An axis has no sense of direction: over -90 up to 90.
    angle = angle - 180 if angle > 90 else angle + 180 if angle <= -90 else angle
    return EllipsePart(
        round(float(middle[0]), 2),
        round(float(middle[1]), 2),
        round(float(major), 2),
        round(float(minor), 2),
        round(angle, 1),
        share,
    )
