"""Real processes: a simulated board behind a real port, and the logger as a person runs it."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

EXAMPLE_SET = Path(__file__).parents[2] / "examples" / "robin_ashdown.toml"


class SimulatedBoard:
    """``python -m simulators`` in a process of its own."""

    def __init__(self, truth_file: Path, *options: str) -> None:
        self._truth_file = truth_file
        command = [sys.executable, "-m", "simulators", "--stdin", "--truth", str(truth_file)]
        self._process = subprocess.Popen(
            [*command, *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.url: str = self.line()["url"]

    def line(self, within_s: float = 20.0) -> dict[str, Any]:
        """Next line that the board prints."""
        assert self._process.stdout is not None
        ready, _, _ = select.select([self._process.stdout], [], [], within_s)
        assert ready, f"the board said nothing for {within_s} s"
        return json.loads(self._process.stdout.readline())

    def wait_until_done(self, within_s: float = 30.0) -> None:
        assert self.line(within_s) == {"done": True}

    def ask(self, request: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(request + "\n")
        self._process.stdin.flush()

    def truth(self, kind: str | None = None) -> list[dict[str, Any]]:
        """What really happened, oldest first."""
        lines = [json.loads(line) for line in self._truth_file.read_text().splitlines()]
        return [t for t in lines if t["kind"] != "scene" and kind in (None, t["kind"])]

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.close()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process.stdout.close()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Callable[..., SimulatedBoard]]:
    """Start simulated boards; they end with the test."""
    boards: list[SimulatedBoard] = []

    def start(*options: str) -> SimulatedBoard:
        boards.append(SimulatedBoard(tmp_path / f"truth{len(boards)}.jsonl", *options))
        return boards[-1]

    yield start
    for one in boards:
        one.close()


def _accepted(arguments: tuple[str, ...]) -> tuple[str, ...]:
    """Every board of these tests is the fitter's."""
    return (*arguments, "--accept") if arguments[0] == "log" else arguments


class Lieboard:
    """The command ``lieboard`` on a data file of its own."""

    def __init__(self, folder: Path, commands: Any) -> None:
        self.db = folder / "data.db"
        self._commands = commands
        self._environment = {**os.environ, "LIEBOARD_DB": str(self.db), "NO_COLOR": "1"}
        self._running: list[subprocess.Popen[str]] = []

    def run(self, *arguments: str, within_s: float = 60.0) -> subprocess.CompletedProcess[str]:
        """Run a command to its end."""
        return self._commands.run(
            *_accepted(arguments), environment=self._environment, within_s=within_s
        )

    def start(self, *arguments: str) -> subprocess.Popen[str]:
        """Start a command and leave it running."""
        process = subprocess.Popen(
            [sys.executable, "-m", "logger", *_accepted(arguments)],
            env={**self._environment, "PYTHONUNBUFFERED": "1"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._running.append(process)
        return process

    def rows(self, sql: str, *parameters: object) -> list[tuple[Any, ...]]:
        """Look into the data file as any SQLite browser would."""
        with contextlib.closing(sqlite3.connect(f"file:{self.db}?mode=ro", uri=True)) as file:
            return file.execute(sql, parameters).fetchall()

    def wait_for(self, sql: str, wanted: object, within_s: float = 20.0) -> None:
        """Wait until a query's one number is what is wanted."""
        until = time.monotonic() + within_s
        found: object = None
        while time.monotonic() < until:
            with contextlib.suppress(sqlite3.OperationalError):
                found = self.rows(sql)[0][0]
                if found == wanted:
                    return
            time.sleep(0.05)
        pytest.fail(f"{sql}: {found} instead of {wanted} after {within_s} s")

    def close(self) -> None:
        for process in self._running:
            if process.poll() is None:
                process.kill()
            process.communicate()


def stop(process: subprocess.Popen[str]) -> tuple[str, str]:
    """Stop a logger as Ctrl-C does; return what it printed."""
    process.send_signal(signal.SIGINT)
    return process.communicate(timeout=20)


@pytest.fixture
def lieboard(tmp_path: Path, warm_commands: Any) -> Iterator[Lieboard]:
    """A logger with the example set imported."""
    own = Lieboard(tmp_path, warm_commands)
    imported = own.run("set", "import", str(EXAMPLE_SET))
    assert imported.returncode == 0, imported.stderr
    yield own
    own.close()


@pytest.fixture
def stopping() -> Callable[[subprocess.Popen[str]], tuple[str, str]]:
    return stop
