"""``lieboard board check`` on boards with known faults, each a real process behind a real port."""

from __future__ import annotations

import json
import os
import re
import signal
import threading
import time
import tty

import numpy as np
import pytest

QUICK = ("--untouched", "1.5", "--rest", "4", "--press", "20")
NAMES = {"PASS", "LOOK", "FAIL"}


def check(lieboard, board, press, *options):
    """Run a check, press when it asks for it; return exit code and findings by item."""
    command = lieboard.start("board", "check", board.url, "--json", *(options or QUICK))
    # With --json what a person is told goes to standard error.
    deadline = time.monotonic() + 30
    while "Now press" not in command.said() and time.monotonic() < deadline:
        time.sleep(0.05)
    press()
    code, out, err = command.end()
    assert out, err
    told = json.loads(out)
    assert {f["verdict"] for f in told["findings"]} <= NAMES
    found: dict[str, list] = {}
    for finding in told["findings"]:
        found.setdefault(finding["item"], []).append(finding)
    return code, told, found, err


def test_a_good_board_passes_what_a_check_can_see(simulated, lieboard):
    board = simulated()
    code, told, found, _ = check(lieboard, board, board.sweep)
    assert code == 0
    assert told["verdict"] != "FAIL"
    passed = {item for item, list_ in found.items() if all(f["verdict"] == "PASS" for f in list_)}
    assert passed >= {
        "records untouched",
        "noise",
        "false triggers",
        "cells that answered",
        "wiring order",
        "scan rate",
        "uneven scans",
        "claimed noise",
        "lost records",
        "damaged frames",
    }
    # Standard deviation of a scan: 1.5 counts of noise and the rounding to whole ones, 1/12.
    assert found["noise"][0]["value"] == pytest.approx(np.sqrt(1.5**2 + 1 / 12), rel=0.1)
    # 32 samples of 2 us and a pause of 10 us.
    assert found["scan rate"][0]["value"] == pytest.approx(1e6 / 74, rel=0.01)
    assert abs(found["clock skew"][0]["value"] - 18) < 60


def test_the_trigger_is_put_back_also_when_the_check_is_broken_off(simulated, lieboard):
    board = simulated("--trigger", "37")
    command = lieboard.start("board", "check", board.url, "--untouched", "0.5", "--rest", "30")
    command.line("Still hands off")
    # Once noise begins records, the trigger is down.
    until = time.monotonic() + 25.0
    while lieboard.rows("SELECT COUNT(*) FROM records")[0][0] == 0:
        assert time.monotonic() < until, "the trigger was not lowered"
        time.sleep(0.1)
    command.process.send_signal(signal.SIGINT)
    code, _, err = command.end()
    assert code == 130, err
    lieboard.run("board", "check", board.url, "--untouched", "0", "--rest", "0", "--press", "0")
    ((hello,),) = lieboard.rows("SELECT hello FROM boots")
    assert json.loads(hello)["trigger_level"] == 37


def test_dead_stuck_and_silent_end_cells_are_named(simulated, lieboard):
    board = simulated("--cell-faults", "dead_cells=0+5+12+13,stuck_cells=20")
    # Far enough for several presses that are centred at the end: two that come as one are too few.
    code, told, found, _ = check(lieboard, board, lambda: board.sweep(reach_mm=76.0))
    assert code == 1
    assert told["verdict"] == "FAIL"
    assert [f["cell"] for f in found["dead cell"]] == [[0, 0], [0, 5], [0, 12], [0, 13]]
    assert [f["cell"] for f in found["stuck cell"]] == [[0, 20]]
    assert "weak cell" not in found
    ((accepted,),) = lieboard.rows("SELECT accepted FROM boards")
    assert accepted == 0


def test_a_trigger_in_the_noise_is_said_and_cells_are_checked_all_the_same(simulated, lieboard):
    board = simulated("--trigger", "4", "--cell-faults", "noise_counts=2,dead_cells=9")
    code, _, found, err = check(lieboard, board, board.sweep)
    assert code == 1
    assert found["records untouched"][0]["verdict"] == "FAIL"
    assert "the trigger (4 counts) lies in the noise" in found["records untouched"][0]["what_to_do"]
    assert found["false triggers"][0]["verdict"] == "FAIL"
    # Six standard deviations of the worst of 32 cells, sqrt(2^2 + 1/12) counts each: 12.1, and a
    # few counts more or less with how many scans there were to see it by.
    for words, text in (
        (r"set the trigger to (\d+)", found["false triggers"][0]["what_to_do"]),
        (r"for the presses the trigger goes up to (\d+)", err),
    ):
        assert 12 <= int(re.search(words, text)[1]) <= 16
    assert [f["cell"] for f in found["dead cell"]] == [[0, 9]]


