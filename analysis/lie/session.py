"""All strikes, marks and readings of a session -> each club's lie error: the one engine.

`session_lies` is what everything else asks. What presses say together is in
`analysis.lie.search`, from contacts to lie errors of a set in `analysis.lie.set_line`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from analysis.conventions import FloatArray, stance_lie_error_deg
from analysis.lie.answer import Findings, SharedPosterior
from analysis.lie.belief import Belief
from analysis.lie.club import LevelSource, LieError
from analysis.lie.model import HeadShape, IntArray, Places, Prints, Priors
from analysis.lie.search import Joint
from analysis.lie.set_line import (
    Camber,
    LieBelief,
    LinePlace,
    camber_belief,
    line_belief,
    line_prior,
)
from analysis.lie.set_types import FEWEST_FOR_OUTLIER, LENGTH_STEP_MM, Estimate, SetPosterior
from analysis.statistics.budget import Budget, BudgetLine, Contribution
from analysis.statistics.estimation import Interval

# Of feet against the board where nobody measured: a board is 5 to 15 mm high and stands on or in
# mats, lawns and floors. Common practice, no source.
UNTOLD_STANCE_U_MM = 6.0
# A level known less well than this (one standard deviation) is nothing to bend by: the whole of its
# 90 % interval is then wider than most heads may be bent (2 deg and a half).
CLAIMED_U_DEG = 0.75
# A press whose edge stands this deep in the cover, as a part of its greatest depth, prints its end.
_END_PRINTS = 0.1
# A strike this many scatters off its club's contact is called a mishit.
_MISHIT = 3.5
# What a person can do in a minute, and how well: rocking a head, reading a mark, measuring the
# stance with a ruler. Common practice, no source.
_ROCKED_U = 0.03
_MARK_U_MM = 1.0
_RULER_U_MM = 1.5
_MORE_SWINGS = 5
# Presses are added one by one to what this many told together, and this part of them.
_FEWEST_KNOWN = 20
_MOST_NEW = 0.1


@dataclass(frozen=True, slots=True)
class HeadFacts:
    """What is known of a club before it is hit; None = not known."""

    label: str
    camber: Camber = field(default_factory=Camber)
    sole_length_mm: float = 78.0
    sole_length_u_mm: float = 3.0
    length_mm: float | None = None
    hands_mm: float = 840.0
    """From the sole to the hands."""
    lie_deg: float = 62.0


@dataclass(frozen=True, slots=True)
class SetUp:
    """How the session stands: feet, aim, and what is known of the player's delivery."""

    stance_mm: float = 0.0
    """Feet lower than the board's surface."""
    stance_u_mm: float = UNTOLD_STANCE_U_MM
    stance_told: bool = False
    delivery_mm: float = 0.0
    """Sole's middle beyond the address mark, toward the toe, on average over the session."""
    delivery_u_mm: float = 10.0
    audit: str = ""
    """Which kept audit gave the delivery, in words; empty = none."""
    audit_settles: bool = False
    """Whether that audit settles the level."""
    pivot: int = 0
    """Place of the club from which checking starts."""


@dataclass(frozen=True, slots=True)
class Offer:
    """Something that takes a minute, and what it would bring."""

    what: str
    """``rock``, ``marks``, ``stance``, ``cover`` or ``hit``."""
    label: str
    """Club it is done with; empty = any."""
    words: str
    u_now_deg: float
    """Mean standard uncertainty of the clubs' lie errors."""
    u_then_deg: float

    @property
    def gain_deg(self) -> float:
        """By how much the mean uncertainty would fall."""
        return self.u_now_deg - self.u_then_deg


@dataclass(frozen=True, slots=True)
class ClubLie:
    """One club."""

    label: str
    strikes: int
    """Presses, marks and readings that count."""
    lie: LieError | None
    """None for a club that was not hit."""
    contact_mm: float
    """Mean contact on the sole, positive toward the toe."""
    contact_u_mm: float
    own_contact_u_mm: float
    """The part that more swings of this club take away."""
    contact_interval_mm: Interval
    rests_on: LevelSource


