"""The reference firmware as it runs on the emulated ATmega328P, behind a pseudo-terminal.

The emulator says nothing of a converter's noise or of real settling: what is proved here is the
program, its timing in cycles, and its manners on the line.
"""

from __future__ import annotations

import hashlib
import subprocess
import termios
from pathlib import Path

import numpy as np
import pytest

from logger.protocol.records import (
    AskClock,
    AskHello,
    Button,
    ButtonAction,
    Confirm,
    Flag,
    Hello,
    Reading,
    SendAgain,
    SetTrigger,
)
from simulators.emulator.waves import Sweep, wave

BOARDS = ["strip16", "strip16_fine", "two_rows", "strip16_readings"]
RAM_BYTES = 2048
RAM_END = 0x8FF
FLASH_BYTES = 32768
CLOCK_HZ = 16_000_000


def play(chip, at_us: float, sweep: Sweep, rows: int = 1) -> None:
    """Script a sweep; its peak in counts of eight bits."""
    chip.play(at_us, 5.0, 4 * wave(sweep, rows=rows, cells=16, pitch_mm=7.0))


class Host:
    """A host on the emulated board's port, in step with simulated time."""

    def __init__(self, chip, ear, say) -> None:
        self.chip = chip
        self._ear = ear
        self._say = say
        chip.open_port()

    def go(self, ms: float, *messages: object):
        data = b"".join(self._say(message) for message in messages)
        return self._ear.hear(self.chip.exchange(ms * 1000, data))

    def greet(self) -> Hello:
        self.go(150)
        return self.go(50, AskHello()).hellos[-1]


@pytest.fixture
def host(chip, new_ear, say):
    """A greeted host: ``host("strip16", "noise 0.5", ...)``."""

    def make_host(board: str = "strip16", *lines: str) -> tuple[Host, Hello]:
        emulated = chip(board)
        emulated.tell("tau_ns 500", *lines)
        made = Host(emulated, new_ear(), say)
        return made, made.greet()

    return make_host


@pytest.mark.parametrize("board", BOARDS)
def test_it_fits_with_room_for_the_stack(firmware, chip, board: str) -> None:
    elf = firmware(board)
    sizes = subprocess.run(["avr-size", "-A", str(elf)], capture_output=True, text=True, check=True)
    by_name = {
        line.split()[0]: int(line.split()[1]) for line in sizes.stdout.splitlines()[2:8] if line
    }
    static = by_name[".data"] + by_name[".bss"]
    # 512 bytes of flash stay free for a boot loader.
    assert by_name[".text"] + by_name[".data"] < FLASH_BYTES - 512
    emulated = chip(board)
    emulated.open_port()
    emulated.tell("noise 1", "rest 3 300")
    for at_ms in range(200, 400, 20):
        play(emulated, at_ms * 1000, Sweep(middle_mm=0.0, row_distance_mm=12.0), 1)
    emulated.run(500_000)
    used = RAM_END - int(emulated.numbers()["least_stack_pointer"])
    assert static + used < RAM_BYTES - 64, f"{static} bytes static and {used} of stack"


@pytest.mark.parametrize("board", BOARDS)
def test_the_multiplexer_moves_only_when_the_sample_is_held(chip, board: str) -> None:
    emulated = chip(board)
    emulated.run(150_000)
    emulated.tell("clear")
    emulated.run(100_000)
    numbers = emulated.numbers()
    assert numbers["early_selects"] == 0
    # 1.5 converter clocks after a start that waits for up to one: 40 cycles at a prescaler of 16
    # (ATmega328P data sheet, ADC chapter; from memory).
    assert numbers["least_select_cycles"] >= 40
    # And each cell has at least nine microseconds to settle.
    assert numbers["least_settle_cycles"] >= 144


def test_the_first_words_after_a_start(chip, new_ear) -> None:
    emulated = chip("strip16")
    emulated.open_port()
    data = emulated.exchange(200_000)
    assert data[:1] == b"\x00"
    (hello,) = new_ear().hear(data).hellos
    assert hello.boot_id == 1
    assert hello.tick_hz == 250_000
    assert (hello.rows, hello.cells, hello.pitch_um, hello.full_scale) == (1, 16, 7000, 255)
    mean_us = emulated.numbers()["scan_cycles_mean"] / 16
    assert hello.scan_ticks == pytest.approx(mean_us * 15 / 16 / 4, abs=1.0)