def test_damaged_frames_are_counted(simulated, lieboard):
    board = simulated("--faults", "flip=0.0002")
    code, _, found, _ = check(lieboard, board, board.sweep)
    assert code == 1
    assert found["damaged frames"][0]["verdict"] == "FAIL"
    assert found["damaged frames"][0]["value"] > 1
    # The line is poor, but what it damaged was sent again.
    assert found["lost records"][0]["value"] == 0


@pytest.mark.parametrize("form", ["readings", "text", "bare-text"])
def test_a_board_that_shows_no_cells_is_told_what_was_not_seen(form, simulated, lieboard):
    board = simulated("--form", form)
    command = lieboard.start("board", "check", board.url, "--untouched", "0", "--press", "4")
    if form != "readings":
        # Nobody knows of a board that speaks text before it speaks.
        command.line("Nothing from the board yet. If it speaks text, press the strip once")
        board.strike()
    command.line("Now press")
    board.sweep(step_mm=16, pause_s=0.2)
    code, out, err = command.end()
    assert (code, err) == (0, "")
    assert "cannot be seen" in " ".join(out.split())
    assert "look at this" in out
    assert ("a checksum" in out) == (form == "bare-text")


def test_swapped_wires_show_in_presses_made_in_order(core, lieboard):
    board = core("strip16", noise_counts=0.4)
    order = np.arange(16)
    order[[4, 5]] = order[[5, 4]]
    middles_mm = (np.arange(16) - 7.5) * 7.0
    t = np.linspace(0, 1, 41)[:, None]

    def press() -> None:
        # A fingertip 20 mm wide, every 7 mm.
        for place_mm in middles_mm:
            shape = 120 * np.maximum(1 - ((middles_mm - place_mm) / 10) ** 2, 0)
            board.play((np.sin(np.pi * t) * shape[order])[:, None, :], 2_000_000, after_ms=30)
            time.sleep(0.25)

    code, _, found, _ = check(lieboard, board, press)
    assert code == 1
    named = {(tuple(f["cell"]), f["value"]) for f in found["crossed cell"]}
    assert named == {((0, 4), 5.0), ((0, 5), 4.0)}


def test_the_reference_firmware_keeps_its_trigger_clear_of_its_noise(core, lieboard):
    board = core("strip16", noise_counts=1.0)
    middles_mm = (np.arange(16) - 7.5) * 7.0
    t = np.linspace(0, 1, 41)[:, None]
    gain = np.ones(16)
    gain[9] = 0.3

    def press() -> None:
        # Sharp knocks of 4 ms.
        for place_mm in np.repeat(middles_mm, 2):
            shape = 150 * gain * np.maximum(1 - ((middles_mm - place_mm) / 25) ** 2, 0)
            board.play((np.sin(np.pi * t) * shape)[:, None, :], 100_000, after_ms=30)
            time.sleep(0.12)

    code, _, found, _ = check(lieboard, board, press)
    assert code == 0, found
    # Neither neighbour answers like it under anything smooth and wide.
    assert [(f["cell"], f["verdict"]) for f in found["weak cell"]] == [([0, 9], "LOOK")]
    # Six times the noise and one for rounding (firmware_notes/reference/strike.c).
    assert found["lowest trigger"][0]["value"] == pytest.approx(7.5, abs=1.0)
    # Three scans from before each knock are all there is, and they are enough.
    assert found["noise"][0]["value"] == pytest.approx(np.sqrt(1 + 1 / 12), rel=0.25)
    assert found["claimed noise"][0]["verdict"] == "PASS"
    # 16 conversions of 16 us.
    assert found["scan rate"][0]["value"] == pytest.approx(1e6 / 256, rel=0.02)


def test_what_a_session_left_on_the_board_goes_to_that_session(simulated, with_set, tmp_path):
    board = simulated("--no-wait-for-host")
    logging = with_set.start("log", board.url)
    logging.line("session 1")
    # Greeted, so that what is struck now is struck in this session.
    time.sleep(1.0)
    for _ in range(2):
        board.strike()
        logging.line("7i strike")
        # No player swings again sooner.
        time.sleep(0.3)
    logging.process.terminate()
    logging.end()
    board.strike(c_mm=6.0)
    time.sleep(0.3)
    code, out, _ = with_set.run("board", "check", board.url, "--untouched", "0", "--rest", "0",
                                "--press", "1")  # fmt: skip
    assert code == 0, out
    assert "still held 1 records from before" in out
    assert with_set.rows("SELECT COUNT(*) FROM records WHERE session = 1") == [(3,)]


