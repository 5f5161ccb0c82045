"""Faults while logging: nothing that a board still holds is lost, nothing is there twice."""

import contextlib
import json
import os
import signal
import sqlite3
import threading
import time

import pytest

USED = "SELECT COUNT(*) FROM contacts WHERE set_aside IS NULL"
CLEAN = ("--cell-faults", "none", "--only-strikes", "--clubs", "7i", "--no-next-switch")


def sequences(lieboard):
    """Sequence numbers on disk, boot by boot."""
    found: dict[int, list[int]] = {}
    for boot, sequence in lieboard.rows("SELECT boot, sequence FROM records ORDER BY id"):
        found.setdefault(boot, []).append(sequence)
    return found


def all_there_once(lieboard, boards_truth):
    for numbers in sequences(lieboard).values():
        assert sorted(numbers) == list(range(len(numbers)))
    assert lieboard.rows("PRAGMA integrity_check") == [("ok",)]
    assert lieboard.rows(USED) == [(len(boards_truth),)]


def test_a_line_that_drops_loses_nothing(board, lieboard, stopping):
    simulated = board("--tcp", "0", "--pace", "0.25", "--strikes-per-club", "16", *CLEAN)
    logging = lieboard.start("log", simulated.url)
    lieboard.wait_for(USED, 2)
    for _ in range(3):
        simulated.ask("drop 0.4")
        time.sleep(1.0)
    simulated.wait_until_done()
    lieboard.wait_for(USED, 16)
    out, _ = stopping(logging)
    assert logging.returncode == 0, out
    all_there_once(lieboard, simulated.truth("strike"))


def test_late_strikes_stand_under_the_club_that_was_up(board, lieboard, stopping, tmp_path):
    """While the line is down the player changes clubs; all of it comes later."""
    events = [
        {"club": "7i", "depth_mm": 2.0},
        {"club": "7i", "depth_mm": 2.0, "after_ms": 1500},
        {"button": "next", "after_ms": 300},
        {"club": "4i", "depth_mm": 2.0, "after_ms": 300},
        {"club": "4i", "depth_mm": 2.0, "after_ms": 2500},
    ]
    file = tmp_path / "script.json"
    file.write_text(json.dumps({"events": events}))
    simulated = board("--tcp", "0", "--pace", "0.3", "--script", str(file), "--cell-faults", "none")
    logging = lieboard.start("log", simulated.url)
    lieboard.wait_for(USED, 1)
    simulated.ask("drop 2.5")
    lieboard.wait_for(USED, 4)
    stopping(logging)
    found = lieboard.rows("SELECT club FROM strike_list ORDER BY struck_utc")
    assert [club for (club,) in found] == ["7i", "7i", "4i", "4i"]
    times = [t for (t,) in lieboard.rows("SELECT struck_utc_ns FROM strikes ORDER BY 1")]
    # Struck when they were struck, not when they came.
    assert (times[1] - times[0]) / 1e9 == pytest.approx(1.5, abs=0.02)
    assert (times[2] - times[1]) / 1e9 == pytest.approx(0.6, abs=0.02)


def test_a_logger_killed_again_and_again_goes_on(board, lieboard, stopping):
    simulated = board("--tcp", "0", "--pace", "0.3", "--strikes-per-club", "14", *CLEAN)
    for alive_s in (1.6, 1.9, 1.4):
        logging = lieboard.start("log", simulated.url, "--wait")
        time.sleep(alive_s)
        logging.send_signal(signal.SIGKILL)
        logging.communicate()
    logging = lieboard.start("log", simulated.url, "--wait")
    simulated.wait_until_done()
    lieboard.wait_for(USED, 14)
    stopping(logging)
    all_there_once(lieboard, simulated.truth("strike"))
    # It is one session, gone on with.
    assert lieboard.rows("SELECT COUNT(*) FROM sessions") == [(1,)]


