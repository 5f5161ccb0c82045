"""The player's known misses, and the bias that they could ask for."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.conventions import Hand
from analysis.plan.misses import BiasProposal, ClubMisses, propose_bias
from logger.errors import UsageError
from logger.session.results.planning import metres_per_deg
from logger.setfiles.clubs import ClubSpec
from logger.store.rows import SetRow
from logger.store.store import Store


@dataclass(frozen=True, slots=True)
class Wish:
    """What a set's player could ask for, and why."""

    own: SetRow
    proposal: BiasProposal


def proposed_bias(store: Store, set_id: int) -> Wish:
    """Work out a bias from all misses that were counted for a set.

    Raises
    ------
    UsageError
        No misses were counted yet.
    """
    own = store.sets.get(set_id)
    left: dict[int, int] = {}
    right: dict[int, int] = {}
    for row in store.readings.misses(set_id):
        left[row.club] = left.get(row.club, 0) + row.left_count
        right[row.club] = right.get(row.club, 0) + row.right_count
    if not left:
        raise UsageError(
            f"no misses of {own.name} were counted yet: lieboard misses CLUB LEFT STRAIGHT RIGHT"
        )
    hand = Hand(own.player.hand)
    metres = metres_per_deg([club.spec for club in own.clubs], hand)
    clubs = [
        ClubMisses(
            label=club.label,
            left=left.get(club.id, 0),
            right=right.get(club.id, 0),
            length_mm=club.spec.length_mm,
            metres_per_deg=each,
        )
        for club, each in zip(own.clubs, metres, strict=True)
    ]
    pivot = next((club.label for club in own.clubs if club.id == own.pivot_club), None)
    return Wish(own, propose_bias(clubs, pivot=pivot))


def take_bias(store: Store, wish: Wish, at_utc_ns: int) -> int:
    """Keep the proposed bias as the player's wish; return for how many clubs."""
    by_label = {club.label: club for club in wish.own.clubs}
    taken = 0
    for one in wish.proposal.clubs:
        spec = ClubSpec(bias=round(one.bias_m, 1), bias_unit="m")
        club = by_label[one.label]
        if store.clubs.add_spec(club.id, spec, at_utc_ns=at_utc_ns, source="misses"):
            taken += 1
    return taken
