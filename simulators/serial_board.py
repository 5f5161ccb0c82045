"""A player and a board in real time behind a pseudo-terminal, a TCP port or Bluetooth LE.

Prints one line of JSON when it is ready, ``{"url": "..."}`` (with ``"env": {...}`` if a host needs
that in its environment), and one when the last club is done,
``{"done": true}``. With ``--stdin`` it obeys lines on its standard input, and ends with it:

    drop 1.5         close the line for 1.5 s
    silence 2        nothing gets through for 2 s
    restart cold     or warm: the board starts again
    press next       or back, previous: the foot switch
    strike {...}     a strike now; the object as in `simulators.script`
    begin            start swinging without waiting for a host
    burst 500        so many readings at once
    quit

and what `simulators.ble_board` says of a radio.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from simulators.ble_board import BleEnd, BleOptions
from simulators.board import Board
from simulators.board_options import BoardOptions
from simulators.contacts import Event
from simulators.faults import Fault, FaultyLine, Timing
from simulators.line_ends import Events, LineEnd, PtyEnd, TcpEnd
from simulators.script import parse_script

# The longest the loop sleeps: bounds how late a parent's end is seen.
LONGEST_SLEEP_S = 0.25


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """How a board is run, beside what it is."""

    # Neither this nor a TCP port: a pseudo-terminal.
    ble: BleOptions | None = None
    tcp_port: int | None = None
    tcp_host: str = "127.0.0.1"
    wait_for_host: bool = True
    # After the last contact: keep answering (False) or end (True).
    exit_at_end: bool = False
    parent_pid: int | None = None
    obey_stdin: bool = False
    truth_file: Path | None = None
    # First line of the truth file: what the whole scene is.
    scene: Mapping[str, object] = field(default_factory=dict)
    timing: Timing = field(default_factory=Timing)
    faults: Sequence[Fault] = ()
    hand: int = 1


class Runner:
    """Keeps the board's virtual time at the real one, and moves bytes both ways."""

    def __init__(
        self,
        board_options: BoardOptions,
        events: Sequence[Event],
        options: RunOptions,
        rng: np.random.Generator,
        say: Callable[[str], None],
    ) -> None:
        self.options = options
        self._say = say
        self._truth = options.truth_file.open("w", encoding="utf-8") if options.truth_file else None
        self.board = Board(rng, board_options, self._write_truth)
        self._events: Sequence[Event] | None = events
        self._had_events = bool(events)
        self._line = FaultyLine(rng, options.faults, options.timing)
        self._zero_ns = time.monotonic_ns()
        self._stop = asyncio.Event()
        self._wake = asyncio.Event()
        self._dropping: asyncio.Task[None] | None = None
        self._done_said = False
        self._is_child = os.getppid() == options.parent_pid
        told = Events(self._on_data, self._on_connect, self._on_disconnect)
        self.end: LineEnd
        if options.ble is not None:
            made = board_options
            self.end = BleEnd(told, options.ble, board_id=made.board_id, name=made.name,
                              battery=made.battery, rng=rng)  # fmt: skip
        elif options.tcp_port is None:
            self.end = PtyEnd(told)
        else:
            self.end = TcpEnd(told, options.tcp_host, options.tcp_port)

    # -- time and bytes ------------------------------------------------------------------------

    def _pump(self) -> None:
        """Bring the board up to now and send what is due."""
        now_ns = time.monotonic_ns() - self._zero_ns
        sent = self.board.advance(max(0, now_ns - self.board.now_ns))
        if self.end.connected:
            self._line.push(now_ns, sent)
        for chunk in self._line.pop(now_ns):
            self.end.write(chunk)

    def _on_data(self, data: bytes) -> None:
        self._pump()
        now_ns = self.board.now_ns
        if self.options.timing.silent(now_ns) or now_ns < self._line.silent_until_ns:
            return
        self.board.receive(data)
        if self.board.host_seen:
            self._begin()
        self._pump()
        self._wake.set()

    def _on_connect(self) -> None:
        self._pump()
        if self.board.options.form == "text":
            self._begin()
        self._wake.set()

    def _on_disconnect(self) -> None:
        self._line.clear()
        self.board.link_closed()

    def _begin(self) -> None:
        """Let the player start, once."""
        if self._events is not None:
            # The first swing is not in the very moment of the first question.
            self.board.play(self._events, self.board.now_ns + 50_000_000)
            self._events = None
            self._wake.set()

    def _write_truth(self, truth: Mapping[str, object]) -> None:
        if self._truth is not None:
            self._truth.write(json.dumps(dict(truth)) + "\n")
            self._truth.flush()

    def _sleep_s(self) -> float:
        due = [
            at for at in (self.board.next_event_ns(), self._line.next_due_ns()) if at is not None
        ]
        now_ns = time.monotonic_ns() - self._zero_ns
        wait_ns = min(due, default=now_ns + 10**9) - now_ns
        return min(LONGEST_SLEEP_S, max(0.0, wait_ns / 1e9))

    # -- life ----------------------------------------------------------------------------------

    async def run(self) -> int:
        """Run until told to stop; returns the exit code."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self._stop_now)
        tasks: list[asyncio.Task[None]] = []
        try:
            await self.end.open()
            self._write_truth({"kind": "scene"} | dict(self.options.scene))
            needs = {"env": self.end.env} if self.end.env else {}
            self._say(json.dumps({"url": self.end.url} | needs))
            if not self.options.wait_for_host:
                self._begin()
            if self.options.obey_stdin:
                tasks.append(asyncio.create_task(self._obey_stdin()))
            if self.options.timing.drop_every_ns:
                tasks.append(asyncio.create_task(self._drop_each()))
            while not self._stop.is_set():
                self._pump()
                self._see_end()
                self._see_parent()
                self._wake.clear()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._wake.wait(), self._sleep_s())
        finally:
            for task in tasks:
                task.cancel()
            if self._dropping is not None:
                self._dropping.cancel()
            await self.end.close()
            if self._truth is not None:
                self._truth.close()
        return 0

    def _stop_now(self) -> None:
        self._stop.set()
        self._wake.set()

    def _see_end(self) -> None:
        if (
            self._events is None
            and self._had_events
            and not self.board.busy
            and not self._done_said
        ):
            if self._line.next_due_ns() is not None:
                return
            self._done_said = True
            self._say(json.dumps({"done": True}))
            if self.options.exit_at_end:
                self._stop_now()

    def _see_parent(self) -> None:
        if self.options.parent_pid is None:
            return
        if self._is_child and os.getppid() != self.options.parent_pid:
            self._stop_now()
            return
        try:
            os.kill(self.options.parent_pid, 0)
        except ProcessLookupError:
            self._stop_now()
        except PermissionError:
            # It is there, but not ours.
            pass

    # -- requests ------------------------------------------------------------------------------

    def _drop(self, length_s: float) -> None:
        if self._dropping is None or self._dropping.done():
            self._pump()
            self._dropping = asyncio.create_task(self.end.drop(length_s))

    async def _drop_each(self) -> None:
        timing = self.options.timing
        while True:
            await asyncio.sleep(timing.drop_every_ns / 1e9)
            self._drop(timing.drop_ns / 1e9)

    async def _obey_stdin(self) -> None:
        loop = asyncio.get_running_loop()
        reader = asyncio.StreamReader()
        await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
        while line := await reader.readline():
            try:
                self._obey(line.decode().strip())
            except (ValueError, KeyError) as error:
                self._say(json.dumps({"refused": str(error)}))
            self._wake.set()
        self._stop_now()

    def _obey(self, request: str) -> None:
        word, _, rest = request.partition(" ")
        self._pump()
        if word == "drop":
            self._drop(float(rest))
        elif word == "silence":
            self._line.silent_until_ns = self.board.now_ns + int(float(rest) * 1e9)
        elif word == "restart" and rest in ("cold", "warm"):
            self.board.reset(warm=rest == "warm")
        elif word == "press":
            self._play({"button": rest})
        elif word == "strike":
            self._play(json.loads(rest))
        elif word == "begin":
            self._begin()
        elif word == "burst":
            self.board.burst(int(rest))
        elif word == "quit":
            self._stop_now()
        elif word and not self.end.obey(word, rest):
            raise ValueError(f"cannot do {request!r}")

    def _play(self, entry: object) -> None:
        self.board.play(
            parse_script({"events": [entry]}, pace_ns=2_000_000, hand=self.options.hand)
        )
