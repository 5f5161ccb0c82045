"""The data file as the desk uses it: read off the event loop, written one act after the other."""

from __future__ import annotations

import asyncio
import hashlib
import json
import time
from collections import OrderedDict
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from logger.errors import UsageError
from logger.hostclock import HostClock
from logger.page.numbers import NumberWorks
from logger.session.corrections.acts import Said, take_back
from logger.session.results.clubs import SessionResults
from logger.store.rows import SessionRow
from logger.store.store import Store

_T = TypeVar("_T")
PLACE = "desk"
# So many sessions are kept worked out: a set's last two, and those that are open in other windows.
_KEPT = 8
_BOARDS = 40
# The bar at the foot offers to take back what was said just now; later there is the list.
_JUST_NOW_S = 600.0
_LOOKS_WITHIN_S = 20.0


class StillWorkingError(Exception):
    """What was asked for takes longer: ask again."""


@dataclass(frozen=True, slots=True)
class LastAct:
    """What was done last at the desk, for the bar at the foot of every view."""

    words: str
    key: str
    """Of the act in the data file."""
    at_s: float


class House:
    """One data file, open for reading and for writing.

    Parameters
    ----------
    path
        Made if it is not there.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.clock = HostClock()
        self._last: LastAct | None = None
        self._acting = asyncio.Lock()
        # Cleared while nobody may look, because the whole file is being replaced.
        self._free = asyncio.Event()
        self._free.set()
        self._looking = 0
        self._unseen = asyncio.Event()
        self._unseen.set()
        self._first: dict[int, asyncio.Task[SessionResults]] = {}
        self._open()

    def _open(self) -> None:
        self._writing = Store.open(self.path)
        self._reading = Store.open(self.path, read_only=True)
        self._works: OrderedDict[int, NumberWorks] = OrderedDict()

    def close(self) -> None:
        """Close the file; may be called more than once."""
        for works in self._works.values():
            works.close()
        self._works.clear()
        self._reading.close()
        self._writing.close()

    # -- looking ----------------------------------------------------------------------------

    async def read(self, work: Callable[[Store], _T]) -> _T:
        """Look something up, off the event loop."""
        async with self._look():
            return await asyncio.to_thread(work, self._reading)

    def works(self, session: int) -> NumberWorks:
        """Return what works out a session, and remembers what it fitted."""
        if session not in self._works:
            self._works[session] = NumberWorks(self.path)
            while len(self._works) > _KEPT:
                self._works.popitem(last=False)[1].close()
        self._works.move_to_end(session)
        return self._works[session]

    async def results(
        self, session: SessionRow, *, within_s: float | None = None
    ) -> SessionResults:
        """Work out what a session says, off the event loop.

        Parameters
        ----------
        within_s
            How long to wait where it has to be worked out from nothing, which takes seconds; the
            work goes on, and whoever asks again is answered once it is done. None: as it takes.

        Raises
        ------
        StillWorkingError
            It is not done within that time.
        """
        if within_s is not None:
            first = self._first.get(session.id)
            if first is None and session.id not in self._works:
                first = self._first[session.id] = asyncio.create_task(self._found(session))
                # Whoever asked may never ask again.
                first.add_done_callback(lambda task: task.cancelled() or task.exception())
            if first is not None:
                done, _ = await asyncio.wait({first}, timeout=within_s)
                if not done:
                    raise StillWorkingError
                self._first.pop(session.id, None)
        # What changed meanwhile is in it: what was fitted before is remembered.
        return await self._found(session)

    async def _found(self, session: SessionRow) -> SessionResults:
        async with self._look():
            return await asyncio.to_thread(self.works(session.id).find, session)

    @asynccontextmanager
    async def _look(self) -> AsyncIterator[None]:
        await self._free.wait()
        self._looking += 1
        self._unseen.clear()
        try:
            yield
        finally:
            self._looking -= 1
            if not self._looking:
                self._unseen.set()

    async def alone(
        self, work: Callable[[], _T], stop_looking: Callable[[], Awaitable[None]]
    ) -> _T:
        """Do something to the whole file, while nobody has it open; it is opened again afterwards.

        Raises
        ------
        StoreError, UsageError
            What the work raises; or somebody looks at it for too long.
        """
        async with self._acting:
            await stop_looking()
            self._free.clear()
            try:
                async with asyncio.timeout(_LOOKS_WITHIN_S):
                    await self._unseen.wait()
            except TimeoutError:
                self._free.set()
                raise UsageError("the file is still being read: try again in a moment") from None
            try:
                await asyncio.to_thread(self.close)
                return await asyncio.to_thread(work)
            finally:
                await asyncio.to_thread(self._open)
                self._last = None
                self._free.set()

    # -- acting -----------------------------------------------------------------------------

    async def act(self, work: Callable[[Store, Said], str]) -> str:
        """Do one act off the event loop, after those that were asked for before; return its words.

        Raises
        ------
        UsageError, StoreError
            What the act raises; nothing was changed then.
        """
        async with self._acting:
            return await asyncio.to_thread(self._act, work)

    def _act(self, work: Callable[[Store, Said], str]) -> str:
        store = self._writing
        before = store.acts.last()
        words = work(store, Said(self.clock.utc_ns(), PLACE))
        after = store.acts.last()
        if after is not None and (before is None or after.act_key != before.act_key):
            self._last = LastAct(words, after.act_key, time.monotonic())
        return words

    def note_several(self, words: str, keys: list[str]) -> None:
        """Offer to take back at once several acts that were one form."""
        self._last = LastAct(words, ",".join(keys), time.monotonic())

    async def undo(self, key: str) -> str:
        """Take an act back; return what it was in words.

        Raises
        ------
        UsageError
            There is no such act, or it was taken back already.
        """

        def work(store: Store, said: Said) -> str:
            known = {one.act_key: one for one in store.acts.all()}
            words = []
            for place, one in enumerate(reversed(key.split(","))):
                kept = known.get(one)
                if kept is None or kept.takes_back:
                    raise UsageError("there is no such change: look at the list of changes")
                if kept.taken_back:
                    raise UsageError(f"taken back already: {kept.words}")
                take_back(store, kept, Said(said.utc_ns + place, said.place))
                words.append(kept.words)
            return "; ".join(words)

        async with self._acting:
            words = await asyncio.to_thread(
                lambda: work(self._writing, Said(self.clock.utc_ns(), PLACE))
            )
        self._last = None
        return f"taken back: {words}"

    @property
    def last(self) -> LastAct | None:
        """What was done last, if it was just now."""
        last = self._last
        return last if last is not None and time.monotonic() - last.at_s < _JUST_NOW_S else None

    def forget_last(self) -> None:
        """Offer no longer to take back what was done last."""
        self._last = None

    # -- what this machine remembers -----------------------------------------------------------

    def remembered(self) -> dict[str, Any]:
        """Return what was remembered beside the data file, such as the port used last."""
        return remembered_at(self.path)

    def remember(self, **what: Any) -> None:  # noqa: ANN401
        """Remember something beside the data file; it is no loss if that cannot be written."""
        file = notes_of(self.path)
        with suppress(OSError):
            file.write_text(json.dumps(self.remembered() | what), "utf-8")

    def remember_board(self, key: str, url: str) -> None:
        """Remember where a board answered, so that it need not be typed again."""
        self.remember(board=url, boards=dict([*self.boards_at().items(), (key, url)][-_BOARDS:]))

    def boards_at(self) -> dict[str, str]:
        """Return where boards answered last, by their keys."""
        found = self.remembered().get("boards")
        if not isinstance(found, dict):
            return {}
        return {str(key): url for key, url in found.items() if isinstance(url, str)}


def name_of(path: Path) -> str:
    """Return what stands for a data file where its path is nobody's business."""
    return hashlib.sha256(str(path.resolve()).encode()).hexdigest()


def notes_of(path: Path) -> Path:
    """Return the file beside a data file in which the desk remembers small things."""
    return path.with_name(path.name + ".desk")


def remembered_at(path: Path) -> dict[str, Any]:
    """Return what a desk remembered beside a data file; nothing if that cannot be read."""
    try:
        found = json.loads(notes_of(path).read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
