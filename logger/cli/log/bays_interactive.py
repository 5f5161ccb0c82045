"""Several bays at a terminal: one screen for all, keys for the one that is picked."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from contextlib import ExitStack
from typing import TypeVar

from logger.cli.log.bays_screen import BayView, bays_screen
from logger.cli.log.book import LogBook
from logger.cli.log.noticing import notice_changes
from logger.cli.terminal.keys import key_presses
from logger.cli.terminal.screen import draw_again, steady_screen
from logger.page.numbers import NumberWorks
from logger.session.logging.bays import Bay, BayEnded, BayEvent, BaysRun
from logger.session.logging.run import Filed
from logger.store.rows import ClubRow, StrikeRow
from logger.store.store import Store

_T = TypeVar("_T")
_DOWN = ("\x1b[B", "\t")
_UP = ("\x1b[A",)


async def log_bays_interactively(bays: Sequence[Bay]) -> None:
    """Log until q, until all bays have ended, or Ctrl-C.

    ``q`` ends the sessions of all bays; Ctrl-C leaves them open, to go on with later.
    """
    with ExitStack() as stack:
        # Reading connections of their own: working out the numbers of one bay must keep neither
        # strikes from the disk nor another bay's numbers from its screen.
        path = bays[0].session.store.path
        reading = stack.enter_context(Store.open(path, read_only=True))
        desks = [_BayDesk(bay, reading, stack.enter_context(NumberWorks(path))) for bay in bays]
        shop = _Shop(desks)
        with steady_screen(lambda: bays_screen([d.view for d in desks], shop.picked)) as draw:
            await shop.run(draw)


class _BayDesk:
    """What one bay shows, worked out beside the logging."""

    def __init__(self, bay: Bay, reading: Store, works: NumberWorks) -> None:
        self.bay = bay
        self._reading = reading
        self._works = works
        own = bay.session.set
        title = f"{bay.name}: session {bay.session.row.id} · {own.player.name} · {own.name}"
        right = bay.session.row.hand == "right"
        self.book = LogBook(title, bay.session.order, toe_on_right=right)
        self.view = BayView(bay.name, own.player.name, self.book)
        self.changed = asyncio.Event()
        self.changed.set()

    def hear(self, event: BayEvent) -> None:
        if isinstance(event, BayEnded):
            self.view.ended = True
            self.book.link = "ended"
            if event.error is not None:
                self.book.say(f"ended, the others go on: {event.error}")
            return
        self.book.hear(event)
        if isinstance(event, Filed):
            self.changed.set()

    def notice(self) -> Coroutine[None, None, None]:
        """Notice what was filed or decided, here or elsewhere; for a task."""
        return notice_changes(self._reading, self.bay.session.row.id, self.changed)

    async def look(self, run: BaysRun) -> None:
        """Show what was filed or decided at once, and what it says as soon as it is worked out."""
        while True:
            await self.changed.wait()
            self.changed.clear()
            now_ns = run.clock.utc_ns()
            self.book.up, self.book.contacts = await asyncio.to_thread(self._contacts, now_ns)
            found = await asyncio.to_thread(self._works.find, self.bay.session.row)
            self.book.results = {one.evidence.club.id: one for one in found.clubs}
            self.book.advice = found.no_plan if found.advice is None else found.advice.why
            self.book.level = " ".join(found.remarks)

    def _contacts(self, now_ns: int) -> tuple[ClubRow | None, list[StrikeRow]]:
        session = self.bay.session.row.id
        up = self._reading.sessions.club_at(session, now_ns)
        club = next((c for c in self.book.clubs if c.id == up), None)
        return club, [] if club is None else self._reading.strikes.contacts(session, club=club.id)


class _Shop:
    """All bays and the keys."""

    def __init__(self, desks: Sequence[_BayDesk]) -> None:
        self._desks = desks
        self.picked = 0
        by_name = {desk.bay.name: desk for desk in desks}
        self._run = BaysRun(
            [desk.bay for desk in desks], lambda bay, event: by_name[bay.name].hear(event)
        )

    async def run(self, draw: Callable[[], None]) -> None:
        async with key_presses() as keys:
            tasks = [
                asyncio.create_task(self._run.run()),
                asyncio.create_task(self._obey(keys)),
                asyncio.create_task(draw_again(draw)),
                *(asyncio.create_task(desk.look(self._run)) for desk in self._desks),
                *(asyncio.create_task(desk.notice()) for desk in self._desks),
            ]
            try:
                await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
                for task in tasks:
                    if task.done():
                        await task
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)

    async def _obey(self, keys: asyncio.Queue[str]) -> None:
        while True:
            key = await keys.get()
            if key.lower() == "q":
                now_ns = self._run.clock.utc_ns()
                for desk in self._desks:
                    await self._call(desk, desk.bay.session.end, now_ns)
                return
            if key in _DOWN or key in _UP:
                step = 1 if key in _DOWN else -1
                self.picked = (self.picked + step) % len(self._desks)
            elif key.isdigit() and 1 <= int(key) <= len(self._desks):
                self.picked = int(key) - 1
            else:
                await self._obey_for(self._desks[self.picked], key.lower())

    async def _obey_for(self, desk: _BayDesk, key: str) -> None:
        now_ns = self._run.clock.utc_ns()
        session = desk.bay.session
        if key in ("n", "p"):
            club = await self._call(desk, session.step_club, 1 if key == "n" else -1, now_ns)
            desk.book.say(f"{club.label} is up")
        elif key == "b":
            back = await self._call(desk, session.take_back, now_ns)
            desk.book.say("nothing to take back" if back is None else f"took back {back.id}")
        elif key == "e" and not desk.view.ended:
            await self._call(desk, session.end, now_ns)
            self._run.end_bay(desk.bay.name)
        desk.changed.set()

    async def _call(self, desk: _BayDesk, work: Callable[..., _T], *arguments: int) -> _T:
        return await self._run.runs[desk.bay.name].recorder.call(work, *arguments)
