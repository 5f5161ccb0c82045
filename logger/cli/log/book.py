"""What the logging screen shows, kept up to date from what the run tells. No drawing in here."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from logger.collector.reconnect import Reach, ReachState
from logger.collector.recording import (
    BoardReport,
    Greeted,
    LineTrouble,
    RecordsLost,
    RecordsUndated,
)
from logger.session.logging.bays import Bay
from logger.session.logging.run import Filed, RunEvent
from logger.store.rows import ClubRow, StrikeRow

if TYPE_CHECKING:
    # It brings all of the statistics, and a third of the time until a logger that was cut off logs
    # again.
    from logger.session.results.clubs import ClubResult

_MESSAGES = 3


@dataclass(slots=True)
class LogBook:
    """State of one bay on the logging screen."""

    title: str
    clubs: tuple[ClubRow, ...]
    bay: str = ""
    player: str = ""
    ended: bool = False
    toe_on_right: bool = True
    page: list[str] = field(default_factory=list)
    """Where the live page is, and how others get in."""
    up: ClubRow | None = None
    results: dict[int, ClubResult] = field(default_factory=dict)
    """By id of the club."""
    level: str = ""
    """What is known of where all clubs lie together."""
    contacts: list[StrikeRow] = field(default_factory=list)
    """Of the club that is up, in the order they were struck."""
    board: str = "no board yet"
    link: str = ""
    supply: str = ""
    kept: int = 0
    waiting: int = 0
    lost: int = 0
    bad_pieces: int = 0
    advice: str = ""
    """Which club to hit next, or that it is enough."""
    messages: deque[str] = field(default_factory=lambda: deque(maxlen=_MESSAGES))
    prompt: str | None = None
    """What the fitter is being asked, with what was typed so far."""

    @classmethod
    def of(cls, bay: Bay) -> LogBook:
        """Begin the book of a bay."""
        session = bay.session
        return cls(
            bay.title,
            session.order,
            bay=bay.name,
            player=session.set.player.name,
            toe_on_right=session.row.hand == "right",
        )

    def hear(self, event: RunEvent) -> None:
        """Take in one event of the run."""
        if isinstance(event, Filed):
            return
        if isinstance(event, Reach):
            self._hear_reach(event)
        elif isinstance(event, Greeted):
            self.board = event.identity.name
            if event.waiting:
                self.say(f"{self.board} holds {_counted(event.waiting, 'record')} from before")
        elif isinstance(event, BoardReport):
            status = event.status
            self.kept = status.kept
            self.waiting = event.waiting
            volts = "" if status.supply_mv is None else f"{status.supply_mv / 1000:.1f} V"
            self.supply = volts
            if status.noise_counts is not None and status.trigger_level < 4 * status.noise_counts:
                self.say(
                    f"trigger {status.trigger_level} is under four times the resting noise "
                    f"({status.noise_counts:.0f} counts): raise it with --trigger"
                )
        elif isinstance(event, RecordsLost):
            self.lost += event.count
            self.say(f"{_counted(event.count, 'record')} lost: {event.reason}")
        elif isinstance(event, RecordsUndated):
            self.say(
                f"{_counted(event.count, 'record')} came before the board's clock was known: dated "
                "by when they came in"
            )
        elif isinstance(event, LineTrouble):
            self.bad_pieces += 1

    def say(self, text: str) -> None:
        """Show a message once, the newest last."""
        if not self.messages or self.messages[-1] != text:
            self.messages.append(text)

    @property
    def board_line(self) -> str:
        """State of board and link in one line."""
        parts = [self.board, self.link, self.supply]
        if self.kept:
            parts.append(f"{self.kept} kept on the board")
        if self.waiting:
            parts.append(f"{self.waiting} waiting there")
        if self.lost:
            parts.append(f"{self.lost} lost")
        if self.bad_pieces:
            parts.append(f"{self.bad_pieces} bad pieces on the line")
        return " · ".join(part for part in parts if part)

    def _hear_reach(self, reach: Reach) -> None:
        if reach.state is ReachState.OUT_OF_REACH:
            waiting = f", {_counted(self.kept, 'record')} waiting there" if self.kept else ""
            pause = "" if reach.next_try_s is None else f", next try in {reach.next_try_s:.0f} s"
            self.link = f"board out of reach{waiting}{pause}"
        else:
            self.link = {
                ReachState.CONNECTING: "connecting",
                ReachState.CONNECTED: "connected",
                ReachState.STOPPED: "closed",
            }[reach.state]


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
