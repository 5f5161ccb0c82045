"""What is not known of a set's clubs, and what that costs in degrees."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.conventions import NORMAL_90, USUAL_LIE_DEG, stance_lie_error_deg
from analysis.lie.set_line import Camber, camber_belief
from logger.session.evidence.soles import families, hands_mm, sole_arc
from logger.store.rows import ClubRow

# A mark that is worth a bend lies so far from the middle of the sole. Common practice, no source.
_OFF_MIDDLE_MM = 8.0
# A stance that was measured lies so far below the board as a rule, and a lie or a length that was
# not is off by so much. Common practice, no source.
_STANCE_MM, _LIE_OFF_DEG, _LENGTH_OFF_MM = 10.0, 3.0, 40.0
# An end of a usual sole is where it is expected to within this, mm.
_END_OFF_MM = 1.5


@dataclass(frozen=True, slots=True)
class MissingValue:
    """One kind of value, and the clubs that lack it."""

    field: str
    """As in `logger.setfiles.clubs.ClubSpec`."""
    labels: tuple[str, ...]
    costs_deg: float | None
    """Half of a 90 % interval that it adds to a lie error; None: it costs something else."""
    words: str


def missing_values(clubs: Sequence[ClubRow]) -> list[MissingValue]:
    """Say what is missing of the clubs of a set, what costs most first."""
    found = []
    for field, cost in (
        ("head_material", _material), ("camber_mm", _camber), ("sole_length_mm", _sole),
        ("length_mm", _length), ("lie_deg", _lie), ("loft_deg", _loft),
    ):  # fmt: skip
        own = [club for club in clubs if getattr(club.spec, field) in (None, "unknown")]
        if own:
            costs_deg, words = cost(clubs, own)
            found.append(MissingValue(field, tuple(club.label for club in own), costs_deg, words))
    return found


def _material(clubs: Sequence[ClubRow], own: Sequence[ClubRow]) -> tuple[float | None, str]:
    return None, "no bend is proposed: how far a head may be bent hangs on what it is made of"


def _camber(clubs: Sequence[ClubRow], own: Sequence[ClubRow]) -> tuple[float | None, str]:
    """Tell what the radius leaves open of a mark's lie error; rocked heads tell of the others."""
    family = families([club.spec.loft_deg for club in clubs])
    heads = [
        Camber(arc.camber_mm, arc.u_camber_mm, of) if arc.measured else Camber(family=of)
        for arc, of in ((sole_arc(c.spec), of) for c, of in zip(clubs, family, strict=True))
    ]
    mean, covariance = camber_belief(heads)
    places = [place for place, club in enumerate(clubs) if club in own]
    worst = max(places, key=lambda place: covariance[place, place])
    error = math.degrees(math.atan(_OFF_MIDDLE_MM / math.exp(mean[worst])))
    costs = NORMAL_90 * error * math.sqrt(covariance[worst, worst])
    rocked = any(head.mm is not None for head in heads)
    more = "" if rocked else "; rocking one head on the board narrows every club"
    return costs, f"where the mark is {_OFF_MIDDLE_MM:g} mm off the middle{more}"


def _sole(clubs: Sequence[ClubRow], own: Sequence[ClubRow]) -> tuple[float | None, str]:
    camber = sole_arc(own[0].spec).camber_mm
    return math.degrees(_END_OFF_MM / camber), "where only one end of the sole is in the print"


def _length(clubs: Sequence[ClubRow], own: Sequence[ClubRow]) -> tuple[float | None, str]:
    hands = hands_mm(own[0].spec)
    lie = own[0].spec.lie_deg or USUAL_LIE_DEG
    effect = stance_lie_error_deg(_STANCE_MM, hands, lie) - stance_lie_error_deg(
        _STANCE_MM, hands + _LENGTH_OFF_MM, lie
    )
    return abs(effect), (
        f"with feet {_STANCE_MM:g} mm lower; and the club has no place on the set's line"
    )


def _lie(clubs: Sequence[ClubRow], own: Sequence[ClubRow]) -> tuple[float | None, str]:
    hands = hands_mm(own[0].spec)
    effect = stance_lie_error_deg(_STANCE_MM, hands, USUAL_LIE_DEG + _LIE_OFF_DEG)
    effect -= stance_lie_error_deg(_STANCE_MM, hands, USUAL_LIE_DEG)
    return abs(effect), (
        f"with feet {_STANCE_MM:g} mm lower; and steps to the neighbours cannot be watched"
    )


def _loft(clubs: Sequence[ClubRow], own: Sequence[ClubRow]) -> tuple[float | None, str]:
    return None, "metres aside at carry are not known: misses are weighed in degrees"
