"""A board in memory on virtual time, and a recorder that can be looked into."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager

import pytest

from logger.collector.connection import BoardConnection
from logger.collector.recording import BoardIdentity, CollectorEvent, KnownBoot, TimedRecord
from logger.collector.settings import ConnectionSettings
from logger.errors import LinkClosedError, LinkTimeoutError
from logger.hostclock import HostClock
from logger.links.base import Chunk
from logger.protocol.sequence import Hole
from simulators import encode


class MemoryLink:
    """What a link is, between two queues."""

    url = "memory:"

    def __init__(self) -> None:
        self.sent: list[bytes] = []
        self.full = False
        self._incoming: asyncio.Queue[Chunk | None] = asyncio.Queue()
        self.now_ns = 1_000_000_000

    async def open(self) -> None:
        return

    async def read(self) -> Chunk:
        chunk = await self._incoming.get()
        if chunk is None:
            raise LinkClosedError("the other end is gone")
        return chunk

    async def write(self, data: bytes) -> None:
        if self.full:
            raise LinkTimeoutError("nobody reads at the other end")
        self.sent.append(data)

    async def close(self) -> None:
        self._incoming.put_nowait(None)

    def arrive(self, data: bytes) -> None:
        self._incoming.put_nowait(Chunk(data, self.now_ns))

    def hang_up(self) -> None:
        self._incoming.put_nowait(None)


class MemoryRecorder:
    """Remembers what it was given; can be told to fail."""

    def __init__(self) -> None:
        self.boots: list[BoardIdentity] = []
        self.known: dict[str, KnownBoot] = {}
        self.stored: list[TimedRecord] = []
        self.filed: list[TimedRecord] = []
        self.holes: list[tuple[Hole, str]] = []
        self.failure: Exception | None = None

    async def begin_boot(self, identity: BoardIdentity) -> KnownBoot:
        self.boots.append(identity)
        return self.known.get(identity.boot_key, KnownBoot(len(self.boots)))

    async def store(
        self,
        boot_row: int,
        records: Sequence[TimedRecord],
        in_order: Sequence[TimedRecord] = (),
    ) -> None:
        await asyncio.sleep(0)
        if self.failure is not None:
            raise self.failure
        self.stored += records
        await self.file(boot_row, in_order)

    async def file(self, boot_row: int, records: Sequence[TimedRecord]) -> None:
        await asyncio.sleep(0)
        self.filed += records

    async def lost(self, boot_row: int, holes: Sequence[Hole], reason: str) -> None:
        self.holes += [(hole, reason) for hole in holes]


TICK_HZ = 1_000_000
FAST = ConnectionSettings(
    ask_hello_every_s=0.05,
    foreign_after_s=0.2,
    first_exchange_every_s=0.02,
    ask_again_every_s=0.05,
    answers_within_s=0.05,
    release_after_s=0.3,
    silent_after_s=0.6,
)


class Bench:
    """A connection under test, and a board's mouth and ears made of the simulator's encoder."""

    def __init__(self) -> None:
        self.link = MemoryLink()
        self.recorder = MemoryRecorder()
        self.events: list[CollectorEvent] = []
        self.connection: BoardConnection | None = None
        self._ears = encode.HostDecoder()
        self._read = 0
        self._heard: list[encode.FromHost] = []
        self.clock = HostClock()
        self.deaf = False
        """Whether the board does not answer when it is asked who it is."""
        self.clockless = False
        """Whether the board does not answer what its clock says."""
        self._said: dict[str, object] | None = None
        self._hellos = 0

    @asynccontextmanager
    async def running(
        self, settings: ConnectionSettings = FAST
    ) -> AsyncIterator[asyncio.Task[None]]:
        """Run the connection; it is over when the block is."""
        self.connection = BoardConnection(
            self.link, self.recorder, self.events.append, self.clock, settings
        )
        task = asyncio.create_task(self.connection.run())
        try:
            yield task
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    def say(self, *frames: bytes) -> None:
        """Let frames arrive, each on its own."""
        for frame in frames:
            self.link.now_ns = self.clock.monotonic_ns()
            self.link.arrive(frame)

    def hello(self, oldest: int = 0, following: int = 0, boot: int = 7, **more: object) -> bytes:
        fields: dict[str, object] = {
            "board_id": bytes(range(8)), "boot_id": boot, "firmware": (1, 0, 0),
            "tick_hz": TICK_HZ, "rows": 1, "cells": 16, "pitch_um": 4000, "row_distance_um": 0,
            "scan_order": 0, "scan_ticks": 52, "full_scale": 1023, "trigger_level": 24,
            "oldest_kept": oldest, "next_sequence": following, "abilities": 31, "name": "bench",
        }  # fmt: skip
        self._said = fields | more
        return encode.Hello(**self._said).encode()  # type: ignore[arg-type]

    def reading(self, sequence: int, ticks: int | None = None) -> bytes:
        if self._said is not None:
            self._said["next_sequence"] = max(sequence + 1, int(self._said["next_sequence"]))  # type: ignore[call-overload]
        return encode.reading(
            sequence=sequence, ticks=self.ticks() if ticks is None else ticks, position=100,
            trail=encode.TRAIL_UNKNOWN, pressure=500, flags=encode.SUMS_UP, span_ticks=700,
        )  # fmt: skip

    def status(self, oldest: int, following: int, dropped: int = 0) -> bytes:
        return encode.status(
            ticks=self.ticks(), supply_mv=0, temperature=-32768, noise=16, trigger_level=24,
            kept=following - oldest, dropped=dropped, bad_frames=0, oldest_kept=oldest,
            next_sequence=following,
        )  # fmt: skip

    def ticks(self) -> int:
        """What the board's clock says now."""
        return self.clock.monotonic_ns() // 1000 % 2**32

    def heard(self) -> list[encode.FromHost]:
        """All that the host has said so far."""
        for data in self.link.sent[self._read :]:
            self._heard += self._ears.feed(data)
        self._read = len(self.link.sent)
        return self._heard

    def said(self, kind: int) -> list[tuple[int, ...]]:
        return [tuple(message.values) for message in self.heard() if message.kind == kind]

    async def until(self, holds: Callable[[], object], within_s: float = 5.0) -> None:
        """Wait until something holds; the board answers meanwhile, once it has said hello."""
        answered = 0
        async with asyncio.timeout(within_s):
            while not holds():
                asked = self.said(encode.ASK_CLOCK)
                for (token,) in () if self.clockless else asked[answered:]:
                    now = self.ticks()
                    self.say(encode.clock_reply(token=token, received_ticks=now, sent_ticks=now))
                answered = len(asked)
                self.answer_hello()
                await asyncio.sleep(0.005)

    def answer_hello(self) -> None:
        """Say who it is as often as it was asked since the test said so."""
        asked = len(self.said(encode.ASK_HELLO))
        if self._said is None or self.deaf:
            self._hellos = asked
            return
        for _ in range(asked - self._hellos):
            self._hellos += 1
            self.say(encode.Hello(**self._said).encode())  # type: ignore[arg-type]

    def filed(self) -> list[int]:
        return [record.sequence for record in self.recorder.filed]

    def stored(self) -> list[int]:
        return [record.sequence for record in self.recorder.stored]


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def slow(bench: Bench) -> Bench:
    """The bench, with a disk that can be seen at work."""
    writing, go_on = asyncio.Event(), asyncio.Event()
    store = bench.recorder.store

    async def slowly(boot_row, records, in_order=()):
        writing.set()
        await go_on.wait()
        await store(boot_row, records, in_order)

    bench.recorder.store = slowly
    bench.writing, bench.go_on = writing, go_on
    return bench
