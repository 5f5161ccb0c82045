"""What the collector tells and hands on, and what it needs of whoever writes it to disk."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol, TypeAlias

from logger.protocol.decoding import Damage
from logger.protocol.records import Hello, RawRecord, Status
from logger.protocol.sequence import Hole


@dataclass(frozen=True, slots=True)
class BoardIdentity:
    """Which board is at the other end, and which start of it."""

    board_key: str
    """Board id in hex, or ``text:NAME`` for a board that speaks text."""
    boot_key: str
    """Boot id in hex; for a text board a random one per connection."""
    name: str
    hello: Hello | None
    """None for a text board."""


# A tuple, as `logger.protocol.records.Reading` is.
class TimedRecord(NamedTuple):
    """A record with its number and the moment it was struck."""

    sequence: int
    raw: RawRecord
    struck_utc_ns: int
    struck_u_ns: int
    """Standard uncertainty of struck_utc_ns."""


@dataclass(frozen=True, slots=True)
class KnownBoot:
    """What the recorder knows of a boot: its row and the first number that it lacks."""

    boot_row: int
    next_expected: int = 0
    stored_beyond: frozenset[int] = frozenset()
    """Numbers above next_expected that are on disk already."""
    later_starts: int = 0
    """How many starts of this board came after it under the same boot id: ``KEY~1``, ..."""


class Recorder(Protocol):
    """Where records go. Every call has its effect on disk before it returns.

    Errors are `StoreError` and end the connection: what was not written is never confirmed.
    """

    async def begin_boot(self, identity: BoardIdentity) -> KnownBoot:
        """Remember the board and this start of it."""
        ...

    async def store(
        self,
        boot_row: int,
        records: Sequence[TimedRecord],
        in_order: Sequence[TimedRecord] = (),
    ) -> None:
        """Write records durably; a record that is there already does no harm.

        What is then ``in_order`` is worked on with it, as by `file`: one way to the disk and back,
        not two. If that fails, the records are stored all the same.
        """
        ...

    async def file(self, boot_row: int, records: Sequence[TimedRecord]) -> None:
        """Work on stored records. They come in sequence order, but for late ones."""
        ...

    async def lost(self, boot_row: int, holes: Sequence[Hole], reason: str) -> None:
        """Count records that will never come."""
        ...


@dataclass(frozen=True, slots=True)
class Greeted:
    """The board said who it is (again after each of its starts)."""

    identity: BoardIdentity
    waiting: int
    """Records that the board still holds and the host has not."""


@dataclass(frozen=True, slots=True)
class BoardReport:
    """The board's status, and what the host still waits for."""

    status: Status
    waiting: int


@dataclass(frozen=True, slots=True)
class LineTrouble:
    """Bytes that made no sense."""

    damage: Damage


@dataclass(frozen=True, slots=True)
class RecordsLost:
    """Records that the board could not keep, or that a text line dropped."""

    count: int
    reason: str


@dataclass(frozen=True, slots=True)
class RecordsUndated:
    """Records stored although nothing told when they were struck: dated by their arrival."""

    count: int


CollectorEvent: TypeAlias = Greeted | BoardReport | LineTrouble | RecordsLost | RecordsUndated
Listener: TypeAlias = Callable[[CollectorEvent], None]
