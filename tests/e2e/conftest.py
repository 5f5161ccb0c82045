"""Real processes: a simulated board behind a real port, and the logger as a person runs it."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from simulators.own_process import BoardProcess

EXAMPLE_SET = Path(__file__).parents[2] / "examples" / "robin_ashdown.toml"


class SimulatedBoard(BoardProcess):
    """The whole simulator, whose scene ends."""

    def wait_until_done(self, within_s: float = 30.0) -> None:
        assert self.line(within_s) == {"done": True}


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Callable[..., SimulatedBoard]]:
    """Start simulated boards; they end with the test."""
    boards: list[SimulatedBoard] = []

    def start(*options: str) -> SimulatedBoard:
        truth = tmp_path / f"truth{len(boards)}.jsonl"
        boards.append(SimulatedBoard(*options, truth=truth))
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
