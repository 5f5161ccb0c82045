"""Numbers and moments as the desk shows them; the same digits as on every other screen."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from typing import Literal

from analysis.statistics.estimation import Interval
from logger.setfiles.units import inches_from_mm

_MINUS = "−"
# Where the desk has what a command does; the longer names first.
_PLACES = (
    (r"board \w+", "Boards"),
    (r"boards(?: --accept (?:\"[^\"]*\"|\S+))?", "Boards"),
    (r"(?:check|merge)(?: --[\w-]+| FILE)?", "Data"),
    (r"changes|undo|words(?: back)?|session restore \d+", "Changes"),
    (r"session \w+", "Put right"),
    (r"sessions", "Sessions"),
    (r"strikes move (?:[\d-]+ \S+ ?)+(?:--session \d+)?", "Strikes"),
    (r"strikes", "Strikes"),
    (r"log(?: PORT)?", "Start a fitting"),
    (r"mark CLUB MM", "Mark by tap"),
    (r"misses CLUB LEFT STRAIGHT RIGHT", "Misses"),
    (r"history", "History"),
    (r"set import FILE", "New player"),
)
_COMMAND = re.compile("'?lieboard (?:" + "|".join(f"({one})" for one, _ in _PLACES) + ")(?!\\w)'?")


def at_the_desk(words: str) -> str:
    """Name the view where a sentence names a command: nobody here has a terminal."""
    return _COMMAND.sub(lambda found: f"“{_PLACES[(found.lastindex or 1) - 1][1]}”", words)


def signed(value: float, digits: int = 1) -> str:
    """Return a number with its sign; what rounds to zero has none."""
    text = f"{abs(value):.{digits}f}"
    if float(text) == 0:
        return text
    return f"{'+' if value > 0 else _MINUS}{text}"


def degrees(value: float | None, digits: int = 1) -> str:
    """Return an angle that has a direction."""
    return "–" if value is None else f"{signed(value, digits)}°"


def interval(one: Interval | None) -> str:
    """Return a 90 % interval of an angle."""
    return "" if one is None else f"{signed(one.low)} to {signed(one.high)}°"


def plain(value: float | None, digits: int = 2) -> str:
    """Return a number as a person would type it: no more digits than it has."""
    return "" if value is None else f"{round(value, digits):g}"


@dataclass(frozen=True, slots=True)
class Units:
    """Millimetres or inches, as whoever looks has chosen."""

    name: Literal["mm", "in"] = "mm"

    @property
    def inches(self) -> bool:
        """Whether lengths are in inches."""
        return self.name == "in"

    def number(self, mm: float | None, digits: int | None = None) -> str:
        """Return a length as a person would type it, without its unit."""
        if mm is None:
            return ""
        if self.inches:
            return plain(inches_from_mm(mm), 3 if digits is None else digits)
        return plain(mm, 1 if digits is None else digits)

    def length(self, mm: float | None) -> str:
        """Return a length with its unit."""
        if mm is None:
            return "–"
        return f"{inches_from_mm(mm):.2f} in" if self.inches else f"{mm:.1f} mm"

    def place(self, mm: float | None) -> str:
        """Return a place along the sole, with its sign and unit."""
        if mm is None:
            return "–"
        return f"{signed(inches_from_mm(mm), 2)} in" if self.inches else f"{signed(mm)} mm"


def when(utc_ns: int) -> str:
    """Return a moment as this machine's local date and time."""
    return _local(utc_ns).strftime("%Y-%m-%d %H:%M")


def day(utc_ns: int) -> str:
    """Return a moment as a day that a person would say, such as ``Mon 3 Mar 2025``."""
    local = _local(utc_ns)
    return f"{local:%a} {local.day} {local:%b %Y}"


def clock(utc_ns: int) -> str:
    """Return a moment's time of day."""
    return _local(utc_ns).strftime("%H:%M")


def _local(utc_ns: int) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(utc_ns / 1e9, tz=datetime.UTC).astimezone()
