"""What a connection tells whoever watches it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from logger.collector.recording import BoardIdentity
from logger.protocol.decoding import Damage
from logger.protocol.records import Status


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


CollectorEvent: TypeAlias = Greeted | BoardReport | LineTrouble | RecordsLost
Listener: TypeAlias = Callable[[CollectorEvent], None]
