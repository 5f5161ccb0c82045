"""Single key presses from a terminal, without blocking the event loop."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager


@asynccontextmanager
async def key_presses() -> AsyncIterator[asyncio.Queue[str]]:
    r"""Give a queue that receives each key as one string; the terminal is restored at the end.

    Escape sequences of special keys arrive as one string each (``"\x1b[A"``).
    """
    queue: asyncio.Queue[str] = asyncio.Queue()
    reader = _windows_keys if sys.platform == "win32" else _posix_keys
    async with reader(queue):
        yield queue


@asynccontextmanager
async def _posix_keys(queue: asyncio.Queue[str]) -> AsyncIterator[None]:
    import termios
    import tty

    loop = asyncio.get_running_loop()
    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)

    def arrived() -> None:
        data = os.read(fd, 64).decode(errors="replace")
        if not data:
            loop.remove_reader(fd)
        elif data.startswith("\x1b"):
            queue.put_nowait(data)
        else:
            for key in data:
                queue.put_nowait(key)

    # At once, here and below: a terminal that takes nothing would keep the program for ever.
    tty.setcbreak(fd, termios.TCSANOW)
    loop.add_reader(fd, arrived)
    try:
        yield
    finally:
        loop.remove_reader(fd)
        termios.tcsetattr(fd, termios.TCSANOW, before)


@asynccontextmanager
async def _windows_keys(queue: asyncio.Queue[str]) -> AsyncIterator[None]:
    # NB: the console has no readable descriptor for the event loop, so it is looked at.
    import importlib

    msvcrt = importlib.import_module("msvcrt")

    async def look() -> None:
        while True:
            while msvcrt.kbhit():
                queue.put_nowait(msvcrt.getwch())
            await asyncio.sleep(0.03)

    task = asyncio.create_task(look())
    try:
        yield
    finally:
        task.cancel()
