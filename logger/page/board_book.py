"""How the boards are doing, as the logging in this process tells. No clock, no waiting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from logger.collector.events import BoardReport, Greeted
from logger.page.messages import BoardPart, Link
from logger.reconnect import Reach, ReachState
from logger.session.logging_run import RunEvent

_LINKS: dict[ReachState, tuple[Link, str]] = {
    ReachState.CONNECTING: ("unknown", "connecting"),
    ReachState.CONNECTED: ("up", ""),
    ReachState.OUT_OF_REACH: ("out of reach", ""),
    ReachState.STOPPED: ("ended", ""),
}


@dataclass(slots=True)
class _Told:
    name: str = ""
    link: Link = "unknown"
    link_words: str = ""
    battery_volts: float | None = None
    kept: int | None = None
    waiting: int = 0


class BoardBook:
    """Takes in what a run tells, and adds it to what the data file knows of a board."""

    def __init__(self) -> None:
        self._told = _Told()

    def hear(self, event: RunEvent) -> None:
        """Take in one event."""
        told = self._told
        if isinstance(event, Reach):
            told.link, told.link_words = _LINKS[event.state]
            if event.next_try_s is not None:
                told.link_words = f"next try in {event.next_try_s:.0f} s"
        elif isinstance(event, Greeted):
            told.name = event.identity.name
            told.waiting = event.waiting
        elif isinstance(event, BoardReport):
            status = event.status
            told.kept = status.kept
            told.waiting = event.waiting
            told.battery_volts = None if status.supply_mv is None else status.supply_mv / 1000

    def with_told(self, known: Sequence[BoardPart]) -> list[BoardPart]:
        """Return the boards of the data file with what was told since."""
        told = self._told
        boards = list(known)
        if told.name and all(board.board != told.name for board in boards):
            boards.append(BoardPart(told.name, "unknown", "", None, None, None, 0, None))
        if not boards:
            boards.append(BoardPart("board", "unknown", "", None, None, None, 0, None))
        # Without a name (a first sketch says none) it is the one that is there.
        name = told.name or boards[-1].board
        return [self._updated(board) if board.board == name else board for board in boards]

    def _updated(self, board: BoardPart) -> BoardPart:
        told = self._told
        words = told.link_words
        if told.waiting:
            held = f"{told.waiting} waiting on the board"
            words = f"{words}, {held}" if words else held
        return replace(
            board,
            link=told.link,
            link_words=words,
            battery_volts=told.battery_volts,
            kept=told.kept,
        )