def test_a_port_that_is_not_there_is_one_line(lieboard, tmp_path):
    code, out, err = lieboard.run("board", "check", str(tmp_path / "no-such-port"))
    assert (code, out) == (3, "")
    assert err.count("\n") == 1
    assert "no-such-port" in err


class Sketch:
    """Somebody's first sketch at a port: prints what it is told to."""

    def __init__(self):
        self._board, self._port = os.openpty()
        tty.setraw(self._port)
        self.url = os.ttyname(self._port)
        self._over = threading.Event()
        self._threads = []

    def print_often(self, lines, every_s):
        """Print the lines one after the other, again and again."""

        def run():
            number = 0
            while not self._over.wait(every_s):
                os.write(self._board, lines(number))
                number += 1

        self._threads.append(threading.Thread(target=run))
        self._threads[-1].start()

    def close(self):
        self._over.set()
        for thread in self._threads:
            thread.join()
        os.close(self._board)
        os.close(self._port)


@pytest.fixture
def sketch():
    made = Sketch()
    yield made
    made.close()


def test_a_sketch_that_sends_milliseconds_and_prints_seldom_is_told_so(sketch, lieboard):
    def line(number):
        # Three presses of half a second, at 20 Hz, and a pause.
        pressed = number % 20 < 10
        t_ms = int(time.monotonic() * 1000) % 2**32
        return b"LB1 n=%d t=%d x=3.5 p=100\n" % (number, t_ms) if pressed else b""

    sketch.print_often(line, 0.05)
    code, out, err = lieboard.run("board", "check", sketch.url, "--json", "--untouched", "0",
                                  "--press", "6", "--accept")  # fmt: skip
    assert code == 1, err
    found = {f["item"]: f for f in json.loads(out)["findings"]}
    assert found["tick rate"]["verdict"] == "FAIL"
    assert "1000 times too slow: millis() sent for micros()?" in found["tick rate"]["what_to_do"]
    assert "One press comes apart" in found["time between lines"]["what_to_do"]


def test_lines_that_end_with_cr_alone_are_named(sketch, lieboard):
    sketch.print_often(lambda n: b"LB1 n=%d x=3.5\r" % n, 0.02)
    code, _, err = lieboard.run("board", "check", sketch.url, "--accept")
    assert code == 3
    assert err.count("\n") == 1
    assert "lines end with CR alone: end them with LF" in err


@pytest.mark.parametrize("board_id", [bytes(8), b"\xff" * 8])
def test_a_board_without_an_id_of_its_own_is_refused(core, lieboard, board_id):
    board = core("strip16", board_id=board_id)
    code, _, err = lieboard.run("board", "check", board.url, "--accept")
    assert code == 3
    assert err.count("\n") == 1
    assert f"calls itself {board_id.hex()}, which is no id" in err
    assert lieboard.rows("SELECT COUNT(*) FROM boards") == [(0,)]


def test_a_board_that_was_never_used_is_agreed_to_there_and_then(core, lieboard):
    board = core("strip16", board_id=bytes.fromhex("0123456789abcdef"))
    quick = ("--untouched", "0", "--rest", "0", "--press", "0")
    code, _, err = lieboard.run("board", "check", board.url, *quick)
    assert code == 3
    assert "was never used with this data file" in err
    code, _, err = lieboard.run("board", "check", board.url, *quick, "--accept")
    assert (code, err) == (0, "")
    # And from then on without a word.
    code, _, err = lieboard.run("board", "check", board.url, *quick)
    assert (code, err) == (0, "")


def test_one_slip_of_a_hand_does_not_cost_the_check(simulated, lieboard):
    board = simulated("--no-wait-for-host")
    command = lieboard.start("board", "check", board.url, "--untouched", "3", "--rest", "0",
                             "--press", "0")  # fmt: skip
    command.line("Hands off the board")
    board.strike()
    command.line("1 record came: did something touch it? Once more")
    code, out, err = command.end()
    assert (code, err) == (0, "")
    (line,) = [line for line in out.splitlines() if "records untouched" in line]
    assert "pass" in line