@pytest.mark.parametrize("board", BOARDS[:3])
def test_scripted_strikes_come_out_cell_by_cell(host, board: str) -> None:
    """Every value of three strikes is what the scripted cell was at its moment, to a count.

    The board's clock is known from one clock reply to some 20 us; one shift, the same for all
    cells, scans and strikes, takes that up.
    """
    at, hello = host(board)
    rows = hello.rows
    sweeps = [
        Sweep(middle_mm=x, speed_m_s=v, row_distance_mm=12.0 if rows == 2 else 0.0)
        for x, v in [(-21.0, 25.0), (3.5, 35.0), (17.0, 45.0)]
    ]
    begun_us = []
    strikes = []
    for sweep in sweeps:
        begun_us.append(at.chip.run(0).time_us + 2000.0)
        play(at.chip, begun_us[-1], sweep, rows)
        heard = at.go(200)
        assert heard.damage == []
        strikes += heard.strikes
    assert [(strike.sequence, strike.flags) for strike in strikes] == [
        (n, Flag(0)) for n in (0, 1, 2)
    ]
    offset_us = clock_offset_us(at)
    step_us = hello.scan_ticks * 4.0 / (rows * 16 - 1)
    # All rows of a cell together, then the next cell; held 1.5 us after the start.
    order_us = (np.arange(16) * rows + np.arange(rows)[:, np.newaxis]) * step_us + 1.5
    worst = {}
    for shift_us in range(-40, 41):
        errors = []
        for sweep, began_us, strike in zip(sweeps, begun_us, strikes, strict=True):
            counts = wave(sweep, rows=rows, cells=16, pitch_mm=7.0)
            times_us = np.arange(len(counts)) * 5.0
            starts_us = strike.scan_ticks * 4.0 + offset_us - began_us + shift_us
            for row in range(rows):
                for cell in range(16):
                    moments_us = starts_us + order_us[row, cell]
                    load = np.interp(moments_us, times_us, counts[:, row, cell], left=0, right=0)
                    # 100 mV at rest; ten bits at 5 V, or the eight higher of them.
                    expected = (100 / 5000 * 1024 + 4 * load) * (hello.full_scale + 1) / 1024
                    errors.append(np.abs(expected - strike.counts[:, row, cell]).max())
        worst[shift_us] = max(errors)
    shift_us = min(worst, key=lambda shift: worst[shift])
    assert abs(shift_us) <= 30
    # Rounding: to a count of ten bits, then down to one of eight (1); and the tick's 4 us on a
    # slope of up to 0.9 counts (of eight bits) a microsecond, the half of it either way.
    per_us = np.pi * 150 / sweeps[-1].duration_us * (hello.full_scale + 1) / 256
    assert worst[shift_us] <= 1.0 + 2.5 * per_us


def clock_offset_us(at: Host) -> float:
    """Simulated time of the board's tick 0, us: from when the answer's bytes left the board."""
    before = at.chip.run(0)
    at.chip.write(at._say(AskClock(9)))
    sent = before.sent
    time_us = before.time_us
    # In steps of 4 us, until its first byte is out.
    while sent == before.sent:
        now = at.chip.run(4)
        sent, time_us = now.sent, now.time_us
    heard = at.go(20)
    (reply,) = heard.clock_replies
    return time_us - 2.0 - reply.sent_ticks * 4.0


def test_ticks_keep_simulated_time(host) -> None:
    at, _ = host("strip16")
    first = clock_offset_us(at)
    # Over several wraps of the sixteen-bit timer, and at odd moments of the one-second status.
    for ms in (263, 777, 1501, 2003):
        at.go(ms)
        assert clock_offset_us(at) == pytest.approx(first, abs=12.0)


def test_received_ticks_are_when_the_last_byte_came(host) -> None:
    """Between the question's end on the line and the tick told lie at most a few microseconds."""
    at, _ = host("strip16")
    offset_us = clock_offset_us(at)
    for token in range(8):
        at.go(7.3)
        asked_us = at.chip.run(0).time_us
        message = at._say(AskClock(token + 0x01010101))
        (reply,) = at.go(30, AskClock(token + 0x01010101)).clock_replies
        # The emulated UART takes eleven bits a byte, of 17 * 8 cycles each.
        line_us = len(message) * 11 * 17 * 8 / 16
        got_us = reply.received_ticks * 4 + offset_us - asked_us
        assert got_us == pytest.approx(line_us, abs=25.0)
        assert reply.sent_ticks > reply.received_ticks


