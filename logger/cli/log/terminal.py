"""Logging at a terminal: a screen that keeps itself up to date, and keys for the bay picked."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from contextlib import ExitStack
from typing import ParamSpec, TypeVar

from logger.cli.log.book import LogBook
from logger.cli.log.page import LivePage
from logger.cli.log.screen import screen
from logger.cli.terminal.keys import key_presses
from logger.cli.terminal.screen import draw_again, steady_screen
from logger.page.look import Looker
from logger.page.numbers import NumberWorks
from logger.session.corrections.acts import Said, add_note
from logger.session.corrections.strikes import turn_strike
from logger.session.logging.bays import Bay, BayEnded, BayEvent, BaysRun
from logger.session.logging.run import Filed
from logger.store.rows import ClubRow, StrikeRow
from logger.store.store import Store

_P = ParamSpec("_P")
_T = TypeVar("_T")
_DOWN = ("\x1b[B", "\t")
_UP = ("\x1b[A",)
_ENTER = ("\n", "\r")
_RUBOUT = ("\x7f", "\b")
_ESCAPE = "\x1b"
# Quick for a person, and one look at a counter.
_NOTICE_EVERY_S = 0.1


async def log_at_terminal(bays: Sequence[Bay], pages: Sequence[LivePage]) -> None:
    """Log until q, until all bays have ended, or Ctrl-C.

    ``q`` ends the sessions of all bays; Ctrl-C leaves them open, to be resumed later.
    """
    with ExitStack() as stack:
        # Reading connections of their own: working out the numbers of one bay must keep neither
        # strikes from the disk nor another bay's numbers from its screen.
        path = bays[0].session.store.path
        reading = stack.enter_context(Store.open(path, read_only=True))
        shown = [
            TerminalBay(bay, reading, stack.enter_context(NumberWorks(path)), page)
            for bay, page in zip(bays, pages, strict=True)
        ]
        keys = _Keys(shown)
        books = [own.book for own in shown]
        with steady_screen(lambda: screen(books, keys.picked)) as draw:
            await keys.run(draw)


class TerminalBay:
    """What one bay shows, worked out beside the logging."""

    def __init__(
        self, bay: Bay, reading: Store, works: NumberWorks, page: LivePage | None = None
    ) -> None:
        self.bay = bay
        self.page = page or LivePage()
        self._reading = reading
        self._works = works
        self.book = LogBook.of(bay)
        self.book.page = self.page.lines
        self.changed = asyncio.Event()
        self.changed.set()
        self._unsaid = asyncio.Event()

    def begin(self, run: BaysRun) -> None:
        """Serve the bay's page, if one was asked for; on the run's event loop."""
        self.page.begin(self.bay.session, run.runs[self.bay.name], self.book.say, self._works)

    def hear(self, event: BayEvent) -> None:
        """Take in what the run tells of this bay."""
        if isinstance(event, BayEnded):
            self.book.ended = True
            self.book.link = "ended"
            if event.error is not None:
                self.book.say(f"ended, the others go on: {event.error}")
            return
        self.page.hear(event)
        self.book.hear(event)
        if isinstance(event, Filed):
            self.changed.set()

    async def notice(self) -> None:
        """Notice what was filed or decided elsewhere: on the page, or by another program."""
        looker = Looker(self._reading, self.bay.session.row.id)
        version: int | None = None
        shown: object = None
        while True:
            now = self._reading.live.data_version()
            if now != version:
                look = await asyncio.to_thread(looker.look)
                stands = (look.basis, look.current_club)
                if stands != shown:
                    shown = stands
                    self.changed.set()
                version = now
            await asyncio.sleep(_NOTICE_EVERY_S)

    async def look(self, run: BaysRun) -> None:
        """Show at once what was filed or decided."""
        clock = run.runs[self.bay.name].clock
        while True:
            await self.changed.wait()
            self.changed.clear()
            self.book.up, self.book.contacts = await asyncio.to_thread(
                self._contacts, clock.utc_ns()
            )
            self._unsaid.set()

    async def work_out(self) -> None:
        """Show what that says of the clubs as soon as it is worked out."""
        while True:
            await self._unsaid.wait()
            self._unsaid.clear()
            found = await asyncio.to_thread(self._works.find, self.bay.session.row)
            self.book.results = {one.evidence.club.id: one for one in found.clubs}
            self.book.advice = found.no_plan if found.advice is None else found.advice.why
            self.book.level = " ".join(found.remarks)

    def _contacts(self, now_ns: int) -> tuple[ClubRow | None, list[StrikeRow]]:
        session = self.bay.session.row.id
        up = self._reading.sessions.club_at(session, now_ns)
        club = next((c for c in self.book.clubs if c.id == up), None)
        return club, [] if club is None else self._reading.strikes.contacts(session, club=club.id)


class _Keys:
    """All bays, and what the fitter presses."""

    def __init__(self, shown: Sequence[TerminalBay]) -> None:
        self._bays = shown
        self.picked = 0
        by_name = {own.bay.name: own for own in shown}
        self._run = BaysRun(
            [own.bay for own in shown], lambda bay, event: by_name[bay.name].hear(event)
        )

    async def run(self, draw: Callable[[], None]) -> None:
        async with key_presses() as keys:
            for own in self._bays:
                own.begin(self._run)
            works: list[Coroutine[None, None, None]] = [
                self._run.run(),
                self._obey(keys),
                draw_again(draw),
                *(own.look(self._run) for own in self._bays),
                *(own.work_out() for own in self._bays),
                *(own.notice() for own in self._bays),
            ]
            tasks = [asyncio.create_task(work) for work in works]
            try:
                await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
                for task in tasks:
                    if task.done():
                        await task
            finally:
                for task in reversed(tasks):
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
                for own in self._bays:
                    # While this loop still runs: what a viewer asked for last is answered.
                    await asyncio.to_thread(own.page.end)

    async def _obey(self, keys: asyncio.Queue[str]) -> None:
        several = len(self._bays) > 1
        while True:
            key = await keys.get()
            if key.lower() == "q":
                for own in self._bays:
                    await self._call(own, own.bay.session.end, self._now_ns(own))
                return
            if several and (key in _DOWN or key in _UP):
                step = 1 if key in _DOWN else -1
                self.picked = (self.picked + step) % len(self._bays)
            elif several and key.isdigit() and 1 <= int(key) <= len(self._bays):
                self.picked = int(key) - 1
            else:
                own = self._bays[self.picked]
                await self._obey_for(own, key.lower(), keys)
                own.changed.set()

    async def _obey_for(self, own: TerminalBay, key: str, keys: asyncio.Queue[str]) -> None:
        now_ns = self._now_ns(own)
        session = own.bay.session
        if key in ("n", "p"):
            club = await self._call(own, session.step_club, 1 if key == "n" else -1, now_ns)
            own.book.say(f"{club.label} is up")
        elif key == "b":
            last = await self._call(own, session.last_counted, now_ns)
            if last is not None:
                await self._turn(own, last, aside=True, reason="taken back (key)")
            own.book.say("nothing to take back" if last is None else f"took back {last.number}")
        elif key == "x":
            await self._set_aside(own, keys)
        elif key == "t":
            text = await _typed(own.book, keys, "note: ")
            if text:
                said = Said(now_ns, own.bay.name or "log")
                await self._call(own, add_note, session.store, session.row.id, text, said)
                own.book.say("note kept")
        elif key == "e" and len(self._bays) > 1 and not own.book.ended:
            await self._call(own, session.end, now_ns)
            self._run.end_bay(own.bay.name)

    async def _set_aside(self, own: TerminalBay, keys: asyncio.Queue[str]) -> None:
        book = own.book
        text = await _typed(book, keys, "number of the contact to set aside or bring in: ")
        if not text:
            return
        found = [c for c in book.contacts if str(c.number) == text.strip()]
        if not found:
            book.say(f"there is no contact {text} under this club")
            return
        contact = found[0]
        if contact.used:
            reason = await _typed(book, keys, "why: ") or "fitter's choice"
            await self._turn(own, contact, aside=True, reason=reason)
            book.say(f"{contact.number} set aside")
        else:
            await self._turn(own, contact, aside=False)
            book.say(f"{contact.number} counts")

    async def _turn(
        self, own: TerminalBay, contact: StrikeRow, *, aside: bool, reason: str | None = None
    ) -> None:
        said = Said(self._now_ns(own), own.bay.name or "log")
        store = own.bay.session.store
        await self._call(own, turn_strike, store, contact, said, aside=aside, reason=reason)

    def _now_ns(self, own: TerminalBay) -> int:
        return self._run.runs[own.bay.name].clock.utc_ns()

    async def _call(
        self, own: TerminalBay, work: Callable[_P, _T], *arguments: _P.args, **named: _P.kwargs
    ) -> _T:
        return await self._run.runs[own.bay.name].recorder.call(work, *arguments, **named)


async def _typed(book: LogBook, keys: asyncio.Queue[str], question: str) -> str | None:
    """Return a line typed at the foot of the screen; None if the fitter pressed escape."""
    text = ""
    try:
        while True:
            book.prompt = question + text
            key = await keys.get()
            if key in _ENTER:
                return text.strip()
            if key == _ESCAPE:
                return None
            if key in _RUBOUT:
                text = text[:-1]
            elif key.isprintable():
                text += key
    finally:
        book.prompt = None
