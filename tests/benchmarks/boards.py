"""What a board is worth, by its chip: one line of JSON last.

``chips``: the reference firmware on both emulated chips, the same contacts swept over a strip whose
cells differ in nothing, a host that reads at its leisure: scans per second of virtual time, bytes
lost, records lost, and how far the place of a contact is off (as the logger reads it). A floor, not
the accuracy of a board: no emulator knows a real converter's noise or settling.

    python tests/benchmarks/boards.py
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from analysis.strikes.scans import ScanOrder, Strip, contact_from_scans  # noqa: E402
from logger.protocol.decoding import Decoder  # noqa: E402
from logger.protocol.framing import encode_frame  # noqa: E402
from logger.protocol.records import AskHello, Confirm, Hello, RawRecord, Strike  # noqa: E402
from logger.protocol.wire import encode  # noqa: E402
from simulators.emulator.driver import (  # noqa: E402
    EmulatedBoard,
    EmulatedChip,
    build_emulator,
    build_firmware,
)
from simulators.emulator.rp2040 import EmulatedRp2040, build_uf2  # noqa: E402
from simulators.emulator.waves import Sweep, wave  # noqa: E402

CONTACTS = 150
SEED = 20
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
        scan_order=ScanOrder(int(hello.scan_order)),
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


def main() -> None:
    print(json.dumps({"chips": chips()}))


if __name__ == "__main__":
    main()
