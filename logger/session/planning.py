"""From a session's evidence to the bend sheet of the whole set."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from analysis.answers import NoAnswerError
from analysis.conventions import Hand
from analysis.correction import Head
from analysis.next_club import Advice, next_club
from analysis.optimum import plan_set
from analysis.plan_types import PlanClub, PlanRules, SetPlan
from logger.clubs import ClubSpec
from logger.session.evidence import ClubEvidence, SessionPicture
from logger.store.rows import SessionRow
from logger.store.store import Store

_HEADS = {"forged": Head.SOFT_FORGED, "cast": Head.CAST}
_USUAL_INCREMENT_DEG = 0.5


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
    if picture.together is None:
        raise NoAnswerError(
            f"session {session.id} has no strike that counts: log some, or type marks in"
        )
    clubs = plan_clubs(store, session, picture, wishes)
    belief = picture.together.own if wishes.into_line else picture.together.lie
    since = [_bent_since(store, session, one) for one in picture.clubs]
    shift = np.array(since)
    belief = replace(belief, mean=belief.mean + shift, part_mean=belief.part_mean + shift)
    plan = plan_set(clubs, belief, plan_rules(session, wishes))
    notes = [
        f"{one.club.label} was bent {bend:+g}° after it was hit here: its lie error is taken as it "
        "should be now. Hit it again."
        for one, bend in zip(picture.clubs, since, strict=True)
        if bend
    ]
    return replace(plan, notes=(*plan.notes, *notes))


def plan_rules(session: SessionRow, wishes: PlanWishes) -> PlanRules:
    """Return the rules of a session's plan."""
    step = wishes.increment_deg or session.machine_increment_deg or _USUAL_INCREMENT_DEG
    return PlanRules(increment_deg=step)


def plan_clubs(
    store: Store, session: SessionRow, picture: SessionPicture, wishes: PlanWishes
) -> list[PlanClub]:
    """Return what the plan knows of each club besides its lie error, in the order of the set."""
    locked = {label.casefold() for label in wishes.locked}
    unknown = locked - {one.club.label.casefold() for one in picture.clubs}
    if unknown:
        raise NoAnswerError(f"there is no club {', '.join(sorted(unknown))} to lock in this set")
    return [_for_plan(store, session, one, wishes, locked) for one in picture.clubs]


def advise(store: Store, session: SessionRow, picture: SessionPicture) -> Advice | None:
    """Say which club to hit next, or to stop; None while nothing counts."""
    if picture.together is None:
        return None
    # In degrees: metres take longer to work out than a swing allows, and clubs of one set
    # differ little in them.
    wishes = PlanWishes(metres=False)
    clubs = plan_clubs(store, session, picture, wishes)
    return next_club(picture.together, clubs, plan_rules(session, wishes))


def _bent_since(store: Store, session: SessionRow, one: ClubEvidence) -> float:
    """Sum of the bends of a club since it was last hit in a session, + upright, degrees."""
    hit = store.contacts(session.id, club=one.club.id)
    last_ns = hit[-1].struck_utc_ns if hit else session.started_utc_ns
    return sum(
        bend.lie_after_deg - bend.lie_before_deg
        for bend in store.bends(one.club.id)
        if bend.bent_utc_ns > last_ns
        and bend.lie_after_deg is not None
        and bend.lie_before_deg is not None
    )


def _for_plan(
    store: Store,
    session: SessionRow,
    one: ClubEvidence,
    wishes: PlanWishes,
    locked: Collection[str],
) -> PlanClub:
    spec = one.club.spec
    bends = [
        bend.lie_after_deg - bend.lie_before_deg
        for bend in store.bends(one.club.id)
        if bend.lie_after_deg is not None and bend.lie_before_deg is not None
    ]
    # A wish in metres needs them whatever misses are weighed in.
    needed = wishes.metres or spec.bias_unit == "m"
    metres = metres_per_deg(spec, Hand(session.hand)) if needed else None
    wanted = 0.0 if wishes.into_line else (spec.bias or 0.0)
    unit = spec.bias_unit or "deg"
    if unit == "m" and metres and not wishes.metres:
        # One unit for all: clubs weighed in metres beside others in degrees compare nothing.
        wanted, unit, metres = wanted / metres, "deg", None
    return PlanClub(
        label=one.club.label,
        head=_HEADS.get(spec.head_material or "", Head.HARD_OR_UNKNOWN),
        length_mm=spec.length_mm,
        lie_deg=spec.lie_deg,
        loft_deg=spec.loft_deg,
        bounce_deg=spec.bounce_deg,
        camber_mm=None if one.lie is None else one.lie.camber_mm,
        metres_per_deg=metres,
        toe_mm=one.contact.mean_mm,
        strikes=one.used,
        wanted=wanted,
        wanted_unit=unit,
        past_bends_deg=tuple(bends),
        locked=one.club.label.casefold() in locked,
    )


def metres_per_deg(spec: ClubSpec, hand: Hand) -> float | None:
    """Metres to the right at carry per degree too upright; None without loft and length."""
    from analysis.shot import metres_per_degree

    if spec.loft_deg is None or spec.length_mm is None:
        return None
    return metres_per_degree(spec.loft_deg, hand=hand, length_mm=spec.length_mm).value_m
