"""A fitter's session in progress on any line: the logger's own run with its store on disk."""

from __future__ import annotations

import asyncio

from logger.cli.log.book import LogBook
from logger.collector.reconnect import Reach
from logger.collector.recording import Greeted, RecordsLost
from logger.hostclock import HostClock
from logger.session.logging.opening import open_session
from logger.session.logging.run import Filed, LoggingRun, RunSettings


class Desk:
    """A fitter's session in progress."""

    def __init__(self, store, url, clock, **settings):
        self.session = open_session(
            store, player=None, set_name=None, now_utc_ns=HostClock().utc_ns()
        )
        self.events = []
        self.book = LogBook("test", self.session.order)
        self.lines = []
        self._news = asyncio.Event()
        self.run = LoggingRun(
            self.session, RunSettings(url, accept=True, **settings), self._hear, clock
        )

    def _hear(self, event):
        self.events.append(event)
        self.book.hear(event)
        self.lines.append(self.book.board_line)
        self._news.set()

    async def until(self, so, limit_s=20):
        async with asyncio.timeout(limit_s):
            while not so():
                self._news.clear()
                await self._news.wait()

    @property
    def reach(self):
        return [event.state for event in self.events if isinstance(event, Reach)][-1]

    @property
    def greeted(self):
        return sum(isinstance(event, Greeted) for event in self.events)

    @property
    def lost(self):
        return sum(event.count for event in self.events if isinstance(event, RecordsLost))

    @property
    def filed(self):
        return sum(len(event.strikes) for event in self.events if isinstance(event, Filed))

    async def step(self):
        now_ns = self.run.clock.utc_ns()
        return (await self.run.recorder.call(self.session.step_club, 1, now_ns)).label

    @property
    def sequences(self):
        """Of all records on disk, board by board."""
        store, session = self.session.store, self.session.row.id
        return [
            r.sequence for b in store.boards.boots_of(session) for r in store.records.read(boot=b)
        ]
