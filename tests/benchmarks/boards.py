"""What a board is worth, by its chip: one line of JSON last.

``chips``: the reference firmware on both emulated chips, the same contacts swept over a strip whose
cells differ in nothing, a host that reads at its leisure: scans per second of virtual time, bytes
lost, records lost, and how far the place of a contact is off (as the logger reads it). A floor, not
the accuracy of a board: no emulator knows a real converter's noise or settling.

``bridge``: the radio bridge under MicroPython between the firmware's core and a foreign Bluetooth
stack (bumble) on a virtual radio, the logger's own run with its store on disk at the other end:
what 200 hang-ups at any moment lose; and how many notifications of 244 bytes a second our link
takes from that stack with nothing else to do (of our side and bumble's, not of the air).

``law``: fitting sessions (eight clubs, eight swings each, simulated player) on a simulated strip
whose cells read their load, and over dividers of 1, 2.2 and 10 kohm (film of 50 kohm at rest and 1
kohm under 3 mm of press), the circuit told in *hello*, found from a bar at two loads, and told by
nobody: rms of the clubs' lie errors and of their level, what 90 % intervals hold, half-width.

    python tests/benchmarks/boards.py [chips] [bridge] [law]
"""

from __future__ import annotations

import asyncio
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / name) for name in ("links", "board"))]

from air_boards import BridgedBoard, CoreOnAir  # noqa: E402
from board_on_air import link_to  # noqa: E402
from bumble_air import Air, on_the_virtual_air  # noqa: E402
from log_desk import Desk  # noqa: E402

from analysis.board.response_law import law_from_passes  # noqa: E402
from analysis.strikes.scans import SampleOrder, Strip, contact_from_scans  # noqa: E402
from logger.collector.reconnect import Pauses  # noqa: E402
from logger.links.ble_session import BleSettings  # noqa: E402
from logger.links.ble_thread import BLUETOOTH  # noqa: E402
from logger.protocol.decoding import Decoder  # noqa: E402
from logger.protocol.framing import encode_frame  # noqa: E402
from logger.protocol.records import AskHello, Confirm, Hello, RawRecord, Strike  # noqa: E402
from logger.protocol.wire import encode  # noqa: E402
from logger.setfiles import load_set  # noqa: E402
from logger.store.store import Store  # noqa: E402
from simulators.ble_gatt import BOARD_TO_HOST  # noqa: E402
from simulators.board_options import BoardOptions  # noqa: E402
from simulators.core_board import build_library  # noqa: E402
from simulators.emulator.driver import (  # noqa: E402
    EmulatedBoard,
    EmulatedChip,
    build_emulator,
    build_firmware,
)
from simulators.emulator.rp2040 import EmulatedRp2040, build_uf2  # noqa: E402
from simulators.emulator.waves import Sweep, wave  # noqa: E402
from simulators.strip import Sensing  # noqa: E402

CONTACTS = 150
SEED = 20
LAW_SESSIONS = 12
DROPS = 200
NOTIFICATIONS = 5000
# The peak of a contact as a share of full scale.
PEAK_SHARE = 0.6


def say(message: object) -> bytes:
    return encode_frame(encode(message))


def one_chip(chip: EmulatedChip) -> dict[str, float]:
    """Sweep contacts over one emulated board."""
    chip.tell("tau_ns 200")
    chip.open_port()
    decoder = Decoder()
    decoder.feed(chip.exchange(300_000), 0)
    *_, hello = decoder.feed(chip.exchange(50_000, say(AskHello())), 0)
    assert isinstance(hello, Hello)
    strip = Strip(
        pitch_mm=hello.pitch_um / 1000,
        full_scale=hello.full_scale,
        scan_order=SampleOrder(int(hello.scan_order)),
        scan_us=hello.scan_ticks * 1e6 / hello.tick_hz,
    )
    # The converter's own counts: values of eight bits are the upper ones.
    full = 4095 if isinstance(chip, EmulatedRp2040) else 1023
    rng = np.random.default_rng(SEED)
    errors, seen = [], 0
    chip.tell("clear")
    before = chip.run(0)
    for _ in range(CONTACTS):
        sweep = Sweep(
            middle_mm=float(rng.uniform(-20, 20)),
            speed_m_s=float(rng.uniform(25, 45)),
            peak_counts=PEAK_SHARE * full,
        )
        at_us = chip.run(0).time_us + 2000 + float(rng.uniform(0, 1000))
        chip.play(
            at_us, 5.0, wave(sweep, rows=1, cells=hello.cells, pitch_mm=hello.pitch_um / 1000)
        )
        for item in decoder.feed(chip.exchange(160_000), 0):
            if not isinstance(item, RawRecord) or not isinstance(item.record, Strike):
                continue
            strike = item.record
            seen += 1
            contact = contact_from_scans(
                strike.scan_ticks.astype(float) * 1e6 / hello.tick_hz, strike.counts, strip, key=0
            )
            errors.append(contact.board_mm - sweep.middle_mm)
            chip.write(say(Confirm(hello.boot_id, strike.sequence)))
    ran = chip.run(0)
    numbers = chip.numbers()
    seconds = (ran.time_us - before.time_us) / 1e6
    error = np.array(errors)
    return {
        "scans_per_s": round(numbers["scans"] / seconds),
        "contacts": CONTACTS,
        "records_lost": CONTACTS - seen,
        "bytes_lost": ran.lost,
        "position_rms_mm": round(float(np.sqrt((error**2).mean())), 3),
        "position_worst_mm": round(float(np.abs(error).max()), 3),
    }