def test_a_golden_run_is_the_same_to_the_byte(chip, say) -> None:
    """Same script, same seed, same bytes: twice here."""
    digests = []
    for _ in range(2):
        emulated = chip("strip16")
        emulated.open_port()
        emulated.tell("seed 42", "noise 1.2", "tau_ns 800")
        for number in range(6):
            sweep = Sweep(middle_mm=-20.0 + 8 * number, speed_m_s=25.0 + 4 * number)
            play(emulated, 300_000 + 150_000 * number, sweep)
        data = emulated.exchange(200_000)
        data += emulated.exchange(1_000_000, say(AskHello()))
        data += emulated.exchange(300_000, say(Confirm(1, 3)) + say(SendAgain(1, 0)))
        digests.append(hashlib.sha256(data).hexdigest())
        emulated.close()
    assert digests[0] == digests[1]


def test_two_way_talk(host) -> None:
    at, hello = host("strip16")
    boot = hello.boot_id
    for _ in range(3):
        play(at.chip, at.chip.run(0).time_us + 1000, Sweep(middle_mm=0.0))
        at.go(100)
    assert at.go(250, SendAgain(boot, 0)).sequences == [0, 1, 2]
    heard = at.go(250, Confirm(boot, 0), SendAgain(boot, 0))
    assert heard.sequences == [1, 2]
    status = at.go(50, SetTrigger(33)).statuses[0]
    assert (status.trigger_level, status.kept, status.oldest_kept) == (33, 2, 1)
    assert status.bad_frames == 0
    heard = at.go(50, AskHello(), AskClock(0xDEADBEEF))
    assert heard.hellos[0].trigger_level == 33
    assert heard.clock_replies[0].token == 0xDEADBEEF
    at.chip.write(b"\x05garbage\x00")
    assert at.go(50, SetTrigger(10)).statuses[0].bad_frames == 1


def test_many_messages_at_once_are_all_heard(host) -> None:
    """A burst as long as a host ever sends, while a strike is on its way."""
    at, hello = host("strip16")
    play(at.chip, at.chip.run(0).time_us + 1000, Sweep(middle_mm=0.0))
    at.go(3)
    burst = [AskHello(), AskClock(1), Confirm(hello.boot_id + 1, 0), SetTrigger(12)] * 3
    heard = at.go(300, *burst)
    assert heard.damage == []
    assert heard.statuses[-1].bad_frames == 0
    assert heard.statuses[-1].trigger_level == 12
    assert heard.sequences == [0]


def test_a_brown_out_starts_a_new_boot_with_nothing_kept(host) -> None:
    at, hello = host("strip16")
    boots = [hello.boot_id]
    for _ in range(3):
        play(at.chip, at.chip.run(0).time_us + 1000, Sweep(middle_mm=0.0))
        # In the middle of sending the strike.
        at.go(12)
        at.chip.tell("brownout")
        heard = at.go(900)
        boots.append(heard.hellos[-1].boot_id)
        assert (heard.hellos[-1].oldest_kept, heard.hellos[-1].next_sequence) == (0, 0)
        again = at.go(60, AskHello())
        assert again.damage == []
    assert boots == [1, 2, 3, 4]


def test_a_host_that_comes_back_gets_what_it_missed(host, new_ear, say) -> None:
    at, hello = host("strip16")
    play(at.chip, at.chip.run(0).time_us + 1000, Sweep(middle_mm=0.0))
    assert at.go(100).sequences == [0]
    at.chip.close_port()
    for _ in range(3):
        play(at.chip, at.chip.run(0).time_us + 1000, Sweep(middle_mm=9.0))
        gone = at.chip.run(100_000)
    # A port that is opened again starts with empty buffers, as pyserial sees to.
    second = Host(at.chip, new_ear(), say)
    import termios as t

    t.tcflush(at.chip._descriptor, t.TCIFLUSH)
    at.chip.forget_unread(gone)
    heard = second.go(60, AskHello())
    assert heard.hellos[-1].boot_id == hello.boot_id
    assert heard.hellos[-1].next_sequence == 4
    assert second.go(300, SendAgain(hello.boot_id, 1)).sequences == [1, 2, 3]


def test_a_reader_that_sleeps_loses_no_strike_that_fits_the_store(host) -> None:
    """Strikes fall while nobody reads; those that fit come later, the others are counted."""
    at, hello = host("strip16")
    for _ in range(8):
        play(at.chip, at.chip.run(0).time_us + 1000, Sweep(middle_mm=0.0))
        at.go(100)
    heard = at.go(600, SendAgain(hello.boot_id, 0), SetTrigger(10))
    status = heard.statuses[0]
    assert status.next_sequence == 8
    assert status.dropped == status.oldest_kept > 0
    assert heard.sequences == list(range(status.oldest_kept, 8))


