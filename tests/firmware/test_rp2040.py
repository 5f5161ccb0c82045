"""The reference firmware on an emulated RP2040 (rp2040js), flashed from its UF2 file.

Boot ROM, converter pace and UART are as the RP2040 data sheet has them (chapters 2.8, 4.9, 4.2);
the UF2 file is read by npm's uf2. The emulator says nothing of a converter's noise or of real
settling.
"""

from __future__ import annotations

import functools
import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from logger.protocol.decoding import record_from_raw
from logger.protocol.records import (
    AskClock,
    AskHello,
    Button,
    ButtonAction,
    Flag,
    Hello,
    Reading,
    SendAgain,
)
from logger.store.store import Store
from simulators.core_board import REFERENCE, BuildError
from simulators.emulator.driver import EmulatorError
from simulators.emulator.node_parts import node_parts
from simulators.emulator.rp2040 import EmulatedRp2040, build_uf2
from simulators.emulator.waves import Sweep, wave

# A cell of the usual build, and of the build for followers.
CELL_US = 12.0
QUICK_CELL_US = 4.0


@pytest.fixture(scope="session")
def uf2(out: Path) -> Callable[..., Path]:
    """The .uf2 by board and pace."""

    @functools.cache
    def build(board: str, cell_us: float = CELL_US) -> Path:
        try:
            where = out / f"rp2040_{board}_{cell_us:g}"
            return build_uf2(where, board, CELL_US=f"{cell_us:g}")
        except BuildError as error:
            pytest.fail(str(error), pytrace=False)

    return build


@pytest.fixture
def chip(uf2: Callable[..., Path]) -> Iterator[Callable[..., EmulatedRp2040]]:
    made: list[EmulatedRp2040] = []

    def make_chip(board: str, cell_us: float = CELL_US) -> EmulatedRp2040:
        try:
            made.append(EmulatedRp2040(uf2(board, cell_us)))
        except BuildError as error:
            pytest.fail(str(error), pytrace=False)
        made[-1].open_port()
        return made[-1]

    yield make_chip
    for board in made:
        board.close()


class Host:
    """A greeted host on the emulated board's port, in step with simulated time."""

    def __init__(self, chip: EmulatedRp2040, ear, say) -> None:
        self.chip = chip
        self._ear = ear
        self._say = say
        self.go(300)
        self.hello: Hello = self.go(50, AskHello()).hellos[-1]

    def go(self, ms: float, *messages: object):
        data = b"".join(self._say(message) for message in messages)
        return self._ear.hear(self.chip.exchange(ms * 1000, data))

    def play(self, after_ms: float, sweep: Sweep) -> float:
        """Script a sweep with its peak in counts of the converter; gives its first touch, us."""
        at_us = self.chip.run(0).time_us + 1000 * after_ms
        hello = self.hello
        waves = wave(sweep, rows=hello.rows, cells=hello.cells, pitch_mm=hello.pitch_um / 1000)
        self.chip.play(at_us, 5.0, waves)
        return at_us


@pytest.fixture
def host(chip, new_ear, say):
    def make_host(board: str, cell_us: float = CELL_US, *lines: str) -> Host:
        emulated = chip(board, cell_us)
        emulated.tell("tau_ns 200", *lines)
        return Host(emulated, new_ear(), say)

    return make_host


@pytest.mark.parametrize("board", ["strip16", "strip32", "two_rows", "two_by_32"])
def test_each_cell_gets_its_time_to_settle_and_its_turn(host, board: str) -> None:
    at = host(board)
    at.chip.tell("clear")
    at.go(200)
    numbers = at.chip.numbers()
    values = at.hello.rows * at.hello.cells
    assert numbers["wrong_enables"] == 0
    # One conversion every CELL_US to the nanosecond, whatever the program does meanwhile.
    assert numbers["scan_ns_mean"] == pytest.approx(values * CELL_US * 1000, abs=1)
    assert numbers["scan_ns_greatest"] == pytest.approx(values * CELL_US * 1000, abs=1)
    # Twelve bits behind 10 kOhm and 100 pF take 9.0 us (electronics.md).
    assert numbers["least_settle_ns"] >= 9000
    assert at.hello.scan_ticks == round((values - 1) * CELL_US)
    assert at.hello.tick_hz == 1_000_000
    # No register was touched that the chip does not have.
    assert numbers["warnings"] == []