@dataclass(frozen=True)
class SessionLies:
    """What a session says of every club."""

    clubs: tuple[ClubLie, ...]
    """In the order of the heads given."""
    together: SetPosterior
    stance_told: bool
    level_claimed: bool
    """Whether clubs may be bent by where all of them lie, and not only by gaps."""
    level_u_deg: float
    """Standard uncertainty of the mean lie error of the clubs hit."""
    level_source: LevelSource
    level_words: str
    """What the level rests on, or what would settle it."""
    offers: tuple[Offer, ...]
    """Best first."""
    strike_toe_mm: FloatArray
    """(presses,): contact of each on its sole, in the order given."""
    strike_toe_u_mm: FloatArray
    strike_middle_mm: FloatArray
    """(presses,): where the sole's middle passed on the board, player's side."""
    strike_reason: tuple[str, ...]
    """Why it does not count, or hardly; empty where it does."""

    def u_after(self, place: int, more: int) -> float:
        """Return a club's standard uncertainty after more swings of it: what is shared stays."""
        post = self.together
        now = float(post.covariance_deg2[place, place])
        told = float(post.shown_cov[place, place]) ** 2 / (
            float(post.shown_var[place]) + float(post.new_u_deg[place]) ** 2 / max(more, 1e-9)
        )
        return math.sqrt(max(now - told, 1e-9))


class LieEngine:
    """Works a session out, again and again as strikes come in; see `session_lies`.

    What a press says is kept until what it rests on changes: a press more is fitted by itself and
    then moves what is shared by one step, until there are many of them or one that says something
    new.
    """

    def __init__(self) -> None:
        self._known: _Known | None = None

    def lies(
        self,
        prints: Sequence[Prints],
        places: Places | None,
        heads: Sequence[HeadFacts],
        set_up: SetUp | None = None,
        *,
        confidence: float = 0.90,
        priors: Priors | None = None,
    ) -> SessionLies:
        """Work out every club's lie error, as `session_lies` does."""
        if not 0 < confidence < 1:
            raise ValueError("confidence must lie within 0 and 1")
        if not heads:
            raise ValueError("a session needs at least one club")
        set_up = set_up or SetUp()
        if not (set_up.delivery_u_mm > 0 and set_up.stance_u_mm >= 0):
            raise ValueError("uncertainties must be positive")
        cambers = camber_belief([head.camber for head in heads])
        shapes = [
            HeadShape(
                head.sole_length_mm / 2,
                head.sole_length_u_mm / 2,
                math.exp(float(log)),
                head.camber.family,
            )
            for head, log in zip(heads, cambers[0], strict=True)
        ]
        priors = replace(
            priors or Priors(), delivery_mm=set_up.delivery_mm, delivery_u_mm=set_up.delivery_u_mm
        )
        kept, order = _sorted(prints)
        moved = None
        if places is not None and len(places.value_mm):
            back = np.empty(len(order), int)
            back[order] = np.arange(len(order))
            audits = np.array([back[a] if a >= 0 else -1 for a in places.audits], int)
            moved = replace(places, audits=audits)
        found = self._more(prints, places, shapes, priors, order)
        if found is None:
            joint = Joint(kept, moved, shapes, priors)
            findings = joint.find()
            at = np.empty(len(order), int)
            at[order] = np.arange(len(order))
            self._known = _Known(
                joint, tuple(prints), places, shapes, priors, findings, at, len(order)
            )
            found = findings.posterior()
        return _Reading(found, kept, order, moved, heads, cambers, set_up, confidence).lies()

    def _more(
        self,
        prints: Sequence[Prints],
        places: Places | None,
        shapes: list[HeadShape],
        priors: Priors,
        order: np.ndarray,
    ) -> SharedPosterior | None:
        """Take in what is new since the last time; None where all must be fitted again."""
        known = self._known
        if known is None or (known.shapes, known.priors) != (shapes, priors):
            return None
        new = known.new_in(prints, places)
        if new is None:
            return None
        findings, at = known.findings, known.at
        if sum(len(one.counts) for one in new):
            before = np.zeros(len(shapes), int)
            for one in known.prints:
                before += np.bincount(one.head, minlength=len(shapes))
            # A mark by itself says something else of a head that has prints.
            first = (before == 0)[np.concatenate([one.head for one in new]).astype(int)]
            if places is not None and first.any() and bool(np.any(places.is_mark)):
                return None
            new_sorted = [_by_head(one) for one in new]
            grown = known.joint.more([one for one, _ in new_sorted], findings, before)
            if grown is None:
                return None
            # Places among the findings of all presses in the order given.
            places_of, first, later = [], 0, known.at.size
            for old, (one, by_head) in zip(known.prints, new_sorted, strict=True):
                places_of.append(at[first : first + len(old.counts)])
                first += len(old.counts)
                back = np.empty(len(by_head), int)
                back[by_head] = np.arange(len(by_head))
                places_of.append(later + back)
                later += len(one.counts)
            findings, at = grown, np.concatenate(places_of)
        self._known = replace(known, prints=tuple(prints), findings=findings, at=at)
        return findings.posterior(at[order])


