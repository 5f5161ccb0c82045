"""The one thread that works on the store, for one board or for several."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import queue
import sqlite3
import threading
import time
from collections.abc import Callable
from typing import Any, ParamSpec, TypeAlias, TypeVar

from logger.errors import StoreError
from logger.store.store import Store

_P = ParamSpec("_P")
_T = TypeVar("_T")
_Works: TypeAlias = tuple[Callable[[], Any], ...]
_Job: TypeAlias = tuple[_Works, "asyncio.Future[Any]"]
_Result: TypeAlias = tuple["asyncio.Future[Any]", Any, BaseException | None]
# Who came first into a group waits for the last of it: no more than this and one more job.
_GROUP_S = 0.015
_GROUP_JOBS = 64
# Boards that stream are read in one go, and their work comes one after the other: as long as fewer
# came than the last time, the next is waited for a little. A wait for the disk takes longer.
_NEXT_S = 0.003


class StoreThread:
    """Does work on a store, in the order it is asked for, off the event loop.

    What waits when the thread gets round to it is done as one transaction: sixteen boards wait for
    the disk once and not sixteen times. Nobody is told that their work is done before it is on the
    disk; work that fails is undone alone. Whoever asks has to wait, so a board that brings a lot
    has no more of its work in line than one that brings little.
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._closed = False
        # What the file refused once it refuses again, and each time it may take seconds to say so.
        self.refusal: StoreError | None = None
        """Why the file takes nothing more; None while it does."""
        self._thread = threading.Thread(target=self._work, name="lieboard store", daemon=True)
        self._started = False
        self._last_group = 0

    async def call(self, work: Callable[_P, _T], *arguments: _P.args, **named: _P.kwargs) -> _T:
        """Do something on the store; what it wrote is on the disk when this returns.

        Raises
        ------
        StoreError
            It, or the commit, failed: nothing of it is stored. Once the file refused something,
            nothing is tried any more.
        """
        result: _T = await self._ask((functools.partial(work, *arguments, **named),))
        return result

    async def both(self, first: Callable[[], object], then: Callable[[], _T]) -> _T:
        """Do two things on the store in one go; what ``then`` breaks leaves ``first`` as it is.

        Raises
        ------
        StoreError
            One of them, or the commit, failed; ``then`` is not tried if ``first`` failed.
        """
        result: _T = await self._ask((first, then))
        return result

    def _ask(self, works: _Works) -> asyncio.Future[Any]:
        if self._closed:
            raise RuntimeError("the store's thread has ended")
        if not self._started:
            self._started = True
            self._thread.start()
        done: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
        self._jobs.put((works, done))
        return done

    def close(self) -> None:
        """Wait for what is still being written, and end; may be called more than once."""
        if self._closed:
            return
        self._closed = True
        if self._started:
            self._jobs.put(None)
            self._thread.join()

    # -- in the thread ----------------------------------------------------------------------

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            if not self._do_group(job):
                return

    def _do_group(self, first: _Job) -> bool:
        """Do a job and those that wait behind it; False if the end was among them."""
        job: _Job | None = first
        results: list[_Result] = []
        try:
            with self.store.gathering():
                # From when the file is ours: who had to wait for it finds more to take along.
                until_s = time.monotonic() + _GROUP_S
                while job is not None:
                    results.append(self._do(*job))
                    if len(results) >= _GROUP_JOBS or time.monotonic() > until_s:
                        break
                    more = len(results) < self._last_group
                    try:
                        job = self._jobs.get(timeout=_NEXT_S) if more else self._jobs.get_nowait()
                    except queue.Empty:
                        break
        except BaseException as error:  # noqa: BLE001 - handed on to each of those who wait
            self._note(error)
            results = [(done, None, failure or error) for done, _, failure in results]
        self._last_group = len(results)
        _tell(results)
        return job is not None

    def _do(self, works: _Works, done: asyncio.Future[Any]) -> _Result:
        result = None
        try:
            # Whoever stopped waiting before it was begun wants nothing done.
            for work in () if done.cancelled() else works:
                if self.refusal is not None:
                    raise self.refusal
                with self.store.part():
                    result = work()
        except BaseException as error:  # noqa: BLE001 - handed on to the one who waits
            self._note(error)
            return done, None, error
        return done, result, None

    def _note(self, error: BaseException) -> None:
        cause = error.__cause__
        by_file = isinstance(cause, sqlite3.DatabaseError)
        if isinstance(error, StoreError) and by_file and type(cause) is not sqlite3.IntegrityError:
            self.refusal = self.refusal or error


def _tell(results: list[_Result]) -> None:
    """Wake those who wait, all of an event loop at once."""
    by_loop: dict[asyncio.AbstractEventLoop, list[_Result]] = {}
    for result in results:
        by_loop.setdefault(result[0].get_loop(), []).append(result)
    for loop, own in by_loop.items():
        # A loop that ended has nobody left who waits.
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(_wake, own)


def _wake(results: list[_Result]) -> None:
    for done, result, error in results:
        if done.done():
            continue
        if error is not None:
            done.set_exception(error)
        else:
            done.set_result(result)
