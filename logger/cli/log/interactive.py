"""Logging at a terminal: a screen that keeps itself up to date, and keys."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from logger.cli.log.book import LogBook
from logger.cli.log.noticing import notice_changes
from logger.cli.log.page import LivePage
from logger.cli.log.screen import screen
from logger.cli.terminal.keys import key_presses
from logger.cli.terminal.screen import draw_again, steady_screen
from logger.page.numbers import NumberWorks
from logger.session.logging.fitting import FittingSession
from logger.session.logging.run import Filed, LoggingRun, RunEvent, RunSettings
from logger.store.rows import ClubRow, StrikeRow
from logger.store.store import Store

_ENTER = ("\n", "\r")
_RUBOUT = ("\x7f", "\b")
_ESCAPE = "\x1b"


async def log_interactively(
    session: FittingSession, settings: RunSettings, title: str, page: LivePage
) -> None:
    """Log until the fitter presses q, the link ends for good, or Ctrl-C.

    ``q`` ends the session; Ctrl-C leaves it open, to go on with later.
    """
    path = session.store.path
    # Reading connections of their own: working out the numbers must not keep strikes from the disk.
    with Store.open(path, read_only=True) as reading, NumberWorks(path) as works:
        desk = _Desk(session, settings, title, reading, works, page)
        with steady_screen(lambda: screen(desk.book)) as draw:
            await desk.run(draw)


class _Desk:
    """The fitter's place: run, book and keys together."""

    def __init__(
        self,
        session: FittingSession,
        settings: RunSettings,
        title: str,
        reading: Store,
        works: NumberWorks,
        page: LivePage,
    ) -> None:
        self._session = session
        self._reading = reading
        self._works = works
        self._page = page
        self.book = LogBook(title, session.order, toe_on_right=session.row.hand == "right")
        self.book.page = page.lines
        self._run = LoggingRun(session, settings, self._hear)
        self._call = self._run.recorder.call
        self._changed = asyncio.Event()
        self._changed.set()

    async def run(self, draw: Callable[[], None]) -> None:
        async with key_presses() as keys:
            self._page.begin(self._session, self._run, self.book.say, self._works)
            logging = asyncio.create_task(self._run.run())
            beside = [
                asyncio.create_task(work)
                for work in (
                    draw_again(draw),
                    self._look(),
                    notice_changes(self._reading, self._session.row.id, self._changed),
                )
            ]
            pressing = asyncio.create_task(self._obey(keys))
            try:
                await asyncio.wait(
                    (logging, pressing, *beside), return_when=asyncio.FIRST_COMPLETED
                )
                for task in (logging, pressing, *beside):
                    if task.done():
                        await task
            finally:
                for task in (pressing, *beside, logging):
                    task.cancel()
                await asyncio.gather(pressing, *beside, logging, return_exceptions=True)
                # While this loop still runs: what a viewer asked for last is answered.
                await asyncio.to_thread(self._page.end)

    def _hear(self, event: RunEvent) -> None:
        self._page.hear(event)
        self.book.hear(event)
        if isinstance(event, Filed):
            self._changed.set()

    async def _look(self) -> None:
        """Show what was filed or decided at once, and what it says as soon as it is worked out."""
        while True:
            await self._changed.wait()
            self._changed.clear()
            now_ns = self._run.clock.utc_ns()
            self.book.up, self.book.contacts = await asyncio.to_thread(self._contacts, now_ns)
            found = await asyncio.to_thread(self._works.find, self._session.row)
            self.book.results = {one.evidence.club.id: one for one in found.clubs}
            self.book.advice = found.no_plan if found.advice is None else found.advice.why
            self.book.level = " ".join(found.remarks)

    def _contacts(self, now_ns: int) -> tuple[ClubRow | None, list[StrikeRow]]:
        session = self._session.row.id
        up = self._reading.sessions.club_at(session, now_ns)
        club = next((c for c in self.book.clubs if c.id == up), None)
        return club, [] if club is None else self._reading.strikes.contacts(session, club=club.id)

    # -- keys -------------------------------------------------------------------------------

    async def _obey(self, keys: asyncio.Queue[str]) -> None:
        while True:
            key = (await keys.get()).lower()
            now_ns = self._run.clock.utc_ns()
            if key == "q":
                await self._call(self._session.end, now_ns)
                return
            if key in ("n", "p"):
                step = 1 if key == "n" else -1
                club = await self._call(self._session.step_club, step, now_ns)
                self.book.say(f"{club.label} is up")
            elif key == "b":
                back = await self._call(self._session.take_back, now_ns)
                self.book.say("nothing to take back" if back is None else f"took back {back.id}")
            elif key == "x":
                await self._set_aside(keys)
            elif key == "t":
                text = await self._typed(keys, "note: ")
                if text:
                    await self._call(self._session.note, text, now_ns)
                    self.book.say("note kept")
            self._changed.set()

    async def _set_aside(self, keys: asyncio.Queue[str]) -> None:
        text = await self._typed(keys, "number of the contact to set aside or bring in: ")
        if not text:
            return
        found = [c for c in self.book.contacts if str(c.id) == text.strip()]
        if not found:
            self.book.say(f"there is no contact {text} under this club")
            return
        contact = found[0]
        if contact.used:
            reason = await self._typed(keys, "why: ") or "fitter's choice"
            await self._call(self._session.set_aside, contact, reason)
            self.book.say(f"{contact.id} set aside")
        else:
            await self._call(self._session.bring_back, contact)
            self.book.say(f"{contact.id} counts")

    async def _typed(self, keys: asyncio.Queue[str], question: str) -> str | None:
        """Return a line typed at the foot of the screen; None if the fitter pressed escape."""
        text = ""
        try:
            while True:
                self.book.prompt = question + text
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
            self.book.prompt = None
