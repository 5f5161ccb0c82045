"""A set file as its entries, before they are understood: the same for every form of file."""

from __future__ import annotations

from dataclasses import dataclass, field

from logger.setfiles.fields import Field


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that a file says, and where."""

    field: Field
    value: object
    unit: str | None
    """From the heading or key; may be unknown."""
    place: str
    """Such as ``row 3, column 'Lie'``."""


@dataclass(frozen=True, slots=True)
class ClubEntries:
    """What a file says of one club."""

    place: str
    entries: dict[str, Entry]
    """By the name of the field."""


@dataclass(slots=True)
class Entries:
    """What a file says."""

    facts: dict[str, Entry] = field(default_factory=dict)
    """Of the player and the set, by the name of the field."""
    clubs: list[ClubEntries] = field(default_factory=list)
    ignored: list[str] = field(default_factory=list)
