"""From a real port to strikes in SQLite, for every kind of link and every form of board."""

import itertools
import json
import shutil
import socket
import subprocess
import time

import pytest

USED = "SELECT COUNT(*) FROM contacts WHERE set_aside IS NULL"
RECORDS = "SELECT COUNT(*) FROM records"

# A strip without faults of its own, so that what is compared is the logger.
CLEAN = ("--cell-faults", "none", "--pace", "0.2", "--wait-for-host")


def script(tmp_path, events):
    file = tmp_path / "script.json"
    file.write_text(json.dumps({"events": events}))
    return ("--script", str(file))


def strikes(count, **more):
    return [
        {
            "club": "7i",
            "lie_error_deg": 0.4 * (i % 5 - 2),
            "c_mm": float(i % 3 - 1),
            "depth_mm": 1.5,
        }
        | more
        for i in range(count)
    ]


def compare(lieboard, board, within_mm):
    """Strikes on disk against those that were struck, in order."""
    seen = lieboard.rows(
        "SELECT board_mm FROM contacts WHERE kind = 'strike' ORDER BY struck_utc_ns"
    )
    struck = [t["c_mm"] + t["toe_mm"] for t in board.truth("strike")]
    assert len(seen) == len(struck)
    for (board_mm,), wanted_mm in zip(seen, struck, strict=True):
        assert board_mm == pytest.approx(wanted_mm, abs=within_mm)


@pytest.mark.parametrize("form", ["binary", "readings", "stream", "text"])
def test_each_form_over_a_pty(form, board, lieboard, stopping, tmp_path):
    simulated = board("--pty", "--form", form, *CLEAN, *script(tmp_path, strikes(6)))
    logging = lieboard.start("log", simulated.url)
    simulated.wait_until_done()
    lieboard.wait_for(USED, 6)
    out, err = stopping(logging)
    assert (logging.returncode, err) == (0, "")
    assert out.count("7i strike") == 6
    # Half a cell: a centroid of whole counts on 4 mm cells, and a patch cut off where the sole
    # ends is no longer even about its lowest point.
    compare(lieboard, simulated, within_mm=2.0)


def test_each_swing_is_timed_to_milliseconds(board, lieboard, stopping, tmp_path):
    simulated = board("--pty", "--ppm", "150", *CLEAN, *script(tmp_path, strikes(8)))
    logging = lieboard.start("log", simulated.url)
    simulated.wait_until_done()
    lieboard.wait_for(USED, 8)
    stopping(logging)
    times = [t for (t,) in lieboard.rows("SELECT struck_utc_ns FROM strikes ORDER BY 1")]
    gaps_ms = [(b - a) / 1e6 for a, b in itertools.pairwise(times)]
    assert gaps_ms == pytest.approx([200.0] * 7, abs=3.0)


def test_tcp(board, lieboard, stopping, tmp_path):
    simulated = board("--tcp", "0", *CLEAN, *script(tmp_path, strikes(5)))
    assert simulated.url.startswith("socket://")
    logging = lieboard.start("log", simulated.url)
    simulated.wait_until_done()
    lieboard.wait_for(USED, 5)
    stopping(logging)
    compare(lieboard, simulated, within_mm=2.0)


def test_ser2net_with_rfc2217(board, lieboard, stopping, tmp_path):
    ser2net = shutil.which("ser2net")
    assert ser2net, "install ser2net: this test runs the real one"
    simulated = board("--pty", *CLEAN, *script(tmp_path, strikes(5)))
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    config = tmp_path / "ser2net.yaml"
    config.write_text(
        "connection: &board\n"
        f"  accepter: telnet(rfc2217),tcp,127.0.0.1,{port}\n"
        f"  connector: serialdev,{simulated.url},115200n81,local\n"
    )
    with subprocess.Popen([ser2net, "-n", "-d", "-c", str(config)]) as server:
        try:
            wait_for_port(port)
            logging = lieboard.start("log", f"rfc2217://127.0.0.1:{port}?ign_set_control")
            simulated.wait_until_done()
            lieboard.wait_for(USED, 5)
            stopping(logging)
        finally:
            server.terminate()
    compare(lieboard, simulated, within_mm=2.0)


def wait_for_port(port):
    until = time.monotonic() + 10
    while time.monotonic() < until:
        try:
            socket.create_connection(("127.0.0.1", port), 0.5).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    pytest.fail(f"nothing listens on port {port}")


