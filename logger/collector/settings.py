"""Times and limits of a connection to a board, and where it stands."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class ConnectionState(Enum):
    """Where a connection stands."""

    GREETING = "greeting"
    STREAMING = "streaming"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class ConnectionSettings:
    """Times and limits of one connection."""

    trigger_level: int | None = None
    """Counts above rest to set on the board; None leaves it."""
    replayed: bool = False
    """Whether what is read was recorded: nobody answers there."""
    seen_before: bool = False
    """Whether a board already spoke well at this URL in this run: what makes no sense is then a bad
    line and not a wrong device."""
    expect_board: str | None = None
    """Board id that was agreed to; another board is refused. None takes any."""
    ask_hello_every_s: float = 1.0
    # A board gives at least one good frame a second (status). Three seconds of bytes without one
    # are another baud rate or another device.
    foreign_after_s: float = 3.0
    foreign_bytes: int = 64
    first_exchanges: int = 8
    first_exchange_every_s: float = 0.05
    exchange_every_s: float = 10.0
    # Several missed status messages and an unanswered question.
    silent_after_s: float = 8.0
    ask_again_every_s: float = 0.4
    answers_within_s: float = 0.8
    """What a board was asked for begins to come within this time; else it is asked who it is."""
    release_after_s: float = 3.0
    batch_records: int = 512
    queue_items: int = 4096
    # A board that streams has what came within this time written in one go. The first record after
    # a pause goes to disk at once.
    gather_s: float = 0.015
