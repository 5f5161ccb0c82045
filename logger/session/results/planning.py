"""From a session's evidence to the bend sheet of the whole set."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from analysis.answers import NoAnswerError
from analysis.conventions import NORMAL_90, WEDGE_LOFT_DEG, Hand
from analysis.plan.bounce import BounceVerdict, SoleKind, bounce_error, loft_bend
from analysis.plan.decision import Outlook, swing_news
from analysis.plan.heads import Head, head_room_deg
from analysis.plan.optimum import along_set, plan_set
from analysis.plan.types import PlanClub, PlanRules, SetPlan, Settles
from logger.errors import UsageError
from logger.session.evidence.evidence import ClubEvidence, SessionPicture
from logger.session.evidence.soles import sole_arc
from logger.session.results.gradation import StaticLies, static_lies
from logger.setfiles.clubs import ClubSpec
from logger.store.rows import BendRow, SessionRow
from logger.store.store import Store

_HEADS = {"forged": Head.SOFT_FORGED, "cast": Head.CAST}
_USUAL_INCREMENT_DEG = 0.5
# In a table of wishes by club: what is asked for every club that has no wish of its own.
EVERY_CLUB = ""


@dataclass(frozen=True, slots=True)
class PlanWishes:
    """What the fitter asks for beyond the evidence."""

    increment_deg: float | None = None
    """Of the machine; left out it is the session's, then half a degree."""
    locked: Collection[str] = ()
    """Labels of clubs to leave alone."""
    into_line: bool = False
    """Put clubs into line with the set and leave its level alone."""
    metres: bool = True
    """Weigh misses in metres at carry where lofts are known; else in degrees."""
    must_bend: Mapping[str, float | None] = field(default_factory=dict)
    """By label: clubs to bend whatever the evidence says, and how far, + upright; None = as is
    best."""
    most_bend_deg: Mapping[str, float] = field(default_factory=dict)
    """By label or `EVERY_CLUB`: how far a club may end from its present lie."""
    within_deg: Mapping[str, float] = field(default_factory=dict)
    """By label or `EVERY_CLUB`: how far a club may end from its wanted lie error."""
    loft_change_deg: Mapping[str, float] = field(default_factory=dict)
    """By label or `EVERY_CLUB`: change of loft on the same visit to the machine, + weaker."""

    def of(self, table: Mapping[str, float], label: str) -> float | None:
        """Look up what is asked for a club, or for every club."""
        named = {name.casefold(): value for name, value in table.items()}
        return named.get(label.casefold(), named.get(EVERY_CLUB))

    @property
    def named(self) -> set[str]:
        """Labels of all clubs that anything is asked for, in lower case."""
        tables = (self.must_bend, self.most_bend_deg, self.within_deg, self.loft_change_deg)
        labels = {label.casefold() for table in (*tables, self.locked) for label in table}
        return labels - {EVERY_CLUB}


def bend_plan(
    store: Store,
    session: SessionRow,
    picture: SessionPicture,
    wishes: PlanWishes | None = None,
) -> SetPlan:
    """Plan the bends of a session's set.

    Raises
    ------
    NoAnswerError
        There is nothing to plan from, or wishes and limits clash; one line that says which.
    """
    wishes = wishes or PlanWishes()
    together = picture.together
    if together is None:
        raise NoAnswerError(
            f"session {session.id} has no strike that counts: log some, or type marks in"
        )
    level = level_claim(session, picture)
    gaps = wishes.into_line or not level.claimed
    clubs = plan_clubs(store, session, picture, wishes)
    rules = plan_rules(session, wishes)
    notes = []
    if gaps:
        unmet = [club.label for club in clubs if club.wanted]
        clubs = [replace(club, wanted=0.0) for club in clubs]
        if not wishes.into_line:
            notes.append(f"{level.words} {level.what_settles}")
            notes.append(
                "So the sheet rests on gaps between the clubs: it bends only one that stands off "
                "the line of the others."
            )
        if unmet:
            notes.append(f"By gaps, what is wanted of {', '.join(unmet)} does not count yet.")
    belief = together.own if gaps else together.lie
    outlooks = [
        _outlook(session, picture, place, level, gaps=gaps, into_line=wishes.into_line)
        for place in range(len(clubs))
    ]
    bends = _bends(store)
    since = [_bent_since(store, session, one, bends.get(one.club.id, ())) for one in picture.clubs]
    shift = np.array(since)
    belief = replace(belief, mean=belief.mean + shift, part_mean=belief.part_mean + shift)
    lies = static_lies(store, session.set, [one.club for one in picture.clubs])
    clubs, read = _with_overlays(clubs, lies)
    steps = [] if lies is None else lies.steps([clubs[i].label for i in along_set(clubs)])
    plan = plan_set(clubs, belief, rules, steps, outlooks=outlooks, gaps=gaps)
    notes += [
        f"{one.club.label} was bent {bend:+g}° after it was hit here: its lie error is taken as it "
        "should be now. Hit it again."
        for one, bend in zip(picture.clubs, since, strict=True)
        if bend
    ]
    notes += read
    notes += loft_proposals(picture.clubs, clubs, plan)
    return replace(plan, notes=(*notes, *plan.notes))


