"""A set file as its entries, before they are understood, and all that is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass, field

from logger.errors import ConfigError
from logger.setfiles.fields import Field

# More than a person mends in one go; the rest is counted.
_SHOWN = 12
# What a file has is quoted in its problems, and may be a page long.
_LONGEST = 240


class Problems:
    """Collects problems of one file, so that a person sees them all at once."""

    def __init__(self, file_name: str) -> None:
        self._file_name = file_name
        self._found: list[str] = []

    def __bool__(self) -> bool:
        return bool(self._found)

    def add(self, place: str, text: str) -> None:
        """Note a problem at a place such as ``row 3, column 'Lie'``; an empty place = the file."""
        told = f"{place}: {text}" if place else text
        told = "".join(each if each.isprintable() else "?" for each in told)
        self._found.append(told if len(told) <= _LONGEST else f"{told[: _LONGEST - 3]}...")

    def error(self) -> ConfigError:
        """Make the error that names them all."""
        shown = self._found[:_SHOWN]
        if len(self._found) > _SHOWN:
            shown.append(f"and {len(self._found) - _SHOWN} more")
        count = "" if len(self._found) == 1 else f"{len(self._found)} problems: "
        return ConfigError(f"{self._file_name}: {count}{'; '.join(shown)}")

    def raise_if_any(self) -> None:
        """Raise `ConfigError` if anything was noted."""
        if self._found:
            raise self.error()


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
