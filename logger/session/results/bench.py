"""A bend at the machine, pull by pull: what was asked for, what is done, and the next pull."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.plan.heads import HEAD_LIMITS, pulls_deg
from analysis.plan.types import Choice, PlanRow, SetPlan
from logger.session.results.clubs import SessionResults
from logger.session.results.planning import head_of
from logger.store.rows import BendRow, ClubRow, SessionRow
from logger.store.store import Store


@dataclass(frozen=True, slots=True)
class BenchClub:
    """One club at the bench, + upright."""

    club: ClubRow
    planned_deg: float
    """The whole bend that the sheet asked for when it was begun, or asks for now."""
    done: tuple[BendRow, ...]
    """Pulls that were measured since the club was last hit here."""
    lie_deg: float | None
    """As measured last; None: never."""
    loft_deg: float | None
    pulls_deg: tuple[float, ...]
    """Still to be done, each to be measured; empty when it is there."""
    past_deg: float
    """Sum of all bends of this head's life, both directions."""
    limit_deg: float
    """What such a head is usually bent in its life at most."""
    why: str

    @property
    def label(self) -> str:
        """Name of the club."""
        return self.club.label

    @property
    def done_deg(self) -> float:
        """What was bent so far."""
        return sum((bend.lie_after_deg or 0.0) - (bend.lie_before_deg or 0.0) for bend in self.done)

    @property
    def left_deg(self) -> float:
        """What is still to be bent."""
        return self.planned_deg - self.done_deg

    @property
    def too_far(self) -> bool:
        """Whether it went past what was asked for by a step or more: no head is bent to and fro."""
        return (
            bool(self.done)
            and not self.pulls_deg
            and self.left_deg * self.planned_deg < 0
            and (abs(self.left_deg) >= 0.25)
        )

    @property
    def target_deg(self) -> float | None:
        """Lie that it should end with; None where none was measured."""
        return None if self.lie_deg is None else self.lie_deg + self.left_deg

    @property
    def finished(self) -> bool:
        """Whether nothing is left to pull."""
        return bool(self.done) and not self.pulls_deg


def bench_clubs(
    store: Store, session: SessionRow, results: SessionResults, plan: SetPlan
) -> list[BenchClub]:
    """Return the clubs that a sheet bends, and those whose bend was begun, as the set stands."""
    found = []
    for one in results.clubs:
        club = one.evidence.club
        row = plan.row(club.label)
        done = _since_hit(store, session, club)
        if row.decision.choice is Choice.BEND or done:
            found.append(_club(store, club, row, done, plan.rules.increment_deg))
    return found


def bent_so_far_deg(store: Store, club: int) -> float:
    """Sum of all bends of a head, both directions."""
    return sum(
        abs(bend.lie_after_deg - bend.lie_before_deg)
        for bend in store.readings.bends(club)
        if bend.lie_after_deg is not None and bend.lie_before_deg is not None
    )


def _since_hit(store: Store, session: SessionRow, club: ClubRow) -> tuple[BendRow, ...]:
    hit = store.strikes.contacts(session.id, club=club.id)
    last_ns = hit[-1].struck_utc_ns if hit else session.started_utc_ns
    return tuple(
        bend
        for bend in store.readings.bends(club.id)
        if bend.bent_utc_ns > last_ns
        and bend.lie_before_deg is not None
        and bend.lie_after_deg is not None
    )


def _club(
    store: Store, club: ClubRow, row: PlanRow, done: tuple[BendRow, ...], step_deg: float
) -> BenchClub:
    # Once it was begun, what was asked for then holds: the plan itself counts what was done.
    planned = row.bend_deg
    if done:
        first = done[0]
        planned = first.planned_bend_deg or row.bend_deg + sum(
            (bend.lie_after_deg or 0.0) - (bend.lie_before_deg or 0.0) for bend in done
        )
    now = store.clubs.get(club.id).spec
    limit = HEAD_LIMITS[head_of(now)]
    bent = sum((bend.lie_after_deg or 0.0) - (bend.lie_before_deg or 0.0) for bend in done)
    left = planned - bent
    # Less than half a step is what the machine cannot do; past it nothing is bent back.
    reached = abs(left) < step_deg / 2 or left * planned <= 0
    pulls = () if reached else pulls_deg(left, limit.step_deg, step_deg)
    lie = (done[-1].lie_after_deg if done else None) or now.lie_deg
    loft = (done[-1].loft_after_deg if done else None) or now.loft_deg
    return BenchClub(
        club, planned, done, lie, loft, pulls, bent_so_far_deg(store, club.id), limit.total_deg,
        row.why,
    )  # fmt: skip