def chips() -> dict[str, dict[str, float]]:
    """Both chips, and the larger one with followers."""
    out: dict[str, dict[str, float]] = {}
    with tempfile.TemporaryDirectory() as name:
        where = Path(name)
        emulator = build_emulator(where / "emulator")
        with EmulatedBoard(emulator, build_firmware(where / "avr", "strip16")) as avr:
            out["atmega328p_strip16"] = one_chip(avr)
        for board, cell_us in (("strip16", 12), ("strip32", 12), ("strip32", 4)):
            name = f"rp2040_{board}_{cell_us}us"
            with EmulatedRp2040(build_uf2(where / name, board, CELL_US=str(cell_us))) as rp2040:
                out[name] = one_chip(rp2040)
    return out


async def drops(folder: Path, air: Air, library: Path) -> dict[str, object]:
    """Hang up at any moment, with records on their way."""
    board = BridgedBoard(air, library)
    await BLUETOOTH.run(board.start())
    rng = random.Random(SEED)
    began_s = time.monotonic()
    with Store.open(folder / "drops.db") as store:
        store.sets.import_file(load_set(ROOT / "logger/cli/demo_set.toml"), at_utc_ns=0)
        pauses = Pauses(first_s=0.01, growth=1, longest_s=0.01, jitter=0)
        desk = Desk(store, board.url, None, pauses=pauses, patient=True)
        running = asyncio.create_task(desk.run.run())
        await desk.until(lambda: desk.greeted)
        for drop in range(DROPS):
            if drop % 5 == 0:
                # A connection of 60 ms carries less than a strike has bytes: now and then it lasts.
                # A strike may be filed again when more of its contact comes in: count records.
                await desk.until(lambda: len(desk.sequences) == board.struck)
            await BLUETOOTH.run(board.strike())
            await asyncio.sleep(rng.uniform(0, 0.12))
            seen = desk.greeted
            await BLUETOOTH.run(board.hang_up())
            await desk.until(lambda seen=seen: desk.greeted > seen)
        await desk.until(lambda: len(desk.sequences) == board.struck)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        stored = desk.sequences
    await BLUETOOTH.run(board.stop())
    return {
        "drops": DROPS,
        "strikes": board.struck,
        "strikes_lost": board.struck - len(set(stored)),
        "strikes_doubled": len(stored) - len(set(stored)),
        "bytes_lost": board.overrun + sum("no room" in line for line in board.printed),
        "bytes_notified": board.notified_bytes,
        "seconds_a_drop": round((time.monotonic() - began_s) / DROPS, 3),
    }


async def rate(air: Air, library: Path) -> float:
    """Notifications of 244 bytes a second, from the board's stack to our link's reader."""
    board = CoreOnAir(air, library)
    await BLUETOOTH.run(board.start("C0:00:5E:00:53:21"))
    link = link_to(board, BleSettings(find_s=5), "C0:00:5E:00:53:21")
    await link.open()
    piece = bytes(244)

    async def send() -> None:
        for _ in range(NOTIFICATIONS):
            await board.radio.notify(BOARD_TO_HOST, piece)

    began_s = time.monotonic()
    sending = asyncio.create_task(BLUETOOTH.run(send()))
    got = 0
    while got < NOTIFICATIONS:
        got += len((await link.read()).data) == len(piece)
    took_s = time.monotonic() - began_s
    await sending
    await link.close()
    await BLUETOOTH.run(board.stop())
    return round(NOTIFICATIONS / took_s)


def bridge() -> dict[str, object]:
    """All of the bridge's numbers."""

    async def run(folder: Path) -> dict[str, object]:
        # Of a board that keeps some forty strikes: what a small store drops is no bridge's doing.
        library = build_library(folder / "strip32", "strip32")
        with pytest.MonkeyPatch.context() as patched:
            async with on_the_virtual_air(patched) as air:
                out = await drops(folder, air, library)
            async with on_the_virtual_air(patched) as air:
                return {**out, "notifications_per_s": await rate(air, library)}

    with tempfile.TemporaryDirectory() as name:
        return asyncio.run(run(Path(name)))


def law() -> dict[str, object]:
    from sessions import play_first, summary
    from test_response_law import drawn

    found: dict[str, object] = {}
    for ohm in (0.0, 1e3, 2.2e3, 10e3):
        sensing = Sensing(divider_ohm=ohm)
        for how in ("told", "from a bar", "not told"):
            sessions = []
            for seed in range(LAW_SESSIONS):
                kept = None
                if how == "from a bar":
                    passes, loads = drawn((1.0, 2.5), sensing, seed)
                    kept = law_from_passes(
                        passes, loads, pitch_mm=4.0, full_scale=sensing.full_scale
                    )
                options = BoardOptions(sensing=sensing, says_circuit=how == "told")
                played = play_first(seed, options, kept)
                if played is not None:
                    sessions.append(played.clubs)
            name = f"{ohm / 1000:g} kohm" if ohm else "straight"
            found[f"{name}, {how}"] = summary(sessions)
            print(f"{name}, {how}: {found[f'{name}, {how}']}", file=sys.stderr, flush=True)
    return found


PARTS: dict[str, Callable[[], object]] = {"chips": chips, "bridge": bridge, "law": law}


def main() -> None:
    wanted = sys.argv[1:] or list(PARTS)
    print(json.dumps({part: PARTS[part]() for part in wanted}))


if __name__ == "__main__":
    main()