@pytest.mark.parametrize(
    ("board", "cell_us"),
    [("strip16", 12.0), ("strip32", 12.0), ("two_rows", 12.0), ("two_by_32", QUICK_CELL_US)],
)
def test_scripted_strikes_come_out_cell_by_cell(host, board: str, cell_us: float) -> None:
    """Every value of three strikes is what the scripted cell was at its moment, to the rounding."""
    at = host(board, cell_us)
    hello = at.hello
    rows, cells = hello.rows, hello.cells
    begun_us, sweeps, strikes = [], [], []
    for middle, speed in [(-21.0, 25.0), (3.5, 35.0), (17.0, 45.0)]:
        sweeps.append(
            Sweep(
                middle_mm=middle,
                speed_m_s=speed,
                peak_counts=2500.0,
                row_distance_mm=12.0 if rows == 2 else 0.0,
            )
        )
        begun_us.append(at.play(3, sweeps[-1]))
        heard = at.go(500)
        assert heard.damage == []
        strikes += heard.strikes
    assert [(strike.sequence, strike.flags) for strike in strikes] == [
        (n, Flag(0)) for n in (0, 1, 2)
    ]
    shift = 4096 / (hello.full_scale + 1)
    order_us = (np.arange(cells) * rows + np.arange(rows)[:, np.newaxis]) * cell_us
    worst: dict[float, float] = {}
    offset_us = clock_offset_us(at)
    for moved_us in np.arange(-6.0, 6.1, 0.5):
        errors = []
        for sweep, began_us, strike in zip(sweeps, begun_us, strikes, strict=True):
            counts = wave(sweep, rows=rows, cells=cells, pitch_mm=hello.pitch_um / 1000)
            times_us = np.arange(len(counts)) * 5.0
            starts_us = strike.scan_ticks + offset_us - began_us + moved_us
            for row in range(rows):
                for cell in range(cells):
                    load = np.interp(
                        starts_us + order_us[row, cell], times_us, counts[:, row, cell], 0, 0
                    )
                    expected = (100 / 3300 * 4096 + load) / shift
                    errors.append(np.abs(expected - strike.counts[:, row, cell]).max())
        worst[moved_us] = max(errors)
    # Rounding, down to the values' bits, and half a microsecond of tick and half a one of `moved`.
    slope = np.pi * 2500 / sweeps[-1].duration_us / shift
    assert min(worst.values()) <= 1.0 + 1.0 * slope
    # And the ticks say when each scan's first cell was sampled: to the clock reply's exactness.
    best = min(worst, key=lambda moved: worst[moved])
    assert abs(best) <= 4.0


def clock_offset_us(at: Host) -> float:
    """Simulated time of the board's tick 0, us: from when the answer's bytes left the board."""
    before = at.chip.run(0)
    at.chip.write(at._say(AskClock(9)))
    sent, time_us = before.sent, before.time_us
    while sent == before.sent:
        now = at.chip.run(2)
        sent, time_us = now.sent, now.time_us
    (reply,) = at.go(20).clock_replies
    # A byte is out ten bit times after it has begun; then half of the step.
    return time_us - 1.0 - 10 / 115_200 * 1e6 - reply.sent_ticks


def test_a_row_that_is_scanned_fast_loses_no_scan_while_it_is_kept_and_sent(host) -> None:
    at = host("two_by_32", QUICK_CELL_US)
    for number in range(6):
        at.play(
            3 + 9 * number,
            Sweep(middle_mm=0.0, contact_mm=120.0, row_distance_mm=12.0, peak_counts=2000.0),
        )
    heard = at.go(4000)
    assert heard.sequences == [0, 1, 2, 3, 4, 5][-len(heard.sequences) :]
    assert len(heard.sequences) >= 3
    for strike in heard.strikes:
        gaps = np.diff(strike.scan_ticks.astype(np.int64))
        # Thinned out, every second scan or every fourth is there: never an odd one more.
        assert set(np.unique(gaps % 256)) <= {0}


def test_readings_foot_switch_and_sending_again(host) -> None:
    at = host("strip16_readings")
    for x in (-30.0, 0.0, 24.5):
        at.play(2, Sweep(middle_mm=x, peak_counts=2500.0))
        (reading,) = at.go(100).records
        assert isinstance(reading, Reading)
        assert reading.board_mm == pytest.approx(x, abs=0.7)
    at.chip.tell("press 1")
    at.go(100)
    at.chip.tell("press 0")
    (button,) = at.go(100).records
    assert isinstance(button, Button)
    assert button.action == ButtonAction.NEXT_CLUB
    assert at.go(200, SendAgain(at.hello.boot_id, 1)).sequences == [1, 2, 3]


