"""What a board and a host say to each other, as plain values.

The meaning of every field, its unit and its limits are written in ``firmware_notes/wire.md``;
names here are the names there.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class ScanOrder(IntEnum):
    """In which order the cells of one scan are sampled."""

    ROW_AFTER_ROW = 0
    ROWS_TOGETHER = 1
    AT_ONCE = 2


class Ability(IntFlag):
    """What a board says it can do."""

    STRIKE_SCANS = 1
    READINGS = 2
    FOOT_SWITCH = 4
    BATTERY = 8
    SETTABLE_TRIGGER = 16
    DIVIDER = 32
    """Cells are read over a resistor each: what is read is no pressure."""
    AMPLIFIER = 64
    """Cells are read by an amplifier that gives their conductance."""


class Flag(IntFlag):
    """Flags of a reading or a strike.

    The low byte travels on the wire; the rest are set by the host, for text lines that left
    something out.
    """

    BEGINS = 1
    ENDS = 2
    SUMS_UP = 4
    SATURATED = 8
    EDGE = 16
    AFTER_DROP = 32
    STILL_LOADED = 64
    LATE_START = 128
    NO_CHECKSUM = 256
    NO_SEQUENCE = 512
    NO_TICKS = 1024


class ButtonAction(IntEnum):
    """What a press of the foot switch asks for."""

    NEXT_CLUB = 1
    TAKE_BACK = 2
    PREVIOUS_CLUB = 3


@dataclass(frozen=True, slots=True)
class Hello:
    """A board introduces itself."""

    protocol_major: int
    protocol_minor: int
    board_id: str
    """16 lower-case hex digits."""
    boot_id: int
    firmware: tuple[int, int, int]
    tick_hz: int
    rows: int
    cells: int
    pitch_um: int
    row_distance_um: int
    scan_order: ScanOrder
    scan_ticks: int
    full_scale: int
    trigger_level: int
    oldest_kept: int
    next_sequence: int
    abilities: Ability
    name: str


# A tuple: a board that streams makes a thousand a second, and one takes a third of the time that a
# frozen dataclass takes.
class Reading(NamedTuple):
    """Where the contact was, as the board (or a text line) worked it out."""

    sequence: int | None
    """None for a text line without ``n``: the collector numbers it."""
    ticks: int | None
    """None for a text line without ``t``."""
    board_mm: float
    trail_mm: float | None
    pressure_counts: int | None
    flags: Flag
    span_ticks: int
    """0 when the reading does not sum up a contact."""
    board_name: str | None = None
    """Only from a text line with ``b``."""


@dataclass(frozen=True, slots=True)
class StrikePart:
    """One numbered part of a strike, as it travels."""

    sequence: int
    part: int
    parts: int
    flags: Flag
    rows: int
    cells: int
    span_ticks: int
    scan_ticks: NDArray[np.uint32]
    """Shape (n_scans,): tick of the first cell of each scan."""
    counts: NDArray[np.uint16]
    """Shape (n_scans, rows, cells): raw values, rest not subtracted."""


@dataclass(frozen=True, slots=True)
class Strike:
    """All scans of one strike, put together from its parts."""

    sequence: int
    flags: Flag
    span_ticks: int
    scan_ticks: NDArray[np.uint32]
    """Shape (n_scans,)."""
    counts: NDArray[np.uint16]
    """Shape (n_scans, rows, cells)."""


@dataclass(frozen=True, slots=True)
class Status:
    """How the board is doing."""

    ticks: int
    supply_mv: int | None
    temperature_c: float | None
    noise_counts: float | None
    trigger_level: int
    kept: int
    dropped: int
    bad_frames: int
    oldest_kept: int
    next_sequence: int


@dataclass(frozen=True, slots=True)
class ClockReply:
    """The board's ticks at both ends of an *ask clock*."""

    token: int
    received_ticks: int
    sent_ticks: int


@dataclass(frozen=True, slots=True)
class Button:
    """A press of the foot switch."""

    sequence: int | None
    ticks: int | None
    action: ButtonAction
    flags: Flag
    board_name: str | None = None


@dataclass(frozen=True, slots=True)
class AskHello:
    """Host: introduce yourself."""

    protocol_major: int = 1
    protocol_minor: int = 0


@dataclass(frozen=True, slots=True)
class AskClock:
    """Host: tell what your ticks say now."""

    token: int


@dataclass(frozen=True, slots=True)
class Confirm:
    """Host: all records up to and including ``sequence`` are on disk."""

    boot_id: int
    sequence: int


@dataclass(frozen=True, slots=True)
class SendAgain:
    """Host: send every kept record from ``sequence`` on."""

    boot_id: int
    sequence: int


@dataclass(frozen=True, slots=True)
class SetTrigger:
    """Host: counts above rest at which a strike begins."""

    level: int


BoardMessage: TypeAlias = Hello | Reading | StrikePart | Status | ClockReply | Button
HostMessage: TypeAlias = AskHello | AskClock | Confirm | SendAgain | SetTrigger
Record: TypeAlias = Reading | Strike | Button


# A tuple, as a reading is.
class RawRecord(NamedTuple):
    """A complete record together with the very bytes it came in, as the store keeps it."""

    record: Record
    raw: tuple[bytes, ...]
    """Decoded frames (type and payload, no checksum), one per part; or one text line."""
    arrival_ns: int
    """Host monotonic clock when its last byte arrived."""
