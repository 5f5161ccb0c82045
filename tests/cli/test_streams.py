"""Streams, names and files as a program may find them: one line, and never a traceback."""

import os
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from simulators.own_process import BoardProcess

if sys.platform == "win32":
    pytest.skip("streams of POSIX", allow_module_level=True)

EXAMPLE = Path(__file__).parents[2] / "examples" / "robin_ashdown.toml"


@pytest.fixture
def run(tmp_path):
    """Run the command as a process of its own, on a data file with the example set and a mark."""
    db = tmp_path / "lies.db"
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "LC_", "LANG"))}

    def command(*arguments, env=(), **options):
        given = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "timeout": 60} | options
        return subprocess.run(
            [sys.executable, "-m", "logger", *arguments],
            env={**clean, "LIEBOARD_DB": str(db), **dict(env)}, text=True, cwd=tmp_path, **given,
        )  # fmt: skip

    command.db = db
    command.environment = {**clean, "LIEBOARD_DB": str(db)}
    assert command("set", "import", str(EXAMPLE)).returncode == 0
    for toe in ("2", "3", "2.5"):
        assert command("mark", "7i", toe).returncode == 0
    return command


def one_line(done):
    assert "Traceback" not in done.stderr, done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert done.stderr.startswith("lieboard: ")


COMMANDS = [("sessions",), ("--help",), ("strikes", "--json")]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_standard_output_on_a_full_disk(run, command):
    with Path("/dev/full").open("w") as full:
        done = run(*command, stdout=full)
    assert done.returncode == 1
    one_line(done)
    assert "No space left" in done.stderr


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_standard_output_is_closed(run, command):
    before = run.db.read_bytes()
    done = run(*command, preexec_fn=lambda: os.close(1), stdout=None)
    assert done.returncode == 1
    one_line(done)
    # Nothing that was printed went into a file that was opened under the stream's number.
    assert run.db.read_bytes() == before


@pytest.mark.parametrize("command", [("sessions",), ("sheet",), ("gradation",)], ids=" ".join)
def test_a_terminal_that_shows_nothing_but_ascii(run, command):
    done = run(*command, env={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}.items())
    assert "Traceback" not in done.stderr
    assert done.stdout.isascii()


@pytest.mark.parametrize("command", [("sessions",), ("mark", "7i", "1")], ids=" ".join)
@pytest.mark.parametrize(
    ("name", "words"), [("x" * 300, "too long"), (":memory:", "name a file"), ("pipe", "a device")]
)
def test_a_data_file_that_cannot_be(run, tmp_path, command, name, words):
    os.mkfifo(tmp_path / "pipe")
    done = run(*command, "--db", name)
    assert done.returncode == 4
    one_line(done)
    assert words in done.stderr


def test_only_files_are_replaced(run, tmp_path):
    pipe = tmp_path / "pipe.html"
    os.mkfifo(pipe)
    for command in (("backup", str(pipe), "--overwrite"), ("report", "-o", str(pipe))):
        done = run(*command)
        assert done.returncode in (2, 4)
        one_line(done)
        assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_files_are_made_for_their_owner_unless_asked(run, tmp_path):
    def mode(path):
        return path.stat().st_mode & 0o777

    assert run("backup", "b.db").returncode == 0
    assert run("report", "-o", "r.html", "--csv", "r.csv").returncode == 0
    made = [run.db, *(tmp_path / name for name in ("b.db", "r.html", "r.csv"))]
    assert {mode(path) for path in made} == {0o600}
    assert run("backup", "c.db", env={"LIEBOARD_UMASK": "027"}.items()).returncode == 0
    assert mode(tmp_path / "c.db") == 0o640


@pytest.mark.parametrize("command", [("log", "BOARD", "--accept"), ("sim",), ("watch",)])
def test_a_terminal_that_was_closed_ends_it_with_a_word(run, command, tmp_path):
    board = BoardProcess("--pty", truth=tmp_path / "truth.jsonl")
    try:
        arguments = [board.url if each == "BOARD" else each for each in command]
        process = subprocess.Popen(
            [sys.executable, "-m", "logger", *arguments], text=True,
            env={**run.environment, "PYTHONUNBUFFERED": "1"},
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        # It says something once it runs.
        said = process.stdout.readline()
        time.sleep(0.5)
        process.send_signal(signal.SIGHUP)
        out, err = process.communicate(timeout=30)
    finally:
        board.close()
    assert process.returncode >= 0
    assert "Traceback" not in err
    assert said
    if command[0] == "log":
        assert "stopped; the session stays open" in out


def test_a_second_logger_on_a_port_is_told_who_has_it(run, tmp_path):
    board = BoardProcess("--pty", truth=tmp_path / "truth.jsonl")
    first = subprocess.Popen(
        [sys.executable, "-m", "logger", "log", board.url, "--accept"], text=True,
        env={**run.environment, "PYTHONUNBUFFERED": "1"},
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        first.stdout.readline()
        time.sleep(2.0)
        done = run("log", board.url, "--accept")
        assert done.returncode == 3
        one_line(done)
        assert f"(pid {first.pid})" in done.stderr
    finally:
        first.send_signal(signal.SIGINT)
        first.communicate(timeout=30)
        board.close()
