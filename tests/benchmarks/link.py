"""Drops, reconnecting and throughput of the links, whole path to disk, beside the libraries alone.

::

    python tests/benchmarks/link.py [--cycles 300] [--skip-rates]
    python tests/benchmarks/link.py --board ble://BOARD-ID --minutes 10

The board is a simulated one in a process of its own; over Bluetooth LE it is a peripheral on a real
message bus with its default limits (256 connections of a user), but there is no radio: the rates
are those of our side, not of the air. With ``--board`` a real board is logged while somebody
carries it out of range. Prints one line of JSON last.

Per cycle the board makes two strikes, drops the connection, makes one more, and comes back on the
air after 50 ms. A strike is filed when it is on disk and under its club. Rates are of a burst of
readings that the board holds already; "alone" counts the same bytes out of bleak or pyserial
without decoding or storing them.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import platform
import statistics
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from logger.collector.reconnect import Pauses, Reach, ReachState
from logger.collector.recording import CollectorEvent, Greeted
from logger.hostclock import HostClock
from logger.links.gatt import BOARD_TO_HOST, HOST_TO_BOARD, SERVICE
from logger.protocol.framing import encode_frame
from logger.protocol.records import AskHello
from logger.protocol.wire import encode
from logger.session.logging.opening import open_session
from logger.session.logging.run import Filed, LoggingRun, RunEvent, RunSettings
from logger.setfiles import load_set
from logger.store.store import Store
from simulators.own_process import BoardProcess

ROOT = Path(__file__).parents[2]
SET_FILE = ROOT / "logger" / "cli" / "demo_set.toml"
ASK_HELLO = encode_frame(encode(AskHello()))
# A reading is 19 bytes of payload, a type, a checksum and the frame's own two.
READING_BYTES = 26
PAUSES = Pauses(first_s=0.01, growth=1, longest_s=0.01, jitter=0)
PATIENCE_S = 60.0


def own_board(*arguments: str) -> BoardProcess:
    """Start a simulated board, with what it needs in our environment."""
    board = BoardProcess("--noise-only", "--form", "readings", "--boot", "1", *arguments)
    os.environ.update(board.env)
    return board


class Desk:
    """A session in progress, with when things happened."""

    def __init__(self, store: Store, url: str) -> None:
        now_ns = HostClock().utc_ns()
        self.session = open_session(store, player=None, set_name=None, now_utc_ns=now_ns)
        settings = RunSettings(url, pauses=PAUSES, patient=True, accept=True)
        self.run = LoggingRun(self.session, settings, self._hear)
        self.filed = self.greeted = self.drops = 0
        self.connecting_s = self.first_filed_s = 0.0
        self._news = asyncio.Event()
        self.running: asyncio.Task[None] | None = None

    def start(self) -> asyncio.Task[None]:
        self.running = asyncio.create_task(self.run.run())
        self.running.add_done_callback(lambda _: self._news.set())
        return self.running

    def _hear(self, event: RunEvent) -> None:
        if isinstance(event, Filed):
            if self.first_filed_s < self.connecting_s:
                self.first_filed_s = time.monotonic()
            self.filed += len(event.strikes)
        elif isinstance(event, Reach):
            if event.state is ReachState.CONNECTING:
                self.connecting_s = time.monotonic()
            self.drops += event.state is ReachState.OUT_OF_REACH
        self.greeted += isinstance(event, CollectorEvent) and isinstance(event, Greeted)
        self._news.set()

    async def until(self, so: Callable[[], bool]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while not so():
                assert self.running is not None
                if self.running.done():
                    await self.running
                self._news.clear()
                await self._news.wait()

    async def until_filed(self, count: int) -> None:
        await self.until(lambda: self.filed >= count)

    async def until_greeted(self, count: int) -> None:
        await self.until(lambda: self.greeted >= count)

    def sequences(self) -> list[int]:
        store, session = self.session.store, self.session.row.id
        return [
            r.sequence for b in store.boards.boots_of(session) for r in store.records.read(boot=b)
        ]


@asynccontextmanager
async def desk_at(folder: Path, url: str) -> AsyncIterator[Desk]:
    with (
        tempfile.TemporaryDirectory(dir=folder) as place,
        Store.open(Path(place) / "link.db") as store,
    ):
        store.sets.import_file(load_set(SET_FILE), at_utc_ns=0)
        desk = Desk(store, url)
        running = desk.start()
        try:
            await desk.until_greeted(1)
            yield desk
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)


def open_files() -> int:
    """How many files this process has open; -1 where the system does not show it."""
    shown = Path("/proc/self/fd")
    return sum(1 for _ in shown.iterdir()) if shown.exists() else -1


async def bus_connections() -> int:
    """Connections to the message bus, by its own count, without this one."""
    from dbus_fast import BusType, Message
    from dbus_fast.aio import MessageBus

    bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
    try:
        place = "org.freedesktop.DBus"
        reply = await bus.call(
            Message(destination=place, path="/org/freedesktop/DBus", interface=place,
                    member="ListNames")
        )  # fmt: skip
        return sum(name.startswith(":") for name in reply.body[0]) - 1
    finally:
        bus.disconnect()
        await bus.wait_for_disconnect()


async def drop_cycles(folder: Path, cycles: int, line: list[str]) -> dict[str, object]:
    board = own_board(*line, "--capacity", "64")
    on_the_air = "--ble" in line
    made = 0
    waits_s: list[float] = []
    files: list[int] = []
    connections: list[int] = []
    try:
        async with desk_at(folder, board.url) as desk:
            for cycle in range(cycles):
                board.ask("burst 2")
                board.ask("drop 0.05")
                board.ask("burst 1")
                made += 3
                await desk.until_filed(made)
                await desk.until_greeted(cycle + 2)
                waits_s.append(desk.first_filed_s - desk.connecting_s)
                if cycle % 10 == 9:
                    files.append(open_files())
                    connections.append(await bus_connections() if on_the_air else 0)
            sequences = desk.sequences()
            contacts = desk.session.store.strikes.contacts(desk.session.row.id)
    finally:
        board.close()
    waits_ms = sorted(1000 * wait for wait in waits_s if wait > 0)
    return {
        "cycles": cycles,
        "strikes": made,
        "lost": made - len(set(sequences)),
        "doubled": len(sequences) - len(set(sequences)) + max(0, len(contacts) - made),
        "open_files_first_last_most": [files[0], files[-1], max(files)],
        "bus_connections_first_last_most": [connections[0], connections[-1], max(connections)],
        "connecting_to_first_strike_ms_median_95": [
            round(statistics.median(waits_ms)), round(waits_ms[int(0.95 * len(waits_ms))]),
        ],
    }  # fmt: skip


async def burst_to_disk(folder: Path, line: list[str], count: int) -> tuple[float, int]:
    """Seconds from the burst to the last record on disk and filed, and how many are missing."""
    board = own_board(*line, "--capacity", str(count + 10))
    try:
        async with desk_at(folder, board.url) as desk:
            await asyncio.sleep(1.0)
            began_s = time.monotonic()
            board.ask(f"burst {count}")
            await desk.until_filed(count)
            took_s = time.monotonic() - began_s
            return took_s, count - len(set(desk.sequences()))
    finally:
        board.close()


async def burst_through_bleak(line: list[str], count: int, acquire: bool) -> float:
    from bleak import BleakClient, BleakScanner

    board = own_board(*line, "--capacity", str(count + 10))
    got = 0
    whole = asyncio.Event()
    wanted = count * READING_BYTES

    def count_bytes(_: object, data: bytearray) -> None:
        nonlocal got
        got += len(data)
        if got >= wanted:
            whole.set()

    try:
        device = await BleakScanner.find_device_by_filter(
            lambda d, _: True, timeout=10, service_uuids=[SERVICE]
        )
        assert device is not None
        async with BleakClient(device) as client:
            bluez = {"use_start_notify": not acquire}
            await client.start_notify(BOARD_TO_HOST, count_bytes, bluez=bluez)
            await client.write_gatt_char(HOST_TO_BOARD, ASK_HELLO, response=False)
            await asyncio.sleep(0.5)
            got = 0
            began_s = time.monotonic()
            board.ask(f"burst {count}")
            async with asyncio.timeout(PATIENCE_S):
                await whole.wait()
            return time.monotonic() - began_s
    finally:
        board.close()


def burst_through_pyserial(line: list[str], count: int) -> float:
    import serial

    board = own_board(*line, "--capacity", str(count + 10))
    try:
        with serial.serial_for_url(board.url, timeout=0.5) as port:
            port.write(ASK_HELLO)
            time.sleep(0.5)
            port.reset_input_buffer()
            got = 0
            began_s = time.monotonic()
            board.ask(f"burst {count}")
            while got < count * READING_BYTES and time.monotonic() - began_s < PATIENCE_S:
                got += len(port.read(max(1, port.in_waiting)))
            return time.monotonic() - began_s
    finally:
        board.close()


async def rates(folder: Path) -> dict[str, object]:
    found: dict[str, object] = {}
    for size, count in ((20, 6000), (180, 20_000)):
        for acquire in (True, False):
            line = ["--ble", f"mtu={size + 3},acquire={'yes' if acquire else 'no'}"]
            took_s, missing = await burst_to_disk(folder, line, count)
            alone_s = await burst_through_bleak(line, count, acquire)
            notifications = count * READING_BYTES / size
            found[f"ble_{size}_bytes_{'socket' if acquire else 'bus'}"] = {
                "to_disk_per_s": round(notifications / took_s),
                "bleak_alone_per_s": round(notifications / alone_s),
                "readings_to_disk_per_s": round(count / took_s),
                "missing": missing,
            }
    for baud, count in ((115_200, 1500), (1_000_000, 12_000)):
        line = ["--pty", "--faults", f"split=64,rate={baud // 10}"]
        took_s, missing = await burst_to_disk(folder, line, count)
        alone_s = await asyncio.to_thread(burst_through_pyserial, line, count)
        found[f"serial_{baud}_baud"] = {
            "to_disk_bytes_per_s": round(count * READING_BYTES / took_s),
            "pyserial_alone_bytes_per_s": round(count * READING_BYTES / alone_s),
            "line_bytes_per_s": baud // 10,
            "missing": missing,
        }
    return found


async def real_board(folder: Path, url: str, minutes: float) -> dict[str, object]:
    async with desk_at(folder, url) as desk:
        first = open_files()
        await asyncio.sleep(60 * minutes)
        sequences = desk.sequences()
        span = max(sequences, default=-1) - min(sequences, default=0) + 1
        lost = sum(
            one.count for one in desk.session.store.records.losses(session=desk.session.row.id)
        )
        return {
            "board": url,
            "drops": desk.drops,
            "records": len(sequences),
            "missing": span - len(set(sequences)) - lost,
            "dropped_by_the_board": lost,
            "open_files_first_last": [first, open_files()],
        }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cycles", type=int, default=300)
    parser.add_argument("--skip-rates", action="store_true")
    parser.add_argument("--board", metavar="URL")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--folder", type=Path, default=None, help="where the data files go")
    args = parser.parse_args()
    found: dict[str, object] = {"python": platform.python_version(), "cores": os.cpu_count()}
    if args.board:
        found |= asyncio.run(real_board(args.folder, args.board, args.minutes))
    else:
        found["drops_ble"] = asyncio.run(drop_cycles(args.folder, args.cycles, ["--ble"]))
        found["drops_serial"] = asyncio.run(drop_cycles(args.folder, args.cycles, ["--pty"]))
        if not args.skip_rates:
            found |= asyncio.run(rates(args.folder))
    print(json.dumps(found))


if __name__ == "__main__":
    main()
