"""What bends did: the session after is held against the one before, head by head."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.plan.learning import Bent, Learned, learn_from_bends
from logger.session.evidence.evidence import ClubEvidence, session_evidence
from logger.session.evidence.soles import sole_arc
from logger.store.rows import BendRow, ClubRow, SetRow
from logger.store.store import Store


@dataclass(frozen=True, slots=True)
class FollowedBend:
    """One head with the bends that were hit both before and after."""

    club: ClubRow
    learned: Learned


def follow_bends(store: Store, own: SetRow) -> tuple[list[FollowedBend], list[str]]:
    """Learn from every bend of a set that lies between two sessions with strikes of its club.

    Returns
    -------
    followed : list of FollowedBend
        In the order of the set.
    waiting : list of str
        What has to be hit before anything can be said, one sentence per club.
    """
    sessions = store.sessions.all(own.id)
    evidence: dict[int, dict[int, ClubEvidence]] = {}

    def contact(session: int, club: int) -> tuple[float, float] | None:
        if session not in evidence:
            row = next(s for s in sessions if s.id == session)
            evidence[session] = {one.club.id: one for one in session_evidence(store, row)}
        one = evidence[session].get(club)
        if one is None or one.contact.mean_mm is None or one.contact.u_mm is None:
            return None
        return one.contact.mean_mm, one.contact.u_mm

    followed: list[FollowedBend] = []
    waiting: list[str] = []
    for club in own.clubs:
        # Pulls of one afternoon at the machine are one bend: only the swings before and after all
        # of them were seen.
        pulls: dict[tuple[tuple[float, float], tuple[float, float]], float] = {}
        for bend in store.readings.bends(club.id):
            size = _size_deg(bend)
            if not size:
                continue
            before = [s for s in sessions if s.started_utc_ns < bend.bent_utc_ns]
            after = [s for s in sessions if s.started_utc_ns >= bend.bent_utc_ns]
            first = next((c for s in reversed(before) if (c := contact(s.id, club.id))), None)
            then = next((c for s in after if (c := contact(s.id, club.id))), None)
            if first is None or then is None:
                waiting.append(
                    f"{club.label}: bent {size:+g}°; "
                    + ("not hit before it" if first is None else "hit it in a new session")
                )
                continue
            pulls[first, then] = pulls.get((first, then), 0.0) + size
        pairs = [Bent(*first, *then, size) for (first, then), size in pulls.items() if size]
        if pairs:
            followed.append(FollowedBend(club, learn_from_bends(pairs, sole_arc(club.spec))))
    return followed, waiting


def _size_deg(bend: BendRow) -> float:
    if bend.lie_before_deg is None or bend.lie_after_deg is None:
        return 0.0
    return bend.lie_after_deg - bend.lie_before_deg