@dataclass(frozen=True, slots=True)
class LevelClaim:
    """Whether clubs may be bent by where all of them lie together, and not only by gaps."""

    claimed: bool
    words: str
    """What is known of the level, one sentence."""
    settles: tuple[Settles, ...]
    """What is needed to claim it, all of it; empty where it is claimed."""
    judge: str
    """What cannot tell, where it cannot: the board, or marks."""

    @property
    def what_settles(self) -> str:
        """What to do about it, one sentence; empty where it is claimed."""
        if self.claimed:
            return ""
        needs = [one.value for one in self.settles]
        if Settles.MARKS in self.settles and self.judge == THIS_BOARD:
            needs[0] += " (or use " + Settles.COVER.value + ")"
        return f"To settle it: {', and '.join(needs)}."


THIS_BOARD = "this board"


def level_claim(session: SessionRow, picture: SessionPicture) -> LevelClaim:
    """Say what is known of where all clubs lie together."""
    lies = picture.lies
    by_board = any(seen.source == "board" for one in picture.clubs for seen in one.seen)
    judge = THIS_BOARD if by_board else "marks alone"
    if lies is None:
        return LevelClaim(False, "The level is not known.", (Settles.MARKS,), judge)
    rests = sorted(
        {
            one.lie.level_words
            for one in picture.clubs
            if one.lie is not None and one.lie.level_source.is_resolved
        }
    )
    resolved = f"Level resolved by: {', '.join(rests)}"
    if lies.level_claimed:
        return LevelClaim(True, f"{resolved}.", (), judge)
    needs, why = [], []
    offers = [_OFFERS[one.what] for one in lies.offers if one.what in _OFFERS]
    if not rests or session.stance_told:
        needs.append(next((one for one in offers if one is not Settles.STANCE), Settles.MARKS))
        why.append(
            "no sole end prints clearly and no marks were read"
            if not rests
            else f"what there is leaves it open by {NORMAL_90 * lies.level_u_deg:.1f}°"
        )
    if not session.stance_told:
        needs.append(Settles.STANCE)
        why.append("how low the feet stand was not measured")
    words = f"The level is not known: {', and '.join(why)}."
    if rests:
        words = f"{resolved}, but {why[-1]}: the level is not known."
    return LevelClaim(False, words, tuple(needs), judge)


# What settles a level, by what the engine calls it; hitting more and rocking settle clubs.
_OFFERS = {"marks": Settles.MARKS, "stance": Settles.STANCE, "cover": Settles.COVER}


# What a minute's work leaves: of the level by three marks read to a millimetre, of the stance by a
# ruler, of a camber by rocking. Common practice, no source.
_MARKS_LEFT_DEG = 0.12
_RULER_LEFT_MM = 1.5
_ROCKED_LEFT = 0.03
# What takes away less than this share of the variance is not worth the minute.
_LEAST_SHARE = 0.1


def _outlook(
    session: SessionRow,
    picture: SessionPicture,
    place: int,
    level: LevelClaim,
    *,
    gaps: bool,
    into_line: bool,
) -> Outlook:
    """Say what more of it would tell of one club."""
    together = picture.together
    assert together is not None
    news = swing_news(together, place, gaps=gaps)
    if gaps:
        needs = () if into_line else tuple((one, 0.0) for one in level.settles)
        return Outlook(news, needs, into_line, level.judge)
    var = float(together.covariance_deg2[place, place])
    helps = tuple(
        (what, less)
        for what, less in _helps(session, picture.clubs[place])
        if less > _LEAST_SHARE * var
    )
    return Outlook(news, helps, True, level.judge)


def _helps(session: SessionRow, one: ClubEvidence) -> list[tuple[Settles, float]]:
    """By how much each would lower the variance of a club's lie error, deg^2."""
    if one.lie is None:
        return []
    u = one.lie.components_deg
    arc = sole_arc(one.club.spec)
    ruler = min(_RULER_LEFT_MM / max(session.stance_u_mm, 1e-9), 1.0)
    rocked = min(_ROCKED_LEFT * arc.camber_mm / max(arc.u_camber_mm, 1e-9), 1.0)
    return [
        (Settles.MARKS, u["level"] ** 2 - _MARKS_LEFT_DEG**2),
        (Settles.STANCE, u["stance"] ** 2 * (1 - ruler**2)),
        (Settles.CAMBER, u["camber"] ** 2 * (1 - rocked**2)),
    ]


