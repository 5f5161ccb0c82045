"""The reference firmware's own C core in real time, behind a terminal or Bluetooth LE.

::

    python -m simulators.core_run --library libboard.so [--ble SPEC]

The library comes from `simulators.core_board.build_library`. Prints and obeys what
`simulators.serial_board` and `simulators.ble_board` do, of which: ``strike``, ``drop``, ``quit``
and everything of the radio. A strike is a half-sine press of some cells; what follows the word is
not read, since the core has no sole and no player.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from simulators.ble_board import BleEnd, parse_ble
from simulators.core_board import CoreBoard, CoreOptions
from simulators.line_ends import Events, LineEnd, PtyEnd

_TICK_S = 0.002
_STEP_NS = 20_000
_STEPS = 41
_PRESS_COUNTS = 100.0
_CELLS = slice(5, 10)


class CoreRunner:
    """Keeps the core at real time and moves bytes both ways."""

    def __init__(self, library: Path, ble: str | None) -> None:
        options = CoreOptions()
        self._board = CoreBoard(library, options)
        self._zero_ns = time.monotonic_ns() - self._board.now_ns
        self._stop = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        told = Events(self._hear, lambda: None, lambda: None)
        self._end: LineEnd = PtyEnd(told)
        if ble is not None:
            self._end = BleEnd(told, parse_ble(ble), board_id=options.board_id, name="core",
                               battery=False, rng=np.random.default_rng(0))  # fmt: skip

    def _pump(self) -> None:
        now_ns = time.monotonic_ns() - self._zero_ns
        self._end.write(self._board.advance(max(0, now_ns - self._board.now_ns)))

    def _hear(self, data: bytes) -> None:
        self._pump()
        self._board.receive(data)

    async def run(self) -> None:
        """Run until the standard input ends."""
        await self._end.open()
        needs = {"env": self._end.env} if self._end.env else {}
        sys.stdout.write(json.dumps({"url": self._end.url} | needs) + "\n")
        sys.stdout.flush()
        self._start(self._obey_stdin())
        try:
            while not self._stop.is_set():
                self._pump()
                await asyncio.sleep(_TICK_S)
        finally:
            for task in self._tasks:
                task.cancel()
            await self._end.close()

    def _start(self, work: object) -> None:
        task: asyncio.Task[None] = asyncio.create_task(work)  # type: ignore[arg-type]
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _obey_stdin(self) -> None:
        loop = asyncio.get_running_loop()
        reader = asyncio.StreamReader()
        await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
        while line := await reader.readline():
            word, _, rest = line.decode().strip().partition(" ")
            self._pump()
            if word == "strike":
                self._strike()
            elif word == "drop":
                self._start(self._end.drop(float(rest)))
            elif word == "quit":
                break
            elif word and not self._end.obey(word, rest):
                raise ValueError(f"cannot do {word!r}")
        self._stop.set()

    def _strike(self) -> None:
        places = np.zeros((self._board.rows, self._board.cells), dtype=np.float32)
        places[:, _CELLS] = _PRESS_COUNTS
        press = np.sin(np.linspace(0, np.pi, _STEPS))[:, np.newaxis, np.newaxis] * places
        self._board.play(self._board.now_ns + 1_000_000, _STEP_NS, press.astype(np.float32))


def main(argv: Sequence[str] | None = None) -> int:
    """Run the core until its standard input ends."""
    made = argparse.ArgumentParser(prog="python -m simulators.core_run")
    made.add_argument("--library", type=Path, required=True)
    made.add_argument("--ble", nargs="?", const="", metavar="SPEC")
    args = made.parse_args(argv)

    async def run() -> None:
        await CoreRunner(args.library, args.ble).run()

    asyncio.run(run())
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