@dataclass(frozen=True)
class _Known:
    """What was fitted, and of what."""

    joint: Joint
    prints: tuple[Prints, ...]
    places: Places | None
    shapes: list[HeadShape]
    priors: Priors
    findings: Findings
    at: np.ndarray
    """(presses,): place among the findings of each press in the order given."""
    fitted: int
    """Presses that were fitted together."""

    def new_in(self, prints: Sequence[Prints], places: Places | None) -> list[Prints] | None:
        """Return what came after what is known; None where anything else has changed."""
        if len(prints) != len(self.prints) or not _alike(places, self.places):
            return None
        new = []
        for one, old in zip(prints, self.prints, strict=True):
            n = len(old.counts)
            same = (
                n
                and (one.cells, one.address_mm) == (old.cells, old.address_mm)
                and (one.gain_u, one.shared_gain_u) == (old.gain_u, old.shared_gain_u)
                and (one.bend, one.bend_u) == (old.bend, old.bend_u)
                and len(one.counts) >= n
                and np.array_equal(one.head[:n], old.head)
                and np.array_equal(one.saturated[:n], old.saturated)
                # Noise is of all strikes of the session, and moves what skew takes a little.
                and np.abs(one.counts[:n] - old.counts).max() < 0.002 * old.counts.max()
            )
            if not same:
                return None
            rest = slice(n, None)
            new.append(
                replace(
                    one,
                    counts=one.counts[rest],
                    variance=one.variance[rest],
                    saturated=one.saturated[rest],
                    head=np.asarray(one.head)[rest],
                )
            )
        count = sum(len(one.counts) for one in prints)
        many = self.fitted < _FEWEST_KNOWN or count > (1 + _MOST_NEW) * self.fitted
        return None if many else new


def _alike(one: Places | None, other: Places | None) -> bool:
    if one is None or other is None:
        return one is other
    return all(np.array_equal(getattr(one, f.name), getattr(other, f.name)) for f in fields(Places))


def session_lies(
    prints: Sequence[Prints],
    places: Places | None,
    heads: Sequence[HeadFacts],
    set_up: SetUp | None = None,
    *,
    confidence: float = 0.90,
    priors: Priors | None = None,
) -> SessionLies:
    """Work out every club's lie error from all that was struck.

    Parameters
    ----------
    prints : sequence of Prints
        Presses by rows of cells; each may hold any heads in any order, and may be empty.
    places : Places, optional
        Readings without scans, and marks; ``audits`` counts the presses of all ``prints`` in the
        order given.
    heads : sequence of HeadFacts
        All clubs of the set, hit or not.
    set_up : SetUp, optional
        Feet and aim.
    confidence : float
        Of all intervals.
    priors : Priors, optional
        For tests.

    Returns
    -------
    SessionLies

    Raises
    ------
    ValueError
        A confidence outside 0 and 1, no head, or an uncertainty that is not positive.
    """
    return LieEngine().lies(prints, places, heads, set_up, confidence=confidence, priors=priors)