def test_the_foot_switch_steps_through_the_set_and_takes_back(board, lieboard, stopping, tmp_path):
    events = [
        *strikes(3),
        {"button": "back", "after_ms": 300},
        {"button": "next", "after_ms": 200},
        *strikes(2, club="4i"),
    ]
    simulated = board("--pty", *CLEAN, *script(tmp_path, events))
    logging = lieboard.start("log", simulated.url)
    simulated.wait_until_done()
    lieboard.wait_for("SELECT COUNT(*) FROM strikes", 5)
    stopping(logging)
    # Checking starts at the pivot; the next club is the first of the others.
    found = lieboard.rows("SELECT club, used, reason FROM strike_list ORDER BY struck_utc")
    assert [(club, used) for club, used, _ in found] == [
        ("7i", "yes"),
        ("7i", "yes"),
        ("7i", "no"),
        ("4i", "yes"),
        ("4i", "yes"),
    ]
    assert found[2][2].startswith("taken back (foot switch")


def test_what_is_no_strike_is_kept_with_its_reason(board, lieboard, stopping, tmp_path):
    events = [
        *strikes(4),
        {"kind": "waggle", "club": "7i", "depth_mm": 0.5, "speed_mm_per_ms": 1.0},
        {"kind": "rest", "club": "7i", "depth_mm": 0.6, "hold_ms": 600},
        {
            "kind": "foot",
            "c_mm": 0,
            "width_mm": 100,
            "depth_mm": 2,
            "hold_ms": 400,
            "after_ms": 900,
        },
        *strikes(1, after_ms=800),
    ]
    simulated = board("--pty", *CLEAN, *script(tmp_path, events))
    logging = lieboard.start("log", simulated.url)
    simulated.wait_until_done()
    lieboard.wait_for(USED, 5)
    lieboard.wait_for("SELECT COUNT(*) FROM strikes", 8)
    stopping(logging)
    kinds = lieboard.rows("SELECT kind, reason FROM strike_list ORDER BY struck_utc")
    assert [kind for kind, _ in kinds] == [
        *["strike"] * 4,
        "brush",
        "resting head",
        "foot",
        "strike",
    ]
    assert all((reason is None) == (kind == "strike") for kind, reason in kinds)


def test_a_left_hander_is_flipped_once(board, lieboard, stopping, tmp_path):
    simulated = board("--pty", "--left-handed", *CLEAN, *script(tmp_path, strikes(5, c_mm=0.0)))
    logging = lieboard.start("log", simulated.url, "--left")
    simulated.wait_until_done()
    lieboard.wait_for(USED, 5)
    stopping(logging)
    seen = lieboard.rows("SELECT toe_mm, board_mm FROM strikes ORDER BY struck_utc_ns")
    for (toe_mm, board_mm), truth in zip(seen, simulated.truth("strike"), strict=True):
        assert toe_mm == -board_mm
        assert toe_mm == pytest.approx(truth["toe_mm"], abs=2.0)


def test_a_capture_plays_back_to_the_same_strikes(board, lieboard, stopping, tmp_path):
    simulated = board("--pty", *CLEAN, *script(tmp_path, strikes(6)))
    file = tmp_path / "swings.capture"
    logging = lieboard.start("log", simulated.url, "--capture", str(file))
    simulated.wait_until_done()
    lieboard.wait_for(USED, 6)
    stopping(logging)
    columns = "SELECT kind, board_mm, trail_mm, load, span_us, first_sequence FROM strikes"
    live = lieboard.rows(columns + " ORDER BY struck_utc_ns")
    times = lieboard.rows("SELECT struck_utc_ns FROM strikes ORDER BY 1")
    lieboard.db.rename(tmp_path / "live.db")
    for ending in ("-wal", "-shm"):
        lieboard.db.with_name(lieboard.db.name + ending).unlink(missing_ok=True)
    imported = lieboard.run("set", "import", "examples/robin_ashdown.toml")
    assert imported.returncode == 0
    played = lieboard.run("log", f"capture:{file}")
    assert (played.returncode, played.stderr) == (0, "")
    assert lieboard.rows(columns + " ORDER BY struck_utc_ns") == live
    again = lieboard.rows("SELECT struck_utc_ns FROM strikes ORDER BY 1")
    for (then,), (now,) in zip(times, again, strict=True):
        assert now == pytest.approx(then, abs=5_000_000)
