"""What the reference firmware takes of its chip, and where its scan arithmetic puts a contact.

Cycles, flash, RAM and stack are counted on the emulated ATmega328P, interrupts left out where it
says net. Position error is that of the core's whole-number arithmetic and of scanning cell by cell
(2 to 5 scans in a contact), over places, phases of the scan and speeds from 25 to 45 m/s, with a
perfect sole and cells that differ in nothing: a floor, not the accuracy of a board. The emulator
knows nothing of a real converter's noise or settling. The last line is one line of JSON.

    python tests/benchmarks/firmware.py
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from logger.protocol.decoding import Decoder  # noqa: E402
from logger.protocol.framing import encode_frame  # noqa: E402
from logger.protocol.records import AskHello, Confirm, RawRecord, Reading, SendAgain, Strike  # noqa: E402
from logger.protocol.wire import encode  # noqa: E402
from simulators.core_board import CoreBoard, CoreOptions, build_library  # noqa: E402
from simulators.emulator.driver import (  # noqa: E402
    EmulatedBoard,
    build_emulator,
    build_firmware,
)
from simulators.emulator.waves import Sweep, wave  # noqa: E402

BOARDS = ("strip16", "strip16_fine", "two_rows", "strip16_readings")
RAM_BYTES, RAM_END, FLASH_BYTES = 2048, 0x8FF, 32768
CLOCK_HZ = 16_000_000
# Putting together and encoding what goes out; none of these calls another of them.
FRAME_WORK = ("frame_encode", "store_copy", "wire_begin_strike_part", "wire_put_reading")
PITCH_MM, CELLS = 7.0, 16
SPEEDS_M_S = (25.0, 30.0, 35.0, 40.0, 45.0)
PHASES = 8


def say(message: object) -> bytes:
    return encode_frame(encode(message))


def symbols(elf: Path) -> dict[str, int]:
    lines = subprocess.run(
        ["avr-nm", str(elf)], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    return {line.split()[2]: int(line.split()[0], 16) for line in lines}


def sizes(elf: Path) -> tuple[int, int]:
    """Flash and static RAM, bytes."""
    lines = subprocess.run(
        ["avr-size", "-A", str(elf)], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    by_name = {line.split()[0]: int(line.split()[1]) for line in lines if line.startswith(".")}
    data = by_name.get(".data", 0)
    return by_name[".text"] + data, data + by_name[".bss"]


def play(chip: EmulatedBoard, rows: int, sweep: Sweep) -> None:
    """A contact two milliseconds from now."""
    at_us = chip.run(0).time_us + 2000
    chip.play(at_us, 5.0, 4 * wave(sweep, rows=rows, cells=CELLS, pitch_mm=PITCH_MM))


def chip_costs(emulator: Path, elf: Path, rows: int) -> dict[str, float]:
    """Cycles and bytes of one build."""
    flash, static = sizes(elf)
    names = symbols(elf)
    with EmulatedBoard(emulator, elf) as chip:
        chip.open_port()
        chip.tell("noise 1.5", "seed 1", "tau_ns 700")
        watch = {
            name: chip.watch(names[name]) for name in ("strike_scan", *FRAME_WORK) if name in names
        }
        decoder = Decoder()
        chip.exchange(200_000)
        decoder.feed(chip.exchange(50_000, say(AskHello())), 0)
        chip.tell("clear")
        chip.run(20_000)
        quiet = chip.watched(watch["strike_scan"])
        numbers = chip.numbers()
        chip.exchange(0)
        sweep = Sweep(middle_mm=3.0, row_distance_mm=12.0 if rows == 2 else 0.0)
        chip.tell("clear")
        for _ in range(4):
            play(chip, rows, sweep)
            chip.exchange(120_000)
        struck = chip.watched(watch["strike_scan"])
        chip.tell("clear")
        before = decoder.counters.frames
        resent = chip.exchange(250_000, say(SendAgain(1, 0)))
        decoder.feed(resent, 0)
        work = sum(chip.watched(watch[name])["cycles"] for name in FRAME_WORK if name in watch)
        frames = decoder.counters.frames - before
        chip.exchange(50_000, say(AskHello()) + say(Confirm(1, 3)))
        stack = RAM_END - int(min(chip.numbers()["least_stack_pointer"], RAM_END))
    return {
        "flash_bytes": flash,
        "static_ram_bytes": static,
        "stack_bytes": stack,
        "spare_ram_bytes": RAM_BYTES - static - stack,
        "scan_cycles": round(numbers["scan_cycles_mean"], 1),
        "scan_us": round(numbers["scan_cycles_mean"] / CLOCK_HZ * 1e6, 1),
        "interrupt_share": round(numbers["interrupt_cycles"] / numbers["cycles"], 3),
        "net_cycles_per_quiet_scan": round(quiet["cycles"] / quiet["calls"]),
        "net_cycles_of_the_trigger_scan": struck["greatest"],
        "net_cycles_per_frame": round(work / frames),
        "net_cycles_per_byte_sent": round(work / len(resent), 1),
        "least_settle_us": round(numbers["least_settle_cycles"] / CLOCK_HZ * 1e6, 2),
    }


def centroid_mm(load: np.ndarray) -> float:
    places = (np.arange(CELLS) - (CELLS - 1) / 2) * PITCH_MM
    return float(load @ places / load.sum())


def contacts(library: Path, conversion_ns: int) -> list[tuple[Sweep, object]]:
    """What the core makes of each contact: places over a pitch, phases of the scan, speeds."""
    options = CoreOptions(conversion_ns=conversion_ns, noise_counts=0.4, seed=7)
    board = CoreBoard(library, options)
    decoder = Decoder()
    decoder.feed(board.advance(200_000_000), 0)
    board.receive(say(AskHello()))
    decoder.feed(board.advance(50_000_000), 0)
    out: list[tuple[Sweep, object]] = []
    scan_ns = conversion_ns * CELLS
    for speed in SPEEDS_M_S:
        for middle in np.arange(-10.5, 10.6, 1.05):
            for phase in range(PHASES):
                sweep = Sweep(middle_mm=float(middle), speed_m_s=speed)
                counts = wave(sweep, rows=1, cells=CELLS, pitch_mm=PITCH_MM, step_us=10.0)
                now_ns = board.now_ns
                start_ns = now_ns + scan_ns - now_ns % scan_ns + scan_ns * phase // PHASES
                board.play(start_ns + 1_000_000, 10_000, counts.astype(np.float32))
                for item in decoder.feed(board.advance(50_000_000), 0):
                    if isinstance(item, RawRecord):
                        out.append((sweep, item.record))
                        board.receive(say(Confirm(1, item.record.sequence or 0)))
    return out


def summary(errors: list[float]) -> dict[str, float]:
    array = np.array(errors)
    return {
        "bias_mm": round(float(array.mean()), 4),
        "rms_mm": round(float(np.sqrt((array**2).mean())), 4),
        "worst_mm": round(float(np.abs(array).max()), 4),
    }


def position_errors(readings: Path, scans: Path) -> dict[str, object]:
    out: dict[str, object] = {}
    for name, conversion_ns in (("13us_a_cell", 13_000), ("16us_a_cell", 16_000)):
        got = contacts(readings, conversion_ns)
        on_board = [r.board_mm - sweep.middle_mm for sweep, r in got if isinstance(r, Reading)]
        heaviest, summed, counts = [], [], []
        for sweep, record in contacts(scans, conversion_ns):
            if not isinstance(record, Strike):
                continue
            raw = record.counts[:, 0].astype(float)
            load = np.clip(raw - np.round(raw[:2].mean(axis=0)), 0, None)
            load[load <= 5] = 0
            counts.append(int((load.sum(axis=1) > 0).sum()))
            heaviest.append(centroid_mm(load[load.sum(axis=1).argmax()]) - sweep.middle_mm)
            summed.append(centroid_mm(load.sum(axis=0)) - sweep.middle_mm)
        out[name] = {
            "contacts": len(got),
            "scans_in_contact": [min(counts), max(counts)],
            "reading_of_the_board": summary(on_board),
            "heaviest_scan_alone": summary(heaviest),
            "all_scans_together": summary(summed),
        }
    return out


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        out = Path(name)
        emulator = build_emulator(out / "emulator")
        chip = {}
        for board in BOARDS:
            rows = 2 if board == "two_rows" else 1
            chip[board] = chip_costs(emulator, build_firmware(out / board, board), rows)
            print(board, json.dumps(chip[board]))
        position = position_errors(
            build_library(out / "strip16_readings", "strip16_readings"),
            build_library(out / "strip16", "strip16"),
        )
    print(json.dumps({"chip": chip, "position": position}))


if __name__ == "__main__":
    main()
