"""What a session's strikes say of each club: contact, lie error, and how sure. Read-only.

Where a board sends whole scans the footprints tell contact and lie apart
(`logger.session.footprints`); readings and marks are taken at their word, and the level rests on
the address mark or on the sole itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.budget import coverage_factor
from analysis.contact import Axis, ContactMean, Judgement, contact_mean, judge, tolerance_mm
from analysis.conventions import toe_from_lie_error
from analysis.estimation import Interval
from analysis.footprint_levels import SessionLevels, session_levels
from analysis.lie import Level, LevelSource, LieError, SoleArc, Stance, lie_error
from analysis.set_model_types import SetPosterior
from logger.clubs import ClubSpec
from logger.session.footprints import FootprintReader, Footprints
from logger.session.set_view import hands_mm, set_posterior
from logger.store.rows import ClubRow, SessionRow, StrikeRow
from logger.store.store import Store

_USUAL_LIE_DEG = 62.0
# From this probability on a club is called one that stands off the line.
_NAMED_OUTLIER = 0.5
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
    strange: int
    """Strikes whose cells do not look like a sole's; they count in ``set_aside``."""

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
            f"level resolved by: {self.lie.level_source.value})"
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
        printed = _put_together(fitted, marks, self._rules.confidence)
        evidence = [
            _club_evidence(
                club,
                [contact for contact in contacts if contact.club == club.id],
                printed,
                lost.get(club.id, 0),
                session,
                self._rules,
            )
            for club in clubs
        ]
        together = None
        if counted:
            together = set_posterior(
                session, clubs, arcs, counted, fitted, own.pivot_club, self._rules.confidence
            )
        return SessionPicture(tuple(evidence), together)


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


@dataclass(frozen=True, slots=True)
class _FromPrint:
    """What the footprints say of one club."""

    toe_mm: float
    own_u_mm: float
    """Uncertainty that is this club's own."""
    level: Level
    dof: float


@dataclass(frozen=True, slots=True)
class _Printed:
    """What the footprints of a session say."""

    toe_mm: dict[int, float]
    """By strike: most probable contact on the sole."""
    reasons: dict[int, str]
    """By strike: why there is no footprint, or why it does not count."""
    clubs: dict[int, _FromPrint]


def _put_together(
    fitted: Footprints | None, marks: Mapping[int, StrikeRow], confidence: float
) -> _Printed:
    found = _Printed({}, {}, {})
    if fitted is None:
        return found
    fits = fitted.fits
    for strike, value, why in zip(fitted.strikes, fits.toe_mm, fits.reasons, strict=True):
        if why:
            found.reasons[strike.id] = why
        else:
            found.toe_mm[strike.id] = float(value)
    club = np.array([strike.club for strike in fitted.strikes], dtype=np.int64)
    counts = fits.ok & ~_mishits(fitted, club, found.reasons, confidence)
    if counts.any():
        marked = [marks.get(strike.id) for strike in fitted.strikes]
        levels = session_levels(
            fits.take(counts),
            club[counts],
            marks_toe_mm=np.array([m.toe_mm if m else np.nan for m in marked])[counts],
            marks_u_mm=np.array([m.toe_u_mm if m else 1.0 for m in marked])[counts],
        )
        found.clubs.update(_by_club(levels))
    return found


def _mishits(
    one: Footprints, club: NDArray[np.int64], reasons: dict[int, str], confidence: float
) -> NDArray[np.bool_]:
    """Find the strikes that stand off their club's others: they are not the swing that is fitted.

    Adds the reason of each to ``reasons``.
    """
    strange = np.zeros(len(club), dtype=bool)
    for label in np.unique(club):
        own = np.flatnonzero((club == label) & one.fits.ok)
        mean = contact_mean(one.fits.toe_mm[own], confidence=confidence)
        for aside in mean.set_aside:
            strange[own[aside.index]] = True
            reasons[one.strikes[own[aside.index]].id] = aside.reason
    return strange


def _by_club(levels: SessionLevels) -> dict[int, _FromPrint]:
    """Split each club's uncertainty into its own part and what all clubs share."""
    per_mm = levels.lie_sd_deg / np.maximum(levels.toe_sd_mm, 1e-9)
    sd, gap = levels.lie_sd_deg, levels.gap_sd_deg
    shared_mm = levels.offset_sd_mm
    if len(sd) > 1:
        # Var(a - b) = Var a + Var b - 2 Cov: what is left between clubs is the level they share.
        covariance = (sd[:, None] ** 2 + sd**2 - gap**2) / 2
        between = covariance[~np.eye(len(sd), dtype=bool)]
        shared_mm = math.sqrt(max(float(between.mean()), 0.0)) / float(per_mm.mean())
    source = LevelSource(levels.level_by)
    dof = float(max(levels.strikes.sum() - len(sd), 1))
    found: dict[int, _FromPrint] = {}
    for index, club in enumerate(levels.club):
        total = float(levels.toe_sd_mm[index])
        level_u = min(shared_mm, total)
        found[int(club)] = _FromPrint(
            float(levels.toe_mm[index]),
            math.sqrt(max(total**2 - level_u**2, 0.0)),
            Level(0.0, level_u, source=source),
            dof,
        )
    return found


def _club_evidence(
    club: ClubRow,
    contacts: Sequence[StrikeRow],
    printed: _Printed,
    lost: int,
    session: SessionRow,
    rules: EvidenceRules,
) -> ClubEvidence:
    used = [c for c in contacts if c.used and c.toe_mm is not None]
    board = [c for c in used if c.source == "board"]
    from_print = printed.clubs.get(club.id)
    strange = 0
    if from_print is not None:
        clear = [c for c in board if c.id not in printed.reasons]
        strange = sum(c.id not in printed.toe_mm for c in board)
        toe = _printed_mean([printed.toe_mm[c.id] for c in clear], from_print, rules.confidence)
        level, n_used = from_print.level, len(clear)
    else:
        toe = contact_mean([_number(c.toe_mm) for c in used], confidence=rules.confidence)
        level, n_used = _plain_level(session, used), len(used) - len(toe.set_aside)
    trails = [_number(c.trail_mm) for c in used if c.trail_mm is not None]
    trail = contact_mean(trails, axis=Axis.FRONT_BACK, confidence=rules.confidence)
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
        strange=strange,
    )


def _printed_mean(
    values_mm: Sequence[float], from_print: _FromPrint, confidence: float
) -> ContactMean:
    """Mean contact by the footprints of the whole session, spread by this club's own strikes."""
    plain = contact_mean(values_mm, confidence=confidence)
    half = coverage_factor(from_print.dof, confidence) * from_print.own_u_mm
    return replace(
        plain,
        n_used=len(values_mm),
        set_aside=(),
        mean_mm=from_print.toe_mm,
        u_mm=from_print.own_u_mm,
        dof=from_print.dof,
        interval_mm=Interval(from_print.toe_mm - half, from_print.toe_mm + half, confidence),
    )


def _plain_level(session: SessionRow, used: Sequence[StrikeRow]) -> Level:
    """Return what is known of where the sole's middle passed without footprints."""
    if used and all(c.source == "mark" for c in used):
        # Read off the sole itself: the board's middle does not enter.
        return Level(0.0, 0.0, source=LevelSource.MARKS)
    return Level(0.0, session.sole_middle_u_mm, source=LevelSource.ADDRESS)


def _number(value: float | None) -> float:
    assert value is not None
    return value
