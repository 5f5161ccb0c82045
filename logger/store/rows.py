"""What goes into the store and what comes out of it, as plain values.

Ids (``id``, ``boot``, ``session``, ``club``, ``set``) are row numbers in the data file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol, TypeAlias

from logger.protocol.records import RawRecord
from logger.setfiles.clubs import ClubSpec, HandName


class RecordToStore(Protocol):
    """A record as it is handed over to be stored, with what the clock makes of it."""

    @property
    def sequence(self) -> int:
        """Its number in its boot."""
        ...

    @property
    def raw(self) -> RawRecord:
        """The record and its bytes."""
        ...

    @property
    def struck_utc_ns(self) -> int | None:
        """When it was struck; None = not known."""
        ...

    @property
    def struck_u_ns(self) -> int | None:
        """Standard uncertainty of ``struck_utc_ns``."""
        ...


@dataclass(frozen=True, slots=True)
class StoredRecord:
    """A record as the store gives it back."""

    id: int
    boot: int
    sequence: int
    kind: Literal["reading", "strike", "button"]
    raw: tuple[bytes, ...]
    """Decoded frames, one per part, or one text line: `logger.protocol.records.RawRecord.raw`."""
    flags: int
    arrival_ns: int
    """Host monotonic clock of that run."""
    struck_utc_ns: int | None
    struck_u_ns: int | None
    session: int | None


LinkWord: TypeAlias = Literal["up", "out of reach", "ended", "unknown"]


@dataclass(frozen=True, slots=True)
class BoardNews:
    """How the board of a session is doing."""

    name: str = ""
    """Of the board; empty until it has said who it is."""
    link: LinkWord = "unknown"
    link_words: str = ""
    """Such as ``next try in 4 s``; may be empty."""
    supply_mv: int | None = None
    """Of its battery; None = not told, and so for ``kept``."""
    kept: int | None = None
    """Strikes that the board holds and the host has not confirmed."""
    waiting: int = 0
    """Of these, such as the host has not yet seen."""


@dataclass(frozen=True, slots=True)
class PlayerRow:
    """A player."""

    id: int
    name: str
    hand: HandName
    note: str | None


@dataclass(frozen=True, slots=True)
class ClubRow:
    """A club with what is known of it at the date asked for."""

    id: int
    set: int
    label: str
    position: int | None
    """Place in the set, from 0; None once it is no longer in the set."""
    spec: ClubSpec


@dataclass(frozen=True, slots=True)
class SetRow:
    """A player's set."""

    id: int
    player: PlayerRow
    name: str
    pivot_club: int | None
    machine_increment_deg: float | None
    clubs: tuple[ClubRow, ...]
    """Those in the set now, by position."""


@dataclass(frozen=True, slots=True)
class SetName:
    """A set in a list of sets."""

    id: int
    player: str
    name: str
    clubs: int


@dataclass(frozen=True, slots=True)
class BoardRow:
    """A board that was ever seen."""

    id: int
    board_key: str
    form: Literal["binary", "text"]
    name: str
    first_seen_utc_ns: int
    accepted: bool | None
    """None: not judged yet."""
    accepted_utc_ns: int | None


@dataclass(frozen=True, slots=True)
class SessionRow:
    """A fitting session."""

    id: int
    set: int
    hand: HandName
    stance_mm: float
    """Positive = feet lower than the board's surface."""
    stance_u_mm: float
    sole_middle_mm: float
    """Address mark, board frame."""
    sole_middle_u_mm: float
    ball: bool
    surface: str | None
    machine_increment_deg: float | None
    started_utc_ns: int
    ended_utc_ns: int | None
    note: str | None

    @property
    def stance_told(self) -> bool:
        """Whether anybody said how high the feet stand.

        Files of old kept 0 ± 2 mm where nobody was asked.
        """
        return self.stance_u_mm < 6 and (self.stance_mm, self.stance_u_mm) != (0.0, 2.0)


@dataclass(frozen=True, slots=True)
class TurnRow:
    """From when which club is up; ``club`` None = none."""

    id: int
    session: int
    club: int | None
    from_utc_ns: int
    cause: str


@dataclass(frozen=True, slots=True)
class NewStrike:
    """A contact worked out from records of one boot, ready to be filed.

    The club is not part of it: it follows from the turns and ``struck_utc_ns``.
    """

    first_sequence: int
    last_sequence: int
    struck_utc_ns: int
    kind: str
    toe_mm: float | None
    board_mm: float | None
    trail_mm: float | None
    load: float | None
    span_us: float | None
    flags: int
    method_version: str
    rule_reason: str | None = None
    """Why a rule sets it aside; None = it counts."""


@dataclass(frozen=True, slots=True)
class StrikeRow:
    """A contact under a club: seen by the board, or a mark read off the sole."""

    source: Literal["board", "mark"]
    id: int
    session: int
    club: int | None
    boot: int | None
    first_sequence: int | None
    last_sequence: int | None
    struck_utc_ns: int
    kind: str
    toe_mm: float | None
    toe_u_mm: float | None
    """Only of a mark: how well it could be read."""
    board_mm: float | None
    trail_mm: float | None
    load: float | None
    span_us: float | None
    flags: int
    method_version: str
    audits: int | None
    """Only of a mark: id of the board's strike of the same swing."""
    rule_reason: str | None
    fitter_choice: Literal["use", "aside"] | None
    fitter_reason: str | None
    set_aside: Literal["rule", "fitter"] | None
    number: int = 0
    """What a person calls it: contacts of a session are 1, 2, ... in the order they were struck."""

    @property
    def used(self) -> bool:
        """Whether it counts."""
        return self.set_aside is None

    @property
    def reason(self) -> str | None:
        """Why it was set aside; None if it counts."""
        if self.set_aside is None:
            return None
        return self.fitter_reason if self.set_aside == "fitter" else self.rule_reason


@dataclass(frozen=True, slots=True)
class ClubCount:
    """How many contacts from one source stand under one club in a session."""

    club: int | None
    """None: struck while no club was up."""
    source: Literal["board", "mark"]
    used: int
    set_aside: int
    lost: int
    """Records that the board sent and nobody has; some may have held a strike."""


@dataclass(frozen=True, slots=True)
class BendRow:
    """One bend of one club."""

    id: int
    club: int
    session: int | None
    bent_utc_ns: int
    planned_bend_deg: float | None
    """Positive = more upright; None = not asked for by a bend sheet."""
    lie_before_deg: float | None
    lie_after_deg: float | None
    loft_before_deg: float | None
    loft_after_deg: float | None
    note: str | None


@dataclass(frozen=True, slots=True)
class NoteRow:
    """A remark on a session."""

    id: int
    session: int
    written_utc_ns: int
    text: str


@dataclass(frozen=True, slots=True)
class LossRow:
    """Records that were lost for good."""

    id: int
    boot: int
    session: int | None
    club: int | None
    from_sequence: int | None
    to_sequence: int | None
    count: int
    reason: str
    noted_utc_ns: int