def test_bytes_lost_by_a_full_terminal_are_had_by_asking_again(chip, new_ear, say) -> None:
    """A host that does not read for so long that the adapter's buffer overflows."""
    emulated = chip("strip16")
    emulated.open_port()
    at = Host(emulated, new_ear(), say)
    hello = at.greet()
    emulated.tell("noise 0.5")
    play(emulated, emulated.run(0).time_us + 1000, Sweep(middle_mm=0.0))
    for _ in range(400):
        emulated.write(say(AskHello()))
        ran = emulated.run(10_000)
        if ran.lost > 800:
            break
    assert ran.lost > 800
    import termios as t

    t.tcflush(emulated._descriptor, t.TCIFLUSH)
    emulated.forget_unread(ran)
    at = Host(emulated, new_ear(), say)
    at.go(50)
    heard = at.go(400, SendAgain(hello.boot_id, 0))
    assert heard.sequences[-1] == 0


@pytest.mark.parametrize(("baud", "agree"), [(termios.B115200, True), (termios.B57600, False)])
def test_the_wrong_baud_rate_is_heard_as_noise(chip, new_ear, baud: int, agree: bool) -> None:
    emulated = chip("strip16")
    emulated.open_port(baud)
    heard = new_ear().hear(emulated.exchange(200_000))
    assert emulated.baud()[1] is agree
    assert bool(heard.hellos) is agree


def test_a_trigger_below_the_noise_is_raised_and_told(host) -> None:
    # 8 counts of ten bits are 2 of eight.
    at, _ = host("strip16", "noise 8", "seed 3")
    status = at.go(50, SetTrigger(1)).statuses[0]
    assert status.noise_counts == pytest.approx(2.0, rel=0.2)
    assert 11 <= status.trigger_level <= 17
    heard = at.go(3000)
    assert heard.strikes == []


def test_the_foot_switch(host) -> None:
    at, _ = host("strip16")
    got = []
    for ms in (200, 800):
        at.chip.tell("press 1")
        got += at.go(ms).records
        at.chip.tell("press 0")
        got += at.go(100).records
    assert all(isinstance(record, Button) for record in got)
    assert [button.action for button in got] == [ButtonAction.NEXT_CLUB, ButtonAction.TAKE_BACK]


def test_readings_from_the_chip(host) -> None:
    at, _ = host("strip16_readings")
    for x in (-25.0, 0.0, 12.5):
        play(at.chip, at.chip.run(0).time_us + 1000, Sweep(middle_mm=x))
        (reading,) = at.go(100).records
        assert isinstance(reading, Reading)
        assert reading.board_mm == pytest.approx(x, abs=0.7)


@pytest.mark.parametrize("board", BOARDS[:3])
def test_no_scan_is_missed_while_a_strike_is_kept_and_sent(host, board: str) -> None:
    """Scans of a strike follow each other without a gap, though the last strike is being sent."""
    at, hello = host(board)
    start = at.chip.run(0).time_us
    # As many as the store holds: a strike of this length takes longer to send than to the next.
    for number in range(2):
        play(at.chip, start + 1000 + 9000 * number, Sweep(middle_mm=0.0, contact_mm=70.0))
    heard = at.go(900, AskHello())
    assert heard.sequences == [0, 1]
    values = hello.rows * hello.cells
    for strike in heard.strikes:
        gaps = np.diff(strike.scan_ticks.astype(np.int64))
        assert gaps == pytest.approx(hello.scan_ticks * values / (values - 1), abs=4)


def test_slow_settling_shows_as_cells_leaking_into_the_next(chip, new_ear, say) -> None:
    """What the harness's settling model is for: 10 us is enough at 1 us, and not at 20 us."""
    leak = {}
    for tau_ns in (1000, 20_000):
        emulated = chip("strip16")
        emulated.tell(f"tau_ns {tau_ns}")
        at = Host(emulated, new_ear(), say)
        at.greet()
        counts = np.zeros((3, 1, 16))
        counts[1, 0, 6] = 600.0
        emulated.play(emulated.run(0).time_us + 2000, 1000.0, counts)
        (strike,) = at.go(100).strikes
        peak = strike.counts[:, 0, 6].astype(int).argmax()
        leak[tau_ns] = int(strike.counts[peak, 0, 7]) - 5
    assert leak[1000] <= 1
    assert leak[20_000] > 20


def test_a_missing_firmware_is_one_clear_line(emulator: Path, tmp_path: Path) -> None:
    from simulators.emulator.driver import EmulatedBoard, EmulatorError

    with pytest.raises(EmulatorError, match="cannot load the firmware"):
        EmulatedBoard(emulator, tmp_path / "none.elf")