def test_slow_settling_shows_as_cells_leaking_into_the_next(chip, new_ear, say) -> None:
    """What pacing is for: left to itself the converter would leave a cell half a microsecond."""
    leak = {}
    for tau_ns in (1000, 10_000):
        emulated = chip("strip16")
        emulated.tell(f"tau_ns {tau_ns}")
        at = Host(emulated, new_ear(), say)
        counts = np.zeros((3, 1, 16))
        counts[1, 0, 6] = 2400.0
        emulated.play(emulated.run(0).time_us + 2000, 1000.0, counts)
        (strike,) = at.go(100).strikes
        peak = strike.counts[:, 0, 6].astype(int).argmax()
        leak[tau_ns] = int(strike.counts[peak, 0, 7]) - 7
    assert leak[1000] <= 1
    assert leak[10_000] > 20


def test_a_brown_out_is_a_new_boot_though_flash_is_erased_by_sectors(host, new_ear) -> None:
    at = host("strip16")
    assert at.hello.boot_id == 1
    for boot in (2, 3, 4):
        at.chip.tell("brownout")
        ear = new_ear()
        at.chip.forget_unread(at.chip.run(0))
        (hello,) = ear.hear(at.chip.exchange(300_000)).hellos
        assert hello.boot_id == boot


def test_its_speed_on_the_line_is_what_was_asked_for(uf2, tmp_path: Path) -> None:
    for baud in (115_200, 921_600):
        where = build_uf2(tmp_path / str(baud), "strip16", BAUD=str(baud))
        with EmulatedRp2040(where) as emulated:
            emulated.run(300_000)
            emulated._say("baud")
            # Two in a thousand: a sixteenth of the clock in 64ths (PL011).
            assert int(emulated._answer("baud").split()[1]) == pytest.approx(baud, rel=2e-3)


# ---- the UF2 file


