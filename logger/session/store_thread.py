"""The one thread that works on the store, for one board or for several."""

from __future__ import annotations

import asyncio
import functools
import queue
import sqlite3
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, ParamSpec, TypeAlias, TypeVar

from logger.errors import StoreError
from logger.store.store import Store

_P = ParamSpec("_P")
_T = TypeVar("_T")
_Job: TypeAlias = tuple[Callable[[], Any], "Future[Any]"]
# Who came first into a group waits for the last of it: no more than this and one more job.
_GROUP_S = 0.01
_GROUP_JOBS = 64


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
        self._refusal: StoreError | None = None
        self._thread = threading.Thread(target=self._work, name="lieboard store", daemon=True)
        self._started = False

    async def call(self, work: Callable[_P, _T], *arguments: _P.args, **named: _P.kwargs) -> _T:
        """Do something on the store; what it wrote is on the disk when this returns.

        Raises
        ------
        StoreError
            It, or the commit, failed: nothing of it is stored. Once the file refused something,
            nothing is tried any more.
        """
        if self._closed:
            raise RuntimeError("the store's thread has ended")
        if not self._started:
            self._started = True
            self._thread.start()
        done: Future[_T] = Future()
        self._jobs.put((functools.partial(work, *arguments, **named), done))
        return await asyncio.wrap_future(done)

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
        done: list[tuple[Future[Any], Any]] = []
        try:
            with self.store.gathering():
                # From when the file is ours: who had to wait for it finds more to take along.
                until_s = time.monotonic() + _GROUP_S
                while job is not None:
                    self._do(job, done)
                    if len(done) >= _GROUP_JOBS or time.monotonic() > until_s:
                        break
                    try:
                        job = self._jobs.get_nowait()
                    except queue.Empty:
                        break
        except BaseException as error:  # noqa: BLE001 - handed on to each of those who wait
            self._note(error)
            for future, _ in done:
                future.set_exception(error)
        else:
            for future, result in done:
                future.set_result(result)
        return job is not None

    def _do(self, job: _Job, done: list[tuple[Future[Any], Any]]) -> None:
        work, future = job
        if not future.set_running_or_notify_cancel():
            return
        try:
            if self._refusal is not None:
                raise self._refusal
            with self.store.part():
                result = work()
        except BaseException as error:  # noqa: BLE001 - handed on to the one who waits
            self._note(error)
            future.set_exception(error)
        else:
            done.append((future, result))

    def _note(self, error: BaseException) -> None:
        cause = error.__cause__
        by_file = isinstance(cause, sqlite3.DatabaseError)
        if isinstance(error, StoreError) and by_file and type(cause) is not sqlite3.IntegrityError:
            self._refusal = self._refusal or error
