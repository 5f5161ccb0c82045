"""Lines that a person types while a board is being listened to."""

from __future__ import annotations

import asyncio
import sys
import threading


class TypedLines:
    """Standard input, line by line, on the event loop.

    A thread that ends with the program reads it: nobody can take back a read from a terminal.
    """

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._lines: asyncio.Queue[str] = asyncio.Queue()
        threading.Thread(target=self._read, name="typed lines", daemon=True).start()

    async def next(self) -> str:
        """Wait for the next line; empty for Enter alone, and from the end of the input on."""
        return await self._lines.get()

    def _read(self) -> None:
        while True:
            line = sys.stdin.readline()
            try:
                self._loop.call_soon_threadsafe(self._lines.put_nowait, line.strip())
            except RuntimeError:
                # The loop is over: nobody waits for this any more.
                return
            if not line:
                return
