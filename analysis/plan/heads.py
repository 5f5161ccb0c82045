"""Heads and how far they may be bent, in which pulls, and what to take care of."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

CAUTIONS: tuple[str, ...] = (
    "Wear eye protection and keep others away while bending.",
    "Clamp the head in soft jaws; bend the hosel, never the shaft or the ferrule.",
    "Bend in small steps, pull slowly, and measure lie and loft after each step: metal springs "
    "back, and the two move together.",
    "Stop at a crack, a wrinkle or a sudden softness, and do not use that club again.",
    "Cast and unknown heads bend little or not at all; past bends add up; never bend to and fro.",
    "These limits are rules of thumb: the head maker's limit and the judgement of a qualified club "
    "technician come first.",
    "Hit a few careful shots with a bent club, with nobody in front, before it is played.",
    "Never bend a club during a round.",
)


class Head(Enum):
    """What a head is made of, as far as bending goes."""

    SOFT_FORGED = "soft forged"
    CAST = "cast"
    HARD_OR_UNKNOWN = "hard or unknown"


@dataclass(frozen=True, slots=True)
class HeadLimit:
    """How far a kind of head may be bent; common practice, no source."""

    total_deg: float
    """Sum of all bends in its life, both directions, degrees."""
    step_deg: float
    """Largest single step before measuring again."""


# Common practice, no source: two degrees are usually safe on soft carbon steel (up to four with
# care, which is a technician's decision and not ours); one to two on cast stainless, in small
# steps; some hard or unknown heads not at all.
HEAD_LIMITS: Mapping[Head, HeadLimit] = {
    Head.SOFT_FORGED: HeadLimit(2.0, 1.0),
    Head.CAST: HeadLimit(1.0, 0.5),
    Head.HARD_OR_UNKNOWN: HeadLimit(0.0, 0.5),
}


class BentHead(Protocol):
    """A head with what is known of its bends."""

    @property
    def head(self) -> Head:
        """What it is made of."""

    @property
    def past_bends_deg(self) -> tuple[float, ...]:
        """Every bend of its life that is known, signed."""

    @property
    def maker_limit_deg(self) -> float | None:
        """The head maker's own limit, if known; it replaces ours."""


class HasLimits(Protocol):
    """Rules that hold the limits of heads."""

    @property
    def limits(self) -> Mapping[Head, HeadLimit]:
        """By kind of head."""


def head_room_deg(club: BentHead, rules: HasLimits) -> float:
    """How far this head may still be bent, degrees: its limit less all past bends."""
    limit = rules.limits[club.head].total_deg
    if club.maker_limit_deg is not None:
        limit = club.maker_limit_deg
    return max(0.0, limit - sum(abs(bend) for bend in club.past_bends_deg))


def pulls_deg(bend: float, step_deg: float, increment_deg: float) -> tuple[float, ...]:
    """Cut a bend into pulls of at most ``step_deg``, whole increments each."""
    whole = round(abs(bend) / increment_deg)
    each = max(1, math.floor(step_deg / increment_deg + 1e-9))
    sizes = [min(each, whole - done) for done in range(0, whole, each)]
    return tuple(math.copysign(size * increment_deg, bend) for size in sizes)