def test_a_board_that_restarts_is_a_new_boot_and_loses_nothing_sent(board, lieboard, stopping):
    simulated = board("--pty", "--pace", "0.3", "--strikes-per-club", "10", *CLEAN)
    logging = lieboard.start("log", simulated.url)
    lieboard.wait_for(USED, 3)
    simulated.ask("restart cold")
    simulated.wait_until_done()
    recorded = [t for t in simulated.truth("strike") if t["sequence"] is not None]
    lieboard.wait_for(USED, len(recorded))
    stopping(logging)
    assert lieboard.rows("SELECT COUNT(*) FROM boots") == [(2,)]
    for numbers in sequences(lieboard).values():
        assert sorted(numbers) == list(range(len(numbers)))


def test_what_the_board_had_to_drop_is_counted_under_its_club(board, lieboard, stopping):
    simulated = board(
        "--tcp", "0", "--pace", "0.25", "--strikes-per-club", "16", "--capacity", "3", *CLEAN
    )
    logging = lieboard.start("log", simulated.url)
    lieboard.wait_for(USED, 2)
    simulated.ask("drop 2.5")
    simulated.wait_until_done()
    lieboard.wait_for("SELECT (SELECT COUNT(*) FROM records) + (SELECT SUM(count) FROM losses)", 16)
    out, _ = stopping(logging)
    lost = lieboard.rows("SELECT club, lost FROM club_summary")
    (total,) = lieboard.rows("SELECT SUM(count) FROM losses")[0]
    assert total >= 1
    assert lost == [("7i", total)]
    assert "lost: the board's memory was full" in out


@pytest.mark.parametrize(
    "faults",
    ["split=7", "flip=0.002", "lose=0.001,double=0.001", "garbage=0.05", "delay=20,jitter=60"],
)
def test_a_bad_line_loses_nothing(faults, board, lieboard, stopping):
    simulated = board(
        "--pty", "--faults", faults, "--pace", "0.3", "--strikes-per-club", "8", *CLEAN
    )
    logging = lieboard.start("log", simulated.url)
    simulated.wait_until_done()
    lieboard.wait_for(USED, 8)
    stopping(logging)
    all_there_once(lieboard, simulated.truth("strike"))


def chatter(stop, master, data):
    while not stop.is_set():
        with contextlib.suppress(BlockingIOError):
            os.write(master, data)
        time.sleep(0.02)


@pytest.mark.parametrize(
    "data",
    [b"$GPTXT,01,01,02,not a lie board*00\r\n", bytes(range(1, 200)), b"\xff\xfe\x00\x80" * 20],
    ids=["text of another device", "a wrong baud rate", "noise"],
)
def test_a_port_that_speaks_something_else_is_refused_in_one_line(data, lieboard):
    master, slave = os.openpty()
    os.set_blocking(master, False)
    stop = threading.Event()
    talker = threading.Thread(target=chatter, args=(stop, master, data))
    talker.start()
    try:
        done = lieboard.run("log", os.ttyname(slave))
    finally:
        stop.set()
        talker.join()
        os.close(slave)
        os.close(master)
    assert done.returncode == 3
    assert done.stderr.count("\n") == 1
    assert "none is lie-board protocol 1" in done.stderr
    assert "--baud" in done.stderr


def test_a_newer_protocol_is_refused_in_one_line(lieboard):
    master, slave = os.openpty()
    os.set_blocking(master, False)
    stop = threading.Event()
    talker = threading.Thread(target=chatter, args=(stop, master, b"LB2 x=1\n"))
    talker.start()
    try:
        done = lieboard.run("log", os.ttyname(slave))
    finally:
        stop.set()
        talker.join()
        os.close(slave)
        os.close(master)
    assert (done.returncode, done.stderr.count("\n")) == (3, 1)
    assert "protocol 2" in done.stderr


