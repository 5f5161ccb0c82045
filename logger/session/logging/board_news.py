"""How the board of a session is doing, as its run tells, and when that is worth writing down."""

from __future__ import annotations

from dataclasses import replace

from logger.collector.reconnect import Reach, ReachState
from logger.collector.recording import BoardReport, Greeted
from logger.store.rows import BoardNews, LinkWord

_LINKS: dict[ReachState, tuple[LinkWord, str]] = {
    ReachState.CONNECTING: ("unknown", "connecting"),
    ReachState.CONNECTED: ("up", ""),
    ReachState.OUT_OF_REACH: ("out of reach", ""),
    ReachState.STOPPED: ("ended", ""),
}
# A link that comes or goes is written down at once, or soon if it does so all the time; a board's
# status, which comes every second, now and then; and that the program still runs.
_LINK_EVERY_NS = 500_000_000
_STATUS_EVERY_NS = 5_000_000_000
_BEAT_NS = 10_000_000_000
# What was written down longer ago no longer holds: the program that wrote it is gone.
_HOLD_NS = 3 * _BEAT_NS


def news_after(news: BoardNews, event: object) -> BoardNews:
    """Return the news after one event of a run; most change nothing."""
    if isinstance(event, Reach):
        link, words = _LINKS[event.state]
        if event.next_try_s is not None:
            words = f"next try in {event.next_try_s:.0f} s"
        return replace(news, link=link, link_words=words)
    if isinstance(event, Greeted):
        return replace(news, name=event.identity.name, waiting=event.waiting)
    if isinstance(event, BoardReport):
        status = event.status
        return replace(news, supply_mv=status.supply_mv, kept=status.kept, waiting=event.waiting)
    return news


class NewsKeeper:
    """Takes in the events of one run, and says when its news are due to be written down."""

    def __init__(self) -> None:
        self._news = BoardNews()
        self._written: BoardNews | None = None
        self._written_ns = 0

    def hear(self, event: object) -> None:
        """Take in one event; returns at once."""
        self._news = news_after(self._news, event)

    def due(self, now_ns: int, *, at_end: bool = False) -> BoardNews | None:
        """Return what to write down now, as written by then; None: nothing.

        Parameters
        ----------
        now_ns
            Host's monotonic clock.
        at_end
            The run ends: that is written down whatever was.
        """
        news, written = self._news, self._written
        if at_end:
            news = replace(news, link="ended", link_words="")
        elif written is not None:
            wait_ns = _BEAT_NS
            if news.link != written.link or news.name != written.name:
                wait_ns = _LINK_EVERY_NS
            elif news != written:
                wait_ns = _STATUS_EVERY_NS
            if now_ns - self._written_ns < wait_ns:
                return None
        self._written, self._written_ns = news, now_ns
        return news


class Told:
    """How old the news in the data file are, for who looks at them again and again.

    While a program logs it tells again now and then, so what stays the same grows old. Clocks that
    were set meanwhile do not matter, but for what was there at the first look.
    """

    def __init__(self) -> None:
        self._session: int | None = None
        self._told_utc_ns: int | None = None
        self._since_ns = 0

    def look(
        self,
        session: int | None,
        found: tuple[BoardNews, int] | None,
        now_ns: int,
        utc_ns: int,
    ) -> BoardNews | None:
        """Take in what the file has now, and return the news in it.

        Parameters
        ----------
        session
            Whose they are.
        found
            The news and when they were told (UTC, ns).
        now_ns, utc_ns
            This computer's monotonic clock and UTC.
        """
        told_utc_ns = None if found is None else found[1]
        if (session, told_utc_ns) != (self._session, self._told_utc_ns):
            self._since_ns = now_ns
            if session != self._session and told_utc_ns is not None:
                self._since_ns -= abs(utc_ns - told_utc_ns)
            self._session, self._told_utc_ns = session, told_utc_ns
        return None if found is None else found[0]

    def silent(self, now_ns: int) -> bool:
        """Whether something was told, but too long ago to hold."""
        return self._told_utc_ns is not None and now_ns - self._since_ns > _HOLD_NS
