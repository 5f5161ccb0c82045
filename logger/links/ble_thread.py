"""An event loop of its own for bleak, in a thread of its own.

bleak wants one event loop for the life of the program and calls back on it. On a loop that also
draws and stores, a notification would be stamped late; here it is stamped as it comes.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import Coroutine
from typing import Any, TypeVar

_T = TypeVar("_T")


class BluetoothThread:
    """Runs coroutines on the Bluetooth loop; the thread starts with the first of them."""

    def __init__(self) -> None:
        self._starting = threading.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None

    async def run(self, work: Coroutine[Any, Any, _T]) -> _T:
        """Run ``work`` over there and wait for it here; cancelling here cancels it there."""
        future = asyncio.run_coroutine_threadsafe(work, self._running_loop())
        return await asyncio.wrap_future(future)

    def post(self, work: Coroutine[Any, Any, None]) -> None:
        """Run ``work`` over there without waiting for it."""
        asyncio.run_coroutine_threadsafe(work, self._running_loop())

    def stop(self) -> None:
        """End the thread and give back the system's message bus; a later `run` starts again."""
        with self._starting:
            loop, thread = self._loop, self._thread
            self._loop = self._thread = None
        if loop is not None and thread is not None:
            loop.call_soon_threadsafe(loop.stop)
            thread.join()

    def _running_loop(self) -> asyncio.AbstractEventLoop:
        with self._starting:
            if self._loop is None:
                loop = asyncio.new_event_loop()
                for library in ("bleak", "dbus_fast"):
                    # Their warnings are for whoever set up logging; a fitter's screen gets one line
                    # of ours instead.
                    logging.getLogger(library).addHandler(logging.NullHandler())
                # Daemon: a program that ends without closing its links must not hang on them.
                self._thread = threading.Thread(
                    target=_run_until_stopped, args=(loop,), name="bluetooth", daemon=True
                )
                self._loop = loop
                self._thread.start()
            return self._loop


def _run_until_stopped(loop: asyncio.AbstractEventLoop) -> None:
    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        runner.get_loop().run_forever()
        runner.run(_release_message_bus(loop))


async def _release_message_bus(loop: asyncio.AbstractEventLoop) -> None:
    # HACK: bleak 3.1 keeps one connection to the message bus per loop and has no call to give it
    # back; left alone it is closed, with warnings, when another loop first needs one.
    with contextlib.suppress(ImportError, AttributeError):
        from bleak.backends.bluezdbus import manager

        kept = manager._global_instances.pop(loop, None)
        if kept is not None and kept._bus is not None:
            kept._bus.disconnect()
            with contextlib.suppress(Exception):
                await kept._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]


BLUETOOTH = BluetoothThread()
"""The one of this program."""