def test_the_data_file_locked_by_another_program_ends_logging_and_keeps_the_strikes(
    board, lieboard
):
    simulated = board("--tcp", "0", "--pace", "0.5", "--strikes-per-club", "12", *CLEAN)
    logging = lieboard.start("log", simulated.url)
    lieboard.wait_for(f"SELECT ({USED}) >= 2", 1)
    other = sqlite3.connect(lieboard.db, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        _, err = logging.communicate(timeout=30)
    finally:
        other.execute("ROLLBACK")
        other.close()
    assert logging.returncode == 4
    assert err.count("\n") == 1
    assert "Traceback" not in err
    # The board kept what was not confirmed: the next run fetches it.
    logging = lieboard.start("log", simulated.url)
    simulated.wait_until_done()
    lieboard.wait_for(USED, 12)
    logging.send_signal(signal.SIGINT)
    logging.communicate(timeout=20)
    all_there_once(lieboard, simulated.truth("strike"))


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("log", "/dev/no-such-port"), 3, "no-such-port"),
        (("log", "carrier-pigeon://roof"), 2, "carrier-pigeon"),
        (("log", "socket://127.0.0.1:1"), 3, "127.0.0.1:1"),
        (("log", "/dev/null", "--club", "11i"), 2, "11i"),
        (("log", "/dev/null", "--player", "Nobody"), 4, "Nobody"),
        (("log", "/dev/null", "--stance", "9999"), 2, "--stance"),
        (("mark", "7i", "nan"), 2, "nan"),
        (("mark", "7i", "620"), 2, "620"),
        (("mark", "7i", "4", "3x"), 2, "3x"),
        (("mark", "2w", "4"), 2, "2w"),
        (("mark", "7i", "4", "--u", "-1"), 2, "--u"),
        (("sheet",), 2, "no session yet"),
        (("sheet", "--session", "99"), 4, "99"),
        (("sheet", "--increment", "0"), 2, "--increment"),
        (("set", "import", "no-such-file.toml"), 2, "no-such-file.toml"),
        (("log", "capture:no-such-file"), 4, "no-such-file"),
    ],
)
def test_bad_input_is_one_clear_line(arguments, code, words, lieboard):
    done = lieboard.run(*arguments)
    assert done.returncode == code, done.stderr
    assert words in done.stderr
    assert done.stderr.startswith("lieboard: ")
    assert done.stderr.count("\n") == 1


def test_marks_go_down_the_same_path(lieboard):
    for toe in ("6t", "5t", "7,5t", "4t", "6.5"):
        stance = () if toe != "6t" else ("--stance", "0")
        assert lieboard.run("mark", "7i", toe, "1l", *stance).returncode == 0
    table = lieboard.run("clubs").stdout
    assert "toe-deep" in table
    assert "Level resolved by: marks" in table
    sheet = lieboard.run("sheet").stdout
    assert "upright" in sheet
    assert "eye protection" in sheet


def test_a_bend_is_kept_and_counts_against_the_head(lieboard):
    assert lieboard.run("mark", "7i", "-12", "--stance", "0").returncode == 0
    for toe in ("-13", "-12.5", "-11", "-12"):
        assert lieboard.run("mark", "7i", toe).returncode == 0
    assert "Bend 0.5° flat" in lieboard.run("sheet", "--why", "7i").stdout
    done = lieboard.run("bent", "7i", "62", "60", "--planned", "-2")
    assert (done.returncode, done.stderr) == (0, "")
    assert "bent 2° in all" in done.stdout
    # The strikes are older than the bend: what they said is taken on by it.
    assert "7i was bent -2° after it was hit here" in lieboard.run("sheet").stdout
    # Hit again, only what came after the bend counts.
    for toe in ("-11", "-12", "-11.5", "-12", "-11"):
        assert lieboard.run("mark", "7i", toe).returncode == 0
    table = lieboard.run("clubs").stdout
    assert [line.split()[1] for line in table.splitlines() if line.startswith("7i ")] == ["5"]
    # Two degrees are all that a soft head takes: common practice, no source.
    assert "head has 0° left to bend" in lieboard.run("sheet", "--why", "7i").stdout
    assert lieboard.rows("SELECT lie_deg FROM club_specs WHERE source = 'bend'") == [(60.0,)]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(("7i", "615", "60"), "615"), (("7i", "62", "52"), "-10"), (("2w", "62", "61"), "2w")],
)
def test_a_bend_that_cannot_be(arguments, words, lieboard):
    done = lieboard.run("bent", *arguments)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert words in done.stderr