def _with_overlays(
    clubs: list[PlanClub], lies: StaticLies | None
) -> tuple[list[PlanClub], list[str]]:
    """Give clubs without a measured lie the one that overlays say; and what to tell of it."""
    if lies is None:
        return clubs, []
    said = [f"Measured lies: {words}." for words in lies.contradictions]
    found = []
    for club in clubs:
        lie = lies.lie_deg(club.label)
        if club.lie_deg is None and lie is not None:
            club = replace(club, lie_deg=round(lie[0], 1))
            said.append(
                f"Lie of {club.label} by overlay: {lie[0]:.1f}° "
                f"± {NORMAL_90 * lie[1]:.1f}°; not measured."
            )
        found.append(club)
    return found, said


def plan_rules(session: SessionRow, wishes: PlanWishes) -> PlanRules:
    """Return the rules of a session's plan."""
    step = wishes.increment_deg or session.machine_increment_deg or _USUAL_INCREMENT_DEG
    return PlanRules(increment_deg=step)


def plan_clubs(
    store: Store, session: SessionRow, picture: SessionPicture, wishes: PlanWishes
) -> list[PlanClub]:
    """Return what the plan knows of each club besides its lie error, in the order of the set."""
    unknown = wishes.named - {one.club.label.casefold() for one in picture.clubs}
    if unknown:
        known = " ".join(one.club.label for one in picture.clubs)
        raise UsageError(
            f"there is no club {', '.join(sorted(unknown))} in this set: it has {known}"
        )
    _check_steps(wishes, plan_rules(session, wishes))
    metres = _metres(session, picture, wishes)
    bends = _bends(store)
    return [
        _for_plan(one, wishes, each, bends.get(one.club.id, ()))
        for one, each in zip(picture.clubs, metres, strict=True)
    ]


def _bends(store: Store) -> dict[int, list[BendRow]]:
    """All bends by club, the earliest first."""
    found: dict[int, list[BendRow]] = {}
    for bend in store.readings.bends():
        found.setdefault(bend.club, []).append(bend)
    return found


def _metres(session: SessionRow, picture: SessionPicture, wishes: PlanWishes) -> list[float | None]:
    """Metres per degree of each club that needs them, as its loft will be."""
    specs = []
    for one in picture.clubs:
        spec = one.club.spec
        # A wish in metres needs them whatever misses are weighed in.
        needed = wishes.metres or spec.bias_unit == "m"
        loft = spec.loft_deg if needed else None
        if loft is not None:
            loft += wishes.of(wishes.loft_change_deg, one.club.label) or 0.0
        specs.append(replace(spec, loft_deg=loft))
    return metres_per_deg(specs, Hand(session.hand))


def _check_steps(wishes: PlanWishes, rules: PlanRules) -> None:
    """Refuse bends that the machine cannot do."""
    for what, table in (("bend", wishes.must_bend), ("loft", wishes.loft_change_deg)):
        for label, asked in table.items():
            if asked is None:
                continue
            steps = asked / rules.increment_deg
            if not math.isclose(steps, round(steps), abs_tol=1e-6):
                raise UsageError(
                    f"a {what} of {abs(asked):g}° for {label or 'every club'} is not a whole "
                    f"number of the machine's steps of {rules.increment_deg:g}°: choose another, "
                    "or name its step with --increment"
                )
            if not 0 < abs(asked) <= rules.range_deg:
                raise UsageError(
                    f"a {what} of {asked:g}° for {label or 'every club'}: at one visit a head is "
                    f"bent by more than 0 and up to {rules.range_deg:g}°"
                )


def _bent_since(
    store: Store, session: SessionRow, one: ClubEvidence, bends: Sequence[BendRow]
) -> float:
    """Sum of the bends of a club since it was last hit in a session, + upright, degrees."""
    if not bends:
        return 0.0
    hit = store.strikes.contacts(session.id, club=one.club.id)
    last_ns = hit[-1].struck_utc_ns if hit else session.started_utc_ns
    return sum(
        bend.lie_after_deg - bend.lie_before_deg
        for bend in bends
        if bend.bent_utc_ns > last_ns
        and bend.lie_after_deg is not None
        and bend.lie_before_deg is not None
    )


def _strain_deg(bend: BendRow) -> float:
    """How far a bend turned the hosel, lie and loft together, degrees; its sign is the lie's."""
    lie = loft = 0.0
    if bend.lie_after_deg is not None and bend.lie_before_deg is not None:
        lie = bend.lie_after_deg - bend.lie_before_deg
    if bend.loft_after_deg is not None and bend.loft_before_deg is not None:
        loft = bend.loft_after_deg - bend.loft_before_deg
    return math.copysign(math.hypot(lie, loft), lie or loft)