def make_uf2(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(REFERENCE / "rp2040" / "uf2.py"), *arguments],
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_file_says_which_chip_it_is_for_and_starts_with_what_the_boot_rom_checks(
    uf2, tmp_path: Path
) -> None:
    blocks = json.loads(
        subprocess.run(
            [
                "node",
                "-e",
                "const u=require(process.argv[1]+'/node_modules/uf2');"
                "const d=require('fs').readFileSync(process.argv[2]);const o=[];"
                "for(let i=0;i<d.length;i+=512){const b=u.decodeBlock(d.subarray(i,i+512));"
                "o.push([u.familyMap.get(b.boardFamily),b.flashAddress,b.payload.length,"
                "b.blockNumber,b.totalBlocks]);}console.log(JSON.stringify(o));",
                str(node_parts()),
                str(uf2("strip16")),
            ],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
    )
    assert {block[0] for block in blocks} == {"Raspberry Pi RP2040"}
    assert [block[1] for block in blocks] == [0x10000000 + 256 * n for n in range(len(blocks))]
    assert {(block[2], block[4]) for block in blocks} == {(256, len(blocks))}
    assert [block[3] for block in blocks] == list(range(len(blocks)))
    # A byte of the first block changed: the boot ROM's check fails, and nothing starts.
    damaged = bytearray(uf2("strip16").read_bytes())
    damaged[32 + 10] ^= 1
    (tmp_path / "damaged.uf2").write_bytes(damaged)
    with pytest.raises(EmulatorError, match="wrong CRC: the boot ROM would not start them"):
        EmulatedRp2040(tmp_path / "damaged.uf2")


def test_a_file_for_another_chip_does_not_start(uf2, tmp_path: Path) -> None:
    data = bytearray(uf2("strip16").read_bytes())
    for at in range(0, len(data), 512):
        # Family of the RP2350's Arm processors in Microsoft's list of UF2 families.
        data[at + 28 : at + 32] = (0xE48BFF59).to_bytes(4, "little")
    (tmp_path / "other.uf2").write_bytes(data)
    with pytest.raises(EmulatorError, match="no block of this UF2 file is for an RP2040"):
        EmulatedRp2040(tmp_path / "other.uf2")


def test_a_program_or_a_drive_of_another_chip_is_refused_in_words(
    uf2, firmware, tmp_path: Path
) -> None:
    out = str(tmp_path / "x.uf2")
    done = make_uf2(str(firmware("strip16")), "--out", out)
    assert (done.returncode, done.stderr) == (
        1,
        "this program is not for an RP2040: make it with 'make rp2040'\n",
    )
    elf = str(uf2("strip16").with_name("rp2040.elf"))
    done = make_uf2(elf, "--out", out, "--drive", str(tmp_path))
    assert done.returncode == 1
    assert "Hold its BOOTSEL button" in done.stderr
    about = tmp_path / "INFO_UF2.TXT"
    about.write_text("UF2 Bootloader v1.0\nModel: Another Chip\nBoard-ID: RP2350\n")
    done = make_uf2(elf, "--out", out, "--drive", str(tmp_path))
    assert done.returncode == 1
    assert "a chip that calls itself RP2350, not an RP2040 (RPI-RP2)" in done.stderr
    assert not (tmp_path / "firmware.uf2").exists()
    about.write_text("UF2 Bootloader v3.0\nModel: Raspberry Pi RP2\nBoard-ID: RPI-RP2\n")
    done = make_uf2(elf, "--out", out, "--drive", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "firmware.uf2").read_bytes() == uf2("strip16").read_bytes()


def test_the_checksum_is_the_catalogued_one() -> None:
    """CRC-32/MPEG-2 of the nine digits is 0x0376E6E7 (catalogue of parametrised CRC algorithms)."""
    done = subprocess.run(
        [sys.executable, "-c", "import uf2; print(hex(uf2.crc32_mpeg2(b'123456789')))"],
        cwd=REFERENCE / "rp2040",
        capture_output=True,
        text=True,
        check=True,
        env={"PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert done.stdout == "0x376e6e7\n"


def test_a_drive_is_written_only_with_an_id_of_its_own(out: Path, uf2) -> None:
    uf2("strip16")
    done = subprocess.run(
        ["make", "-s", "drive", "BOARD=strip16", f"OUT={out / 'rp2040_strip16_12'}"],
        cwd=REFERENCE,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "each board needs an id of its own: make drive BOARD_ID=" in done.stderr


# ---- the product's own logger at its port


async def test_every_strike_is_on_disk_through_a_reconnect_and_a_brown_out(
    chip, session_at, tmp_path: Path
) -> None:
    emulated = chip("strip32")
    emulated.close_port()
    emulated.tell("noise 6", "seed 11", "tau_ns 700")
    sweeps = []

    def script(*times_ms: float) -> None:
        for at_ms in times_ms:
            sweeps.append(Sweep(middle_mm=-20.0 + 6.0 * len(sweeps), peak_counts=2000.0))
            emulated.play(at_ms * 1000, 5.0, wave(sweeps[-1], rows=1, cells=32, pitch_mm=4.0))

    script(500, 700, 1700, 1900)
    emulated.run(1_000_000)
    with Store.open(tmp_path / "data.db") as store:
        emulated.begin_real_time()
        async with session_at(emulated.port, store) as first:
            await first.until(lambda: len(list(store.records.read())) == 4 and first.kept == 0)
        now_ms = emulated.end_real_time().time_us / 1000
        # Nobody listens; power dips; the logger comes back.
        script(now_ms + 300)
        emulated.run(600_000)
        emulated.tell("brownout")
        script(now_ms + 1200, now_ms + 1500)
        emulated.run(1_200_000)
        emulated.begin_real_time()
        async with session_at(emulated.port, store) as second:
            await second.until(lambda: len(list(store.records.read())) == 6 and second.kept == 0)
        emulated.end_real_time()
        strikes = [record_from_raw(row.raw) for row in store.records.read()]
        assert [strike.sequence for strike in strikes] == [0, 1, 2, 3, 0, 1]
        # The one that the board kept when its power dipped is gone: RAM.
        for sweep, strike in zip(sweeps[:4] + sweeps[5:], strikes, strict=True):
            load = strike.counts[:, 0].astype(float) - strike.counts[0, 0]
            load = np.where(load > 40, load, 0.0).sum(axis=0)
            middle = float(load @ ((np.arange(32) - 15.5) * 4.0) / load.sum())
            assert middle == pytest.approx(sweep.middle_mm, abs=1.0)
        boots = {greeted.identity.boot_key for s in (first, second) for greeted in s.greeted}
        assert len(boots) == 2