def _by_head(one: Prints) -> tuple[Prints, np.ndarray]:
    """Presses of a head together, and where each was."""
    # Presses of a head by weight, so that the order in which they came plays no part.
    place = np.lexsort((np.round(one.counts.sum(axis=1)), one.head))
    together = replace(
        one,
        counts=one.counts[place],
        variance=one.variance[place],
        saturated=one.saturated[place],
        head=np.asarray(one.head)[place],
    )
    return together, place


def _sorted(prints: Sequence[Prints]) -> tuple[list[Prints], np.ndarray]:
    """Presses of a head together, and where each was: all presses counted through."""
    kept, order, first = [], [], 0
    for one in prints:
        together, place = _by_head(one)
        if len(place):
            kept.append(together)
        order.append(first + place)
        first += len(place)
    return kept, np.concatenate([np.zeros(0, int), *order]).astype(int)


class _Reading:
    """From the posterior of what is shared to what is said of each club."""

    def __init__(
        self,
        shared: SharedPosterior,
        prints: Sequence[Prints],
        order: np.ndarray,
        places: Places | None,
        heads: Sequence[HeadFacts],
        cambers: tuple[FloatArray, FloatArray],
        set_up: SetUp,
        confidence: float,
    ) -> None:
        self.shared, self.order, self.places = shared, order, places
        self.heads, self.cambers, self.set_up, self.confidence = heads, cambers, set_up, confidence
        n = len(heads)
        self.head = np.concatenate([np.zeros(0, int), *[one.head for one in prints]]).astype(int)
        self.strikes = np.bincount(self.head[~shared.odd], minlength=n)
        self.marks = np.zeros(n, int)
        if places is not None:
            at = np.asarray(places.head, int)
            alone = places.audits < 0
            self.strikes = self.strikes + np.bincount(at[alone], minlength=n)
            self.marks = np.bincount(at[np.asarray(places.is_mark, bool)], minlength=n)
        self.hit = self.strikes > 0
        w = np.exp(shared.log_weight - shared.log_weight.max())
        self.w = w / w.sum()
        self.radius = np.exp(cambers[0])
        self.per_mm = np.degrees(1.0) / self.radius
        self.stance = np.array(
            [stance_lie_error_deg(1.0, head.hands_mm, head.lie_deg) for head in heads]
        )
        self.z, self.family = _places_on_line(heads, set_up.pivot)

    def belief(self, cambers: tuple[FloatArray, FloatArray], stance_u_mm: float) -> LieBelief:
        s = self.shared
        return line_belief(
            s.log_weight,
            s.tangent_mm,
            s.covariance[:, len(self.heads) :, len(self.heads) :],
            cambers,
            [LinePlace(float(z), f) for z, f in zip(self.z, self.family, strict=True)],
            self.stance * self.set_up.stance_mm,
            self.stance * stance_u_mm,
            self.hit,
        )

    def lies(self) -> SessionLies:
        hit = self.hit
        stance_u = self.set_up.stance_u_mm
        found = self.belief(self.cambers, stance_u)
        cov = found.covariance
        # What cambers and stance add; the rest is contacts and line.
        touched = found.mean + self.stance * self.set_up.stance_mm
        camber = touched[:, None] * self.cambers[1] * touched
        stand = np.outer(self.stance, self.stance) * stance_u**2
        rest = cov - camber - stand
        level = self._level_variance(rest)
        source = self._source()
        level_u = self._level_u(cov)
        # Told by ends, marks or an audit, and well enough; and nobody bends by feet not measured.
        claimed = (
            self.set_up.stance_told
            and bool(hit.any())
            and source.is_resolved
            and level_u <= CLAIMED_U_DEG
        )
        together = self._together(found, rest)
        clubs = tuple(
            self._club(i, found, together, rest[i, i], camber[i, i], stand[i, i], level, source)
            for i in range(len(self.heads))
        )
        toe, u, middle, reasons = self._strikes()
        return SessionLies(
            clubs,
            together,
            self.set_up.stance_told,
            claimed,
            level_u,
            source,
            self._level_words(source, level_u, claimed),
            self._offers(found, together, camber, stand, level),
            toe,
            u,
            middle,
            reasons,
        )

    def _level_variance(self, rest: FloatArray) -> float:
        """Variance that contacts of all clubs hit share, deg^2."""
        hit = np.flatnonzero(self.hit)
        if len(hit) < 2:
            i = int(hit[0]) if len(hit) else 0
            own = self._own_deg2()[i]
            return max(float(rest[i, i]) - float(own), 0.0)
        part = rest[np.ix_(hit, hit)]
        between = part[~np.eye(len(hit), dtype=bool)]
        return max(float(between.mean()), 0.0)

    def _own_deg2(self) -> FloatArray:
        """(n,): variance of a contact with all that is shared held, deg^2."""
        own = np.where(self.hit, self.shared.own_var, 1e6)
        return np.asarray(np.minimum(own, 1e6) * self.per_mm**2)

    def _level_u(self, cov: FloatArray) -> float:
        if not self.hit.any():
            return math.inf
        return float(np.sqrt(max(cov[np.ix_(self.hit, self.hit)].mean(), 0.0)))

    def _source(self) -> LevelSource:
        if self.marks.sum() >= 1:
            return LevelSource.MARKS
        ends = self.shared.ends
        printing = (np.zeros(2) if not ends.shape[1] else (ends > _END_PRINTS).mean(axis=1)) > 0.5
        if printing.all():
            return LevelSource.BOTH_ENDS
        if printing.any():
            return LevelSource.HEEL_END if printing[0] else LevelSource.TOE_END
        if self.set_up.audit_settles:
            return LevelSource.MARKS
        return LevelSource.ADDRESS

    def _level_words(self, source: LevelSource, level_u: float, claimed: bool) -> str:
        base = self._rests_on(source)
        if not self.set_up.stance_told:
            return f"{base}; not claimed: nobody said how high the feet stand"
        if not claimed:
            return f"{base}; not claimed: known to {level_u:.1f}° only"
        return base

    def _rests_on(self, source: LevelSource) -> str:
        audited = self.set_up.audit and not self.marks.any()
        if audited and source in (LevelSource.MARKS, LevelSource.ADDRESS):
            return f"{source.value} ({self.set_up.audit})"
        return source.value

    def _together(self, found: LieBelief, rest: FloatArray) -> SetPosterior:
        n = len(self.heads)
        lie = _belief(found.weights, found.means, found.covs)
        own = _belief(found.weights, found.own_means, found.own_covs)
        tails = ((1 - self.confidence) / 2, (1 + self.confidence) / 2)
        low, high = (np.array([lie.quantile(i, q) for i in range(n)]) for q in tails)
        # What a new strike would show: lie error and what the board takes for it alike.
        measured = self._own_deg2()
        x = line_prior(self.z, self.family) + np.diag(np.full(n, found.own_sd**2))
        contact = self.shared.covariance.mean(axis=0)[:n, :n] * np.outer(self.per_mm, self.per_mm)
        error = contact - np.diag(np.minimum(measured, np.diag(contact)))
        off = self.shared.contact_mm - self.w @ self.shared.contact_mm
        error = error + np.einsum("k,ki,kj->ij", self.w, off, off) * np.outer(
            self.per_mm, self.per_mm
        )
        error[~self.hit] = 0.0
        error[:, ~self.hit] = 0.0
        common = float(np.mean(error[np.ix_(self.hit, self.hit)])) if self.hit.any() else 0.0
        error[~self.hit] = common
        error[:, ~self.hit] = common
        both = x + (error + error.T) / 2
        values, vectors = np.linalg.eigh(both)
        both = (vectors * np.maximum(values, 1e-6)) @ vectors.T
        left = np.linalg.solve(both + np.diag(measured), np.diag(measured))
        shown_cov = x @ left
        shown_var = np.maximum(np.diag(both @ left), 1e-9)
        per_swing = np.hypot(self.shared.contact_scatter_mm, 0.5) * self.per_mm * 1.2
        averaged = np.sqrt(np.where(self.hit, measured * np.maximum(self.strikes, 1), 0.0))
        new_u = np.maximum(per_swing, averaged)
        p_outlier, notes = _outliers(found.p_outlier, self.strikes, self.family, self.heads)
        delivery = self.w @ self.shared.delivery_mm
        delivery_u = float(np.sqrt(self.w @ (self.shared.delivery_mm - delivery) ** 2))
        pivot = min(self.set_up.pivot, n - 1)
        level_sd = float(np.sqrt(max(lie.covariance[pivot, pivot], 0.0)))
        odd = np.where(self.shared.odd, math.nan, self._stray())
        return SetPosterior(
            labels=tuple(head.label for head in self.heads),
            strikes=self.strikes.astype(np.intp),
            lie=lie,
            own=own,
            p_outlier=p_outlier,
            low_deg=low,
            high_deg=high,
            confidence=self.confidence,
            level=self._estimate(float(found.weights @ found.level_mean), level_sd),
            slope=self._estimate(found.slope, found.slope_sd),
            drift=self._estimate(0.0, 0.0),
            scatter=self._estimate(
                float(self.shared.contact_scatter_mm * np.mean(self.per_mm)), 0.0
            ),
            own_sd=self._estimate(found.own_sd, 0.0),
            offset_mm=self._estimate(float(delivery), delivery_u),
            p_stray=self._as_given(odd),
            shown_cov=np.asarray(shown_cov),
            shown_var=np.asarray(shown_var),
            new_u_deg=np.asarray(new_u),
            notes=notes,
        )

    def _estimate(self, value: float, u: float) -> Estimate:
        from scipy.special import ndtri

        half = float(ndtri((1 + self.confidence) / 2)) * u
        return Estimate(value, u, Interval(value - half, value + half, self.confidence))

    def _club(
        self,
        i: int,
        found: LieBelief,
        together: SetPosterior,
        rest: float,
        camber: float,
        stand: float,
        level: float,
        source: LevelSource,
    ) -> ClubLie:
        head, s = self.heads[i], self.shared
        value = float(found.mean[i])
        # As struck: what the soles showed, before the set's line is heeded.
        contact = float(self.w @ s.contact_mm[:, i])
        own = max(rest - min(level, rest), 1e-8)
        level = max(rest - own, 0.0)
        total = math.sqrt(own + level + camber + stand)
        low, high = float(together.low_deg[i]), float(together.high_deg[i])
        contact_u = math.sqrt(own + level) / self.per_mm[i]
        factor = (high - low) / 2 / total
        rests_on = LevelSource.MARKS if self.marks[i] and not s.press_t.size else source
        lie = None
        if self.hit[i]:
            parts = [
                Contribution("its own swings", math.sqrt(own), "deg", improve_key="scatter"),
                Contribution("level, shared", math.sqrt(level), "deg", improve_key="level"),
                Contribution("camber", math.sqrt(camber), "deg", improve_key="camber"),
                Contribution(
                    "stance height, shared", math.sqrt(stand), "deg", improve_key="stance"
                ),
            ]
            lines = tuple(
                sorted(
                    (BudgetLine(p, p.u, p.u**2 / total**2) for p in parts),
                    key=lambda line: -line.share,
                )
            )
            budget = Budget(
                value, total, math.inf, factor, (high - low) / 2, self.confidence, lines
            )
            lie = LieError(
                lie_error_deg=value,
                u_deg=total,
                dof=math.inf,
                interval_deg=Interval(low, high, self.confidence),
                toe_mm=contact,
                camber_mm=float(self.radius[i]),
                components_deg={
                    "contact": math.sqrt(own),
                    "camber": math.sqrt(camber),
                    "level": math.sqrt(level),
                    "stance": math.sqrt(stand),
                },
                shared_deg=(math.sqrt(level), -math.sqrt(stand)),
                level_source=rests_on,
                note=self._note(head, rests_on),
                budget=budget,
                level_words=self._rests_on(rests_on),
            )
        half = factor * contact_u
        return ClubLie(
            head.label,
            int(self.strikes[i]),
            lie,
            contact,
            contact_u,
            math.sqrt(own) / self.per_mm[i],
            Interval(contact - half, contact + half, self.confidence),
            rests_on,
        )

    def _note(self, head: HeadFacts, source: LevelSource) -> str:
        text = (
            f"level known from {source.value}"
            if source.is_resolved
            else "level from the address mark only: gaps between clubs hold, but all clubs "
            "together may be off; a few marks settle it"
        )
        if not self.set_up.stance_told:
            text += "; how high the feet stand was not measured"
        return text if head.camber.mm is not None else f"{text}; the sole's radius was not measured"

    def _stray(self) -> FloatArray:
        """(presses, sorted): chance of each to be a mishit, by the densities of the two."""
        s = self.shared
        if not s.press_t.size:
            return np.zeros(0)
        away = np.abs(self.w @ (s.press_t - s.contact_mm[:, self.head])) / s.contact_scatter_mm
        u = self.w @ s.press_t_u / s.contact_scatter_mm
        return np.asarray(1 / (1 + np.exp(-4 * (away / np.hypot(1, u) - _MISHIT))))

    def _strikes(self) -> tuple[FloatArray, FloatArray, FloatArray, tuple[str, ...]]:
        s = self.shared
        if not s.press_t.size:
            return np.zeros(0), np.zeros(0), np.zeros(0), ()
        toe = self.w @ s.press_t
        middle = self.w @ s.press_v - toe
        contact = self.w @ s.contact_mm[:, self.head]
        stray = self._stray()
        reasons = []
        for p, odd in enumerate(s.odd):
            away = toe[p] - contact[p]
            if odd:
                reasons.append(ODD_WORDS)
            elif stray[p] > 0.5:
                side = "toe" if away > 0 else "heel"
                reasons.append(f"{abs(away):.1f} mm toward the {side} of the others: a mishit")
            else:
                reasons.append("")
        back = np.empty(len(self.order), int)
        back[self.order] = np.arange(len(self.order))
        u = np.sqrt(self.w @ s.press_t_u**2)
        return toe[back], u[back], middle[back], tuple(reasons[p] for p in back)

    def _as_given(self, values: FloatArray) -> FloatArray:
        out = np.empty(len(self.order))
        out[self.order] = values
        return out

    def _offers(
        self,
        found: LieBelief,
        together: SetPosterior,
        camber: FloatArray,
        stand: FloatArray,
        level: float,
    ) -> tuple[Offer, ...]:
        """Say what a minute would bring to the mean standard uncertainty of the clubs hit."""
        hit = self.hit
        if not hit.any():
            return ()
        var = np.diag(found.covariance)

        def mean_u(left: FloatArray) -> float:
            return float(np.sqrt(np.maximum(left, 1e-9))[hit].mean())

        now = mean_u(var)
        offers = []

        def offer(what: str, label: str, words: str, left: FloatArray) -> None:
            offers.append(Offer(what, label, words, now, min(mean_u(left), now)))

        cov_r = self.cambers[1]
        touched = found.mean + self.stance * self.set_up.stance_mm
        rocks = []
        for j, head in enumerate(self.heads):
            if head.camber.mm is None:
                less = cov_r[:, j] ** 2 / (cov_r[j, j] + _ROCKED_U**2)
                rocks.append((mean_u(var - touched**2 * less), j, less))
        if rocks:
            _, j, less = min(rocks, key=lambda r: r[0])
            name = self.heads[j].label
            offer("rock", name, f"rock the {name} on the board", var - touched**2 * less)
        # Three marks: each to its own error, all with what reading them has in common.
        mark = (_MARK_U_MM**2 / 3 + Priors().marks_u_mm ** 2) * float(
            np.mean(self.per_mm[hit])
        ) ** 2
        offer("marks", "", "read three marks off the sole", var - level**2 / (level + mark))
        if not self.set_up.stance_told or self.set_up.stance_u_mm > 1.5 * _RULER_U_MM:
            less = np.diag(stand) - (self.stance * _RULER_U_MM) ** 2
            offer("stance", "", "measure how high the feet stand", var - np.maximum(less, 0.0))
        if self.head.size and (self.shared.ends > _END_PRINTS).all(axis=0).mean() <= 0.5:
            told = self._both_ends_deg2()
            offer(
                "cover",
                "",
                "use a softer cover, so that both ends of the soles print",
                var - level**2 / (level + told),
            )
        runs = []
        for j in map(int, np.flatnonzero(hit)):
            cov_j = together.shown_cov[:, j]
            less = cov_j**2 / (together.shown_var[j] + together.new_u_deg[j] ** 2 / _MORE_SWINGS)
            runs.append((mean_u(var - less), j, less))
        _, j, less = min(runs, key=lambda r: r[0])
        name = self.heads[j].label
        offer("hit", name, f"hit the {name} {_MORE_SWINGS} more times", var - less)
        return tuple(sorted(offers, key=lambda one: -one.gain_deg))

    def _both_ends_deg2(self) -> float:
        """Variance of the level that both ends would leave: where they lie on the heads, deg^2."""
        p = Priors()
        heads = max(int(self.hit.sum()), 1)
        # The middle between the ends: ground off differently at heel and toe, in all heads alike
        # by `alike`; shape of the print tells half of it.
        ground = p.ground_u_mm**2 / 2 * (p.alike + (1 - p.alike) / heads) / 4
        swings = p.scatter_mm**2 / max(int(self.strikes.sum()), 1)
        aside = p.aside_u_mm**2 + p.middle_u_mm**2 / heads
        return float(
            (ground + swings + aside + p.floor_u_mm**2) * np.mean(self.per_mm[self.hit]) ** 2
        )


