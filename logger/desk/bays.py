"""Logging inside the desk: each session that is logged has a run, in a thread of their own.

The runs share one event loop and one thread that works on the data file, as bays do that are logged
from one command; the web server has another, so that no view can hold them up.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Literal

from logger.errors import LieboardError, StrangeBoardError, UsageError
from logger.hostclock import HostClock
from logger.links.open import same_port
from logger.page.acts import RunActor
from logger.session.logging.agreed import agreed_board
from logger.session.logging.bays import BoardClaims
from logger.session.logging.board_news import news_after
from logger.session.logging.fitting import FittingSession
from logger.session.logging.run import LoggingRun, RunEvent, RunSettings
from logger.session.logging.store_thread import StoreThread
from logger.store.rows import BoardNews
from logger.store.store import Store

_WITHIN_S = 20.0


@dataclass(frozen=True, slots=True)
class BayState:
    """How the logging of one session is doing."""

    session: int
    url: str
    state: Literal["logging", "stranger", "failed", "ended"]
    words: str = ""
    """What went wrong, in one line."""
    stranger: tuple[str, str] = ("", "")
    """Key and name of a board that was never used here."""
    news: BoardNews = field(default_factory=BoardNews)


class Bays:
    """All that is logged in this process.

    Parameters
    ----------
    path
        The data file.
    changed
        Told of every session in which something happened, in the logging's thread; returns at once.
    """

    def __init__(self, path: Path, changed: Callable[[int], None]) -> None:
        self._path = path
        self._changed = changed
        self._states: dict[int, BayState] = {}
        self._actors: dict[int, RunActor] = {}
        self._tasks: dict[int, asyncio.Task[None]] = {}
        self._claims = BoardClaims()
        self._loop = asyncio.new_event_loop()
        self._runner = threading.Thread(
            target=self._loop.run_forever, name="lieboard logging", daemon=True
        )
        self._store: Store | None = None
        self._thread: StoreThread | None = None

    # -- asked from the web server's loop -----------------------------------------------------

    def state(self, session: int) -> BayState | None:
        """Return how a session's logging is doing; None if it was never begun here."""
        return self._states.get(session)

    @property
    def logging(self) -> list[BayState]:
        """Those that are logged now."""
        return [one for one in self._states.values() if one.state == "logging"]

    def actor(self, session: int) -> RunActor | None:
        """Return what acts on a session that is logged here."""
        return self._actors.get(session)

    async def begin(self, session: int, url: str, *, baud: int = 115_200) -> None:
        """Begin to log a session from a board; returns once it was tried.

        Raises
        ------
        UsageError
            The session or the port is in use here already.
        """
        for one in self.logging:
            if one.session == session:
                raise UsageError(f"session {session} is being logged already")
            if same_port(one.url, url):
                raise UsageError(
                    f"{url} is logging session {one.session}: end that first, or choose another"
                )
        if not self._runner.is_alive():
            self._runner.start()
        await self._ask(self._begin(session, url, baud))

    def note_failure(self, session: int, url: str, words: str) -> None:
        """Remember why logging a session could not be begun."""
        self._states[session] = BayState(session, url, "failed", words)

    async def end(self, session: int) -> None:
        """Stop logging a session; what was under way is filed first."""
        if session in self._tasks:
            await self._ask(self._end(session))

    async def let_go(self) -> None:
        """Close the data file while nothing is logged.

        Raises
        ------
        UsageError
            Something is logged.
        """
        if self.logging:
            raise UsageError("a board is logging: end its session first")
        if self._runner.is_alive():
            await self._ask(self._shut())

    async def _shut(self) -> None:
        if self._thread is not None:
            await asyncio.to_thread(self._thread.close)
        if self._store is not None:
            self._store.close()
        self._thread = self._store = None

    async def close(self) -> None:
        """Stop all of it."""
        if self._runner.is_alive():
            await self._ask(self._close())
            self._loop.call_soon_threadsafe(self._loop.stop)
            await asyncio.to_thread(self._runner.join, _WITHIN_S)
        if not self._runner.is_alive():
            self._loop.close()

    async def _ask(self, work: object) -> None:
        future: Future[None] = asyncio.run_coroutine_threadsafe(work, self._loop)  # type: ignore[arg-type]
        await asyncio.wrap_future(future)

    # -- on the logging's loop ----------------------------------------------------------------

    async def _begin(self, session: int, url: str, baud: int) -> None:
        if self._thread is None or self._thread.refusal is not None:
            await self._open()
        assert self._store is not None
        assert self._thread is not None
        known = await self._thread.call(agreed_board, self._store, url)
        url, board = (url, None) if known is None else known
        settings = RunSettings(url, baud, patient=True, expect_board=board)
        # What was cut off is worked out again, as when a session is resumed.
        own = await self._thread.call(_taken_up, self._store, session)
        self._states[session] = BayState(session, url, "logging")
        self._tasks[session] = asyncio.create_task(self._run(own, settings))

    async def _open(self) -> None:
        await self._shut()
        self._store = await asyncio.to_thread(Store.open, self._path)
        self._thread = StoreThread(self._store)

    async def _run(self, own: FittingSession, settings: RunSettings) -> None:
        number, name = own.row.id, f"session {own.row.id}"

        def hear(event: RunEvent) -> None:
            state = self._states[number]
            self._states[number] = replace(state, news=news_after(state.news, event))
            self._changed(number)

        run = LoggingRun(
            own, settings, hear, thread=self._thread, may_use=partial(self._claims.take, name)
        )
        actor = RunActor(own)
        actor.attach(run.recorder.call, run.clock.utc_ns)
        self._actors[number] = actor
        try:
            await run.run()
            self._note(number, state="ended")
        except asyncio.CancelledError:
            self._note(number, state="ended")
            raise
        except StrangeBoardError as error:
            self._note(number, state="stranger", stranger=(error.key, error.name))
        except LieboardError as error:
            self._note(number, state="failed", words=str(error))
        except Exception as error:  # noqa: BLE001 - one bay's trouble must not end the others
            words = f"a fault of this program ({type(error).__name__}: {error}): report it"
            self._note(number, state="failed", words=words)
        finally:
            self._claims.release(name)
            self._actors.pop(number, None)
            self._tasks.pop(number, None)
            self._changed(number)

    def _note(self, session: int, **what: object) -> None:
        self._states[session] = replace(self._states[session], **what)  # type: ignore[arg-type]

    async def _end(self, session: int) -> None:
        task = self._tasks.get(session)
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def _close(self) -> None:
        for session in list(self._tasks):
            await self._end(session)
        await self._shut()


def _taken_up(store: Store, session: int) -> FittingSession:
    own = FittingSession(store, session)
    own.recover()
    now_ns = HostClock().utc_ns()
    if own.current_club(now_ns) is None:
        own.step_club(0, now_ns, cause="start")
    return own
