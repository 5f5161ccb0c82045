"""What a player's set of clubs is, as plain values: read from set files, kept in the store."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

HandName: TypeAlias = Literal["right", "left"]
HeadMaterial: TypeAlias = Literal["forged", "cast", "hard", "unknown"]
BiasUnit: TypeAlias = Literal["mm", "deg", "m"]


@dataclass(frozen=True, slots=True)
class ClubSpec:
    """What was measured or wished for one club; None = not known, or not changed."""

    length_mm: float | None = None
    lie_deg: float | None = None
    loft_deg: float | None = None
    bounce_deg: float | None = None
    camber_mm: float | None = None
    """Radius of the sole's heel-to-toe arc."""
    camber_u_mm: float | None = None
    """Standard uncertainty of ``camber_mm``."""
    sole_length_mm: float | None = None
    head_material: HeadMaterial | None = None
    bias: float | None = None
    """Wanted bias. 0 takes an earlier wish back."""
    bias_unit: BiasUnit | None = None
    """``mm``: mean contact, positive toward the toe. ``deg``: lie error, positive upright.
    ``m``: at the landing place, positive right of the target."""


# What belongs together changes together: a new camber does not keep the old one's uncertainty.
SPEC_GROUPS: tuple[tuple[str, ...], ...] = (
    ("length_mm",),
    ("lie_deg",),
    ("loft_deg",),
    ("bounce_deg",),
    ("camber_mm", "camber_u_mm"),
    ("sole_length_mm",),
    ("head_material",),
    ("bias", "bias_unit"),
)


@dataclass(frozen=True, slots=True)
class Club:
    """One club of a set."""

    label: str
    spec: ClubSpec


@dataclass(frozen=True, slots=True)
class SetFile:
    """A player's set as a set file gives it."""

    player: str
    hand: HandName
    name: str
    pivot_label: str
    """Label of the club from which checking starts, one of ``clubs``."""
    machine_increment_deg: float | None
    """Smallest step of the loft-and-lie machine."""
    clubs: tuple[Club, ...]
    """In the order of the file."""
    ignored: tuple[str, ...] = ()
    """Headings that mean nothing to this program, so that a person can be told."""