ODD_WORDS = "the pattern is not that of a sole: look at the cells and their calibration"


def _belief(weights: FloatArray, means: FloatArray, covs: FloatArray) -> Belief:
    middle = weights @ means
    off = means - middle
    total = np.tensordot(weights, covs, 1) + (off * weights[:, None]).T @ off
    sd = np.sqrt(np.maximum(np.diagonal(covs, axis1=1, axis2=2), 1e-12))
    return Belief(middle, (total + total.T) / 2, weights, means, sd, np.full(middle.size, math.inf))


def _places_on_line(heads: Sequence[HeadFacts], pivot: int) -> tuple[FloatArray, list[int]]:
    """Half inches longer than the pivot; clubs of unknown length between their neighbours."""
    length = np.array([head.length_mm or math.nan for head in heads])
    known = np.isfinite(length)
    index = np.arange(len(heads))
    if known.any():
        length = np.interp(index, index[known], length[known])
    else:
        length = -LENGTH_STEP_MM * index.astype(float)
    pivot = min(pivot, len(heads) - 1)
    return (length - length[pivot]) / LENGTH_STEP_MM, [head.camber.family for head in heads]


def _outliers(
    p: FloatArray, counts: IntArray, family: Sequence[int], heads: Sequence[HeadFacts]
) -> tuple[FloatArray, tuple[str, ...]]:
    """Probabilities, NaN where none can be told, and why."""
    out = np.array(p, dtype=np.float64)
    hit = counts > 0
    out[~hit] = math.nan
    notes = []
    if hit.sum() < FEWEST_FOR_OUTLIER:
        out[:] = math.nan
        notes.append(
            f"fewer than {FEWEST_FOR_OUTLIER} clubs were hit: which of them is the odd one cannot "
            "be told"
        )
    missing = [head.label for head, n in zip(heads, counts, strict=True) if n == 0]
    if missing:
        notes.append(f"no strike of {', '.join(missing)}: what is said of it comes from the others")
    return out, tuple(notes)
