"""What a report shows, as plain values: whoever has them can have the sheet."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.statistics.estimation import Interval


@dataclass(frozen=True, slots=True)
class Dot:
    """One contact on the sole."""

    toe_mm: float
    trail_mm: float | None
    used: bool
    by_mark: bool
    """Read off the sole by eye."""


@dataclass(frozen=True, slots=True)
class DoubtLine:
    """One cause of doubt in a club's lie error."""

    name: str
    u_deg: float
    share: float
    """Part of the combined variance."""


@dataclass(frozen=True, slots=True)
class ClubContent:
    """One club of a report; None = not known."""

    label: str
    dots: tuple[Dot, ...]
    used: int
    set_aside: int
    lost: int
    mean_mm: float | None
    interval_mm: Interval | None
    spread_mm: float | None
    wanted_mm: float
    """Contact that is wanted, stance counted."""
    wanted_words: str
    """Why that is not the middle of the sole; empty where it is."""
    sole_length_mm: float | None
    camber_mm: float | None
    """As measured."""
    touched: str
    """Where the sole touched, as struck."""
    decision: str
    """What is to be done with it, as on every screen."""
    why: str
    """What that rests on, one line."""
    off_line: str
    """What the set says of it, or nothing."""
    lie_error_deg: float | None
    """By all clubs of the set together."""
    lie_interval_deg: Interval | None
    wanted_lie_error_deg: float
    level: str | None
    """What the level rests on."""
    lie_deg: float | None
    """Static lie."""
    length_mm: float | None
    budget: tuple[DoubtLine, ...]
    """Of this club by itself, largest first."""
    improve: str | None
    """What to do about the largest."""


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One line of the bend sheet."""

    label: str
    decision: str
    bend_deg: float
    before_deg: float | None
    after_deg: float | None
    pulls_deg: tuple[float, ...]
    static_before_deg: float | None
    static_after_deg: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """The bend sheet."""

    increment_deg: float
    gaps: bool
    """Whether its errors are what the clubs stand off the set's line."""
    rows: tuple[SheetRow, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReportContent:
    """A whole report."""

    player: str
    set_name: str
    session: int
    date: str
    hand: str
    facts: tuple[tuple[str, str], ...]
    """Of the session: name and value."""
    boards: tuple[tuple[str, str], ...]
    methods: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]
    """What a reader must know before trusting a number."""
    clubs: tuple[ClubContent, ...]
    sheet: Sheet | None
    """None while nothing can be planned."""
    made: str
    """Program, version and date of making."""