def _for_plan(
    one: ClubEvidence, wishes: PlanWishes, metres: float | None, bends: Sequence[BendRow]
) -> PlanClub:
    spec, label = one.club.spec, one.club.label
    loft_change = wishes.of(wishes.loft_change_deg, label) or 0.0
    must = {name.casefold(): bend for name, bend in wishes.must_bend.items()}
    insisted = must.get(label.casefold(), 0.0)
    wanted = 0.0 if wishes.into_line else (spec.bias or 0.0)
    unit = spec.bias_unit or "deg"
    if unit == "m" and metres and not wishes.metres:
        # One unit for all: clubs weighed in metres beside others in degrees compare nothing.
        wanted, unit, metres = wanted / metres, "deg", None
    return PlanClub(
        label=label,
        head=head_of(spec),
        length_mm=spec.length_mm,
        lie_deg=spec.lie_deg,
        loft_deg=spec.loft_deg,
        bounce_deg=spec.bounce_deg,
        camber_mm=sole_arc(spec).camber_mm if one.lie is None else one.lie.camber_mm,
        metres_per_deg=metres,
        toe_mm=one.contact.mean_mm,
        strikes=one.used,
        wanted=wanted,
        wanted_unit=unit,
        past_bends_deg=tuple(map(_strain_deg, bends)),
        locked=label.casefold() in {name.casefold() for name in wishes.locked},
        must_bend=insisted is None,
        must_bend_deg=insisted or None,
        most_bend_deg=wishes.of(wishes.most_bend_deg, label),
        within_deg=wishes.of(wishes.within_deg, label),
        loft_change_deg=loft_change,
        trail_mm=one.trail.mean_mm,
    )


def head_of(spec: ClubSpec) -> Head:
    """Say what a head is made of, as far as bending goes."""
    return _HEADS.get(spec.head_material or "", Head.HARD_OR_UNKNOWN)


def metres_per_deg(specs: Sequence[ClubSpec], hand: Hand) -> list[float | None]:
    """Metres to the right at carry per degree too upright; None without loft and length."""
    known = [
        (place, spec.loft_deg, spec.length_mm)
        for place, spec in enumerate(specs)
        if spec.loft_deg is not None and spec.length_mm is not None
    ]
    found: list[float | None] = [None] * len(specs)
    if known:
        places, lofts, lengths = zip(*known, strict=True)
        for place, metres in zip(places, _metres_aside(lofts, lengths, hand), strict=True):
            found[place] = metres
    return found


@lru_cache(maxsize=64)
def _metres_aside(
    lofts_deg: tuple[float, ...], lengths_mm: tuple[float, ...], hand: Hand
) -> tuple[float, ...]:
    """Metres of a set; kept, as it changes seldom and its numbers are asked for often."""
    from analysis.flight.aside import metres_aside

    return tuple(float(metres) for metres in metres_aside(lofts_deg, lengths_mm, hand=hand))


# A loft that is off by more is the wrong club, not one to bend. Common practice, no source.
_MOST_LOFT_DEG = 2.0


def loft_proposals(
    evidence: Sequence[ClubEvidence], clubs: Sequence[PlanClub], plan: SetPlan
) -> list[str]:
    """Say for which clubs a change of loft would mend the bounce; nothing of it is planned.

    Only where the verdict on the bounce is settled, no change of loft was asked for, and the head
    has it left beside the bend of the sheet.
    """
    said = []
    for one, club, row in zip(evidence, clubs, plan.rows, strict=True):
        if club.loft_change_deg or club.locked:
            continue
        wedge = club.loft_deg is not None and club.loft_deg >= WEDGE_LOFT_DEG
        try:
            read = bounce_error(one.trail, kind=SoleKind.WEDGE if wedge else SoleKind.IRON)
        except NoAnswerError:
            continue
        if read.verdict not in (BounceVerdict.TOO_MUCH, BounceVerdict.TOO_LITTLE):
            continue
        room = math.sqrt(max(head_room_deg(club, plan.rules) ** 2 - row.bend_deg**2, 0.0))
        most = min(room, _MOST_LOFT_DEG, abs(read.bounce_error_deg))
        step = plan.rules.increment_deg
        size = step * math.floor(most / step + 1e-9)
        if size == 0:
            continue
        change = -math.copysign(size, read.bounce_error_deg)
        does = loft_bend(
            change,
            loft_deg=club.loft_deg,
            bounce_deg=club.bounce_deg,
            contact_mm=one.trail.mean_mm or 0.0,
        )
        said.append(
            f"{club.label} shows {read.verdict.value}, {abs(read.bounce_error_deg):.1f}° off its "
            f"middle: {does.words}. The carry changes with it. Ask for it with --loft "
            f"{club.label}={size:g}{'w' if change > 0 else 's'}"
        )
    return said
