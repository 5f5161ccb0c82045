"""The C core and the emulated chip, built once a run; a reader of what they send.

A missing compiler is an error that says what to install, never a skip.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import functools
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.collector.connection import BoardConnection
from logger.collector.recording import BoardIdentity, BoardReport, Greeted, KnownBoot, TimedRecord
from logger.collector.settings import ConnectionSettings
from logger.hostclock import HostClock
from logger.links.pyserial_port import SerialSettings
from logger.links.serial_port import SerialLink
from logger.protocol.decoding import Damage, Decoder
from logger.protocol.framing import encode_frame
from logger.protocol.records import AskHello, Button, ClockReply, Hello, Reading, Status, Strike
from logger.protocol.sequence import Hole
from logger.protocol.wire import encode
from logger.store.store import Store
from simulators.core_board import REFERENCE, BuildError, CoreBoard, CoreOptions, build_library, make
from simulators.emulator.driver import EmulatedBoard, build_emulator, build_firmware

MS = 1_000_000
LIMIT_S = 30.0


def _built(build: Callable[[], Any]) -> Any:
    try:
        return build()
    except BuildError as error:
        pytest.fail(str(error), pytrace=False)


@pytest.fixture(scope="session")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("firmware")


@pytest.fixture(scope="session")
def library(out: Path) -> Callable[[str], Path]:
    """The core for this computer, by board."""
    return functools.cache(lambda board: _built(lambda: build_library(out / board, board)))


@pytest.fixture(scope="session")
def firmware(out: Path) -> Callable[[str], Path]:
    """The .elf for the chip, by board."""
    return functools.cache(lambda board: _built(lambda: build_firmware(out / board, board)))


@pytest.fixture(scope="session")
def sanitised(out: Path) -> Path:
    """The fuzzing program with address and undefined behaviour checks."""
    hint = "apt-get install gcc make"
    where = out / "strip16"
    _built(lambda: make(REFERENCE, "sanitised", "cc", hint, BOARD="strip16", OUT=str(where)))
    return where / "fuzz"


@pytest.fixture(scope="session")
def emulator(out: Path) -> Path:
    return _built(lambda: build_emulator(out / "emulator"))


@dataclasses.dataclass
class Heard:
    """What a board's bytes say, sorted."""

    hellos: list[Hello]
    statuses: list[Status]
    clock_replies: list[ClockReply]
    records: list[Strike | Reading | Button]
    damage: list[Damage]

    @property
    def strikes(self) -> list[Strike]:
        return [record for record in self.records if isinstance(record, Strike)]

    @property
    def sequences(self) -> list[int]:
        return [record.sequence for record in self.records]


class Ear:
    """Decodes the whole stream of one board with the product's own decoder."""

    def __init__(self) -> None:
        self._decoder = Decoder()

    def hear(self, data: bytes) -> Heard:
        heard = Heard([], [], [], [], [])
        for item in self._decoder.feed(data, 0):
            if isinstance(item, Hello):
                heard.hellos.append(item)
            elif isinstance(item, Status):
                heard.statuses.append(item)
            elif isinstance(item, ClockReply):
                heard.clock_replies.append(item)
            elif isinstance(item, Damage):
                heard.damage.append(item)
            else:
                heard.records.append(item.record)
        return heard


@pytest.fixture
def new_ear() -> Callable[[], Ear]:
    return Ear


@pytest.fixture
def say() -> Callable[[Any], bytes]:
    """A host message as the bytes that go over the line."""
    return lambda message: encode_frame(encode(message))


