"""A real process behind a real pseudo-terminal or TCP port, read with plain system calls."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
SCRIPT = {
    "clubs": {"7i": {"camber_mm": 300, "length_mm": 78}},
    "events": [
        {"club": "7i", "lie_error_deg": 1.0, "c_mm": 3.0, "depth_mm": 1.2},
        {"club": "7i", "lie_error_deg": -1.0, "c_mm": 0.0, "depth_mm": 1.2},
        {"button": "next"},
    ],
}


class Run:
    """A simulator process and one line to it."""

    def __init__(self, *arguments):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "simulators", *arguments], cwd=ROOT,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.url = self.line()["url"]
        self.got = b""

    def line(self):
        return json.loads(self.process.stdout.readline())

    def request(self, text):
        self.process.stdin.write(text + "\n")
        self.process.stdin.flush()

    @contextlib.contextmanager
    def connected(self):
        """Descriptor of an open line; the bytes of the last one are forgotten."""
        self.got = b""
        if self.url.startswith("socket://"):
            host, port = self.url.removeprefix("socket://").split(":")
            with socket.create_connection((host, int(port)), timeout=10) as line:
                yield line.fileno()
        else:
            line = os.open(self.url, os.O_RDWR | os.O_NOCTTY)
            try:
                yield line
            finally:
                os.close(line)

    def read_until(self, fd, enough, limit_s=20.0):
        """Read until `enough(bytes so far)`; False at the end of the line or of patience."""
        end = time.monotonic() + limit_s
        while not enough(self.got):
            if not select.select([fd], [], [], max(0.0, end - time.monotonic()))[0]:
                return False
            try:
                data = os.read(fd, 65536)
            except OSError:
                data = b""
            if not data:
                return False
            self.got += data
        return True

    def close(self):
        self.process.stdin.close()
        self.process.stdout.close()
        if self.process.poll() is None:
            self.process.terminate()
        self.process.wait(10)


@pytest.fixture
def start():
    runs = []

    def make(*arguments):
        runs.append(Run(*map(str, arguments)))
        return runs[-1]

    yield make
    for run in runs:
        run.close()


@pytest.fixture
def script(tmp_path):
    path = tmp_path / "script.json"
    path.write_text(json.dumps(SCRIPT))
    return path


def frames(host, data):
    """Complete frames so far."""
    whole, _, _ = data.rpartition(b"\0")
    return host.read(whole + b"\0") if whole else []


def count(host, kind):
    def counted(data):
        return sum(h.kind == kind and h.fields.get("part", 0) == 0 for h in frames(host, data))

    return counted


@pytest.mark.parametrize("line", [("--pty",), ("--tcp", "0")])
def test_scripted_strikes_arrive_with_their_truth(start, host, script, tmp_path, line):
    truth = tmp_path / "truth.jsonl"
    run = start(*line, "--script", script, "--pace", "0.1", "--truth", truth, "--boot", "5",
                "--cell-faults", "none", "--scan-order", "2")  # fmt: skip
    with run.connected() as fd:
        # Nothing swings before the hello.
        assert not run.read_until(fd, lambda got: count(host, "strike")(got) > 0, 0.4)
        os.write(fd, host.ask_hello() + host.ask_clock(99))
        assert run.read_until(fd, lambda got: count(host, "button")(got) == 1)
    heard = frames(host, run.got)
    assert run.line() == {"done": True}
    assert next(h for h in heard if h.kind == "hello")["boot_id"] == 5
    reply = next(h for h in heard if h.kind == "clock reply")
    assert reply["token"] == 99
    assert 0 <= reply["sent_ticks"] - reply["received_ticks"] < 50_000

    lines = [json.loads(text) for text in truth.read_text().splitlines()]
    assert [(t["kind"], t.get("sequence")) for t in lines] == [
        ("scene", None), ("strike", 0), ("strike", 1), ("button", 2),
    ]  # fmt: skip
    for sequence in (0, 1):
        parts = [h for h in heard if h.kind == "strike" and h["sequence"] == sequence]
        counts = np.concatenate([p["counts"] for p in parts]).astype(float)
        load = np.maximum(counts - 60, 0).sum(axis=(0, 1))
        load[load < load.max() / 50] = 0
        middles = (np.arange(32) - 15.5) * 4
        # Johnson 4.3: the centroid of a whole patch is its lowest point; 5.24 mm for a degree.
        expected = (3 - 5.24, 5.24)[sequence]
        assert (load * middles).sum() / load.sum() == pytest.approx(expected, abs=0.3)
        assert lines[1 + sequence]["board_mm"] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("line", [("--pty",), ("--tcp", "0")])
def test_records_wait_while_nobody_is_there_and_drops_are_real(start, host, line):
    run = start(*line, "--noise-only", "--stdin", "--boot", "1", "--cell-faults", "none")
    with run.connected() as fd:
        os.write(fd, host.ask_hello())
        assert run.read_until(fd, lambda got: count(host, "hello")(got) == 1)
        run.request('strike {"club": "7i"}')
        assert run.read_until(fd, lambda got: count(host, "strike")(got) == 1)
        run.request("drop 0.2")
        # The end of the line, and not a silence.
        assert not run.read_until(fd, lambda got: False)
    run.request('strike {"club": "7i"}')
    for _ in range(1000):
        try:
            with run.connected() as fd:
                os.write(fd, host.ask_hello())
                if run.read_until(fd, lambda got: count(host, "hello")(got) == 1):
                    hello = frames(host, run.got)[-1]
                    os.write(fd, host.send_again(1, 1))
                    assert run.read_until(fd, lambda got: count(host, "strike")(got) == 1)
                    break
        except OSError:
            select.select([], [], [], 0.01)
    assert (hello["boot_id"], hello["oldest_kept"], hello["next_sequence"]) == (1, 0, 2)
    assert next(h for h in frames(host, run.got) if h.kind == "strike")["sequence"] == 1
    # Closed by the host and opened again: the same boot, nothing stale in between.
    with run.connected() as fd:
        os.write(fd, host.ask_hello())
        assert run.read_until(fd, lambda got: len(frames(host, got)) >= 1)
    assert {h.kind for h in frames(host, run.got)} <= {"hello", "status"}
    run.request("restart cold")
    with run.connected() as fd:
        os.write(fd, host.ask_hello())
        # The question may come before the restart or after it.
        assert run.read_until(
            fd, lambda got: any(h.fields.get("boot_id") == 2 for h in frames(host, got))
        )


def test_second_tcp_host_is_turned_away(start, host):
    run = start("--tcp", 0, "--noise-only")
    with run.connected() as first:
        os.write(first, host.ask_hello())
        assert run.read_until(first, lambda got: count(host, "hello")(got) == 1)
        with run.connected() as second:
            assert not run.read_until(second, lambda got: False, 10)
        os.write(first, host.ask_clock(3))
        assert run.read_until(first, lambda got: count(host, "clock reply")(got) == 1)


def test_player_with_a_text_board_and_a_quick_pace(start):
    run = start("--form", "text", "--pace", 0.15, "--strikes-per-club", 2, "--clubs", "7i,8i",
                "--only-strikes", "--seed", 2)  # fmt: skip
    with run.connected() as fd:
        assert run.read_until(fd, lambda got: got.count(b"\n") >= 5, 30)
    lines = run.got.decode("ascii").splitlines()
    kinds = Counter("k" if " k=" in line else "x" for line in lines)
    assert kinds == {"x": 4, "k": 1}
    ticks = [int(line.split(" t=")[1].split()[0]) for line in lines if " k=" not in line]
    # True microseconds at the pace asked for.
    assert np.diff(ticks)[0] == pytest.approx(150_000, abs=4000)


def test_it_ends_when_the_player_is_through(start):
    run = start("--form", "text", "--pace", 0.1, "--strikes-per-club", 1, "--clubs", "7i",
                "--only-strikes", "--end", "exit")  # fmt: skip
    with run.connected() as fd:
        assert not run.read_until(fd, lambda got: False, 30)
    assert run.process.wait(10) == 0


def test_a_raw_line_changes_no_byte(start, host):
    # Every byte value comes through: the counts of a strike hold LF, CR, XON and the rest.
    run = start("--pace", 0.1, "--strikes-per-club", 30, "--clubs", "7i", "--only-strikes",
                "--cells", 64, "--seed", 4)  # fmt: skip
    with run.connected() as fd:
        os.write(fd, host.ask_hello())
        assert run.read_until(fd, lambda got: count(host, "strike")(got) >= 25)
    # Some 3000 loaded values, their low bytes as good as random.
    assert {3, 4, 10, 13, 17, 19, 26, 28, 127, 255} <= set(run.got)
    # Reading them asserts each CRC.
    assert sum(h.kind == "strike" for h in frames(host, run.got)) >= 75


def test_faults_on_the_line_leave_a_later_hello_readable(start, host):
    run = start("--tcp", 0, "--noise-only", "--faults", "garbage=1,split=5,delay=3,jitter=2")
    with run.connected() as fd:
        for _ in range(20):
            os.write(fd, b"\0" + host.ask_hello())
        assert run.read_until(fd, lambda got: got.count(b"simulated") >= 5)


@pytest.mark.parametrize("how", ["SIGTERM", "SIGINT", "stdin", "parent", "quit"])
def test_it_ends_cleanly(start, how):
    parent = subprocess.Popen(["sleep", "60"])
    options = {"stdin": ["--stdin"], "quit": ["--stdin"], "parent": ["--parent-pid", parent.pid]}
    run = start("--noise-only", *options.get(how, []))
    folder = Path(run.url).parent
    assert Path(run.url).is_char_device()
    if how.startswith("SIG"):
        run.process.send_signal(getattr(signal, how))
    elif how == "stdin":
        run.process.stdin.close()
    elif how == "quit":
        run.request("quit")
    parent.kill()
    parent.wait(10)
    assert run.process.wait(10) == 0
    assert not folder.exists()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--clubs", "2i"], "no club '2i'"),
        (["--faults", "fly=1"], "fly=1"),
        (["--cells", "65"], "1 to 64 cells"),
        (["--cell-faults", "dead_cells=40"], "no cell 40"),
        (["--cell-faults", "colour=red"], "no 'colour'"),
        (["--pace", "0"], "--pace"),
        (["--script", "nowhere.json"], "nowhere.json"),
        (["--stdin"], "pipe"),
    ],
)
def test_usage_errors_are_one_line_and_code_2(arguments, says):
    done = subprocess.run([sys.executable, "-m", "simulators", *arguments], cwd=ROOT, text=True,
                          stdin=subprocess.DEVNULL, capture_output=True, check=False)  # fmt: skip
    assert done.returncode == 2
    assert says in done.stderr.splitlines()[-1]


def test_a_taken_port_is_told(start):
    run = start("--tcp", 0, "--noise-only")
    port = run.url.rpartition(":")[2]
    done = subprocess.run([sys.executable, "-m", "simulators", "--tcp", port], cwd=ROOT, text=True,
                          stdin=subprocess.DEVNULL, capture_output=True, check=False)  # fmt: skip
    assert done.returncode == 1
    assert port in done.stderr