class Bench:
    """The core in virtual time with a host's ear and mouth, greeted and settled."""

    def __init__(self, board: CoreBoard, greet: bool) -> None:
        self.board = board
        self.ear = Ear()
        self.hello: Hello
        heard = self.go(200)
        if greet:
            heard = self.go(50, AskHello())
        self.hello = heard.hellos[-1]

    def go(self, ms: float, *messages: Any) -> Heard:
        for message in messages:
            self.board.receive(encode_frame(encode(message)))
        return self.ear.hear(self.board.advance(round(ms * MS)))

    def strike(
        self,
        counts: np.ndarray | float = 100.0,
        *,
        length_us: float = 800.0,
        after_ms: float = 1.0,
        cells: slice = slice(5, 10),
    ) -> None:
        """Script a half-sine press ``after_ms`` from now."""
        times = np.linspace(0, 1, 41)
        places = np.zeros((self.board.rows, self.board.cells))
        places[:, cells] = counts
        wave = np.sin(np.pi * times)[:, np.newaxis, np.newaxis] * places
        step_ns = round(length_us * 1000 / 40)
        self.board.play(self.board.now_ns + round(after_ms * MS), step_ns, wave)


@pytest.fixture
def bench(library: Callable[[str], Path]) -> Callable[..., Bench]:
    """Make a bench: ``bench("strip16", greet=True, noise_counts=0.4, ...)``."""

    def make_bench(board: str = "strip16", *, greet: bool = True, **options: Any) -> Bench:
        return Bench(CoreBoard(library(board), CoreOptions(**options)), greet)

    return make_bench


@pytest.fixture
def chip(emulator: Path, firmware: Callable[[str], Path]) -> Iterator[Callable[[str], Any]]:
    """Make an emulated board: ``chip("strip16")``."""
    made: list[EmulatedBoard] = []

    def make_chip(board: str = "strip16") -> EmulatedBoard:
        made.append(EmulatedBoard(emulator, firmware(board)))
        return made[-1]

    yield make_chip
    for board in made:
        board.close()


class OnDisk:
    """Writes what the collector hands on into a store, and nothing else."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def begin_boot(self, identity: BoardIdentity) -> KnownBoot:
        boot = self._store.boards.remember_boot(
            board_key=identity.board_key,
            boot_key=identity.boot_key,
            name=identity.name,
            hello=identity.hello,
            seen_utc_ns=1,
        )
        last = self._store.records.last_contiguous(boot)
        expected = 0 if last is None else last + 1
        return KnownBoot(boot, expected, self._store.records.sequences_after(boot, expected))

    async def store(
        self,
        boot_row: int,
        records: Sequence[TimedRecord],
        in_order: Sequence[TimedRecord] = (),
    ) -> None:
        del in_order
        self._store.records.add(boot_row, records)

    async def file(self, boot_row: int, records: Sequence[TimedRecord]) -> None:
        del boot_row, records

    async def lost(self, boot_row: int, holes: Sequence[Hole], reason: str) -> None:
        raise AssertionError(f"boot {boot_row} lost {holes}: {reason}")


class Session:
    """One connection of the logger, run beside the test."""

    def __init__(self, port: str, store: Store) -> None:
        self.events: list[object] = []
        self._port = port
        self._store = store
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Session:
        link = SerialLink(SerialSettings(self._port))
        await link.open()
        connection = BoardConnection(
            link, OnDisk(self._store), self.events.append, HostClock(), ConnectionSettings()
        )
        self._task = asyncio.create_task(connection.run())
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._task is not None
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    async def until(self, what: Callable[[], bool]) -> None:
        assert self._task is not None
        async with asyncio.timeout(LIMIT_S):
            while not what():
                if self._task.done():
                    await self._task
                await asyncio.sleep(0.02)

    @property
    def greeted(self) -> list[Greeted]:
        return [event for event in self.events if isinstance(event, Greeted)]

    @property
    def kept(self) -> int | None:
        """Records on the board that are not confirmed, as its last status says."""
        statuses = [event.status for event in self.events if isinstance(event, BoardReport)]
        return statuses[-1].kept if statuses else None


@pytest.fixture
def session_at() -> type[Session]:
    """One connection of the logger: ``async with session_at(port, store) as session``."""
    return Session
