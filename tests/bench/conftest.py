"""Boards on a bench: the simulated one and the reference firmware's own core, behind real ports."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.store.store import Store
from simulators.core_board import BuildError, CoreBoard, CoreOptions, TerminalEnd, build_library
from simulators.own_process import BoardProcess

# The simulated board, the reference firmware's core, and a name in lines of text.
BOARDS = ("4c4200005a110001", "4c42000000000001", "text:simulated")
REPOSITORY = Path(__file__).parents[2]
MS = 1_000_000


class Command:
    """``lieboard`` on a data file of its own, read line by line while it runs."""

    def __init__(self, db: Path, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "logger", *arguments],
            env={
                **os.environ,
                "LIEBOARD_DB": str(db),
                "NO_COLOR": "1",
                "PYTHONUNBUFFERED": "1",
            },
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.lines: list[str] = []
        self._coming: queue.Queue[str | None] = queue.Queue()
        self._errors: list[str] = []
        self._readers = [
            threading.Thread(target=self._read_lines),
            threading.Thread(target=self._read_errors),
        ]
        for reader in self._readers:
            reader.start()

    def _read_lines(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._coming.put(line.rstrip("\n"))
        self._coming.put(None)

    def _read_errors(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self._errors.append(line)

    def said(self) -> str:
        """What came on standard error so far."""
        return "".join(self._errors)

    def line(self, beginning: str, within_s: float = 30.0) -> str:
        """Read on up to a line that begins so."""
        until = time.monotonic() + within_s
        while (left_s := until - time.monotonic()) > 0:
            try:
                line = self._coming.get(timeout=left_s)
            except queue.Empty:
                break
            if line is None:
                break
            self.lines.append(line)
            if line.strip().startswith(beginning):
                return line
        self.process.kill()
        pytest.fail(f"no line {beginning!r}: {self.lines} {self._errors}")

    def type(self, text: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(text + "\n")
        self.process.stdin.flush()

    def end(self, within_s: float = 60.0) -> tuple[int, str, str]:
        """Wait for its end; return exit code, all that it printed, and its errors."""
        code = self.process.wait(within_s)
        self._join()
        while (line := self._coming.get()) is not None:
            self.lines.append(line)
        return code, "\n".join(self.lines), "".join(self._errors)

    def _join(self) -> None:
        for reader in self._readers:
            reader.join()
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            assert stream is not None
            with contextlib.suppress(BrokenPipeError):
                stream.close()

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self._join()


class Lieboard:
    def __init__(self, folder: Path) -> None:
        self.db = folder / "data.db"
        self._started: list[Command] = []

    def start(self, *arguments: str) -> Command:
        self._agree(arguments)
        self._started.append(Command(self.db, *arguments))
        return self._started[-1]

    def _agree(self, arguments: tuple[str, ...]) -> None:
        """Agree to the boards of these tests; one that speaks text is called after its port."""
        with Store.open(self.db) as store:
            for key in (*BOARDS, *(f"text:{each}" for each in arguments)):
                store.agreed.add(key, key, at_utc_ns=1)

    def run(self, *arguments: str, within_s: float = 60.0) -> tuple[int, str, str]:
        command = self.start(*arguments)
        return command.end(within_s)

    def rows(self, sql: str, *parameters: object) -> list[tuple[Any, ...]]:
        with contextlib.closing(sqlite3.connect(f"file:{self.db}?mode=ro", uri=True)) as file:
            return file.execute(sql, parameters).fetchall()

    def close(self) -> None:
        for command in self._started:
            command.close()


@pytest.fixture
def lieboard(tmp_path: Path) -> Iterator[Lieboard]:
    own = Lieboard(tmp_path)
    yield own
    own.close()


@pytest.fixture
def with_set(lieboard: Lieboard, warm_commands: Any) -> Lieboard:
    """A data file with the example set in it."""
    example = str(REPOSITORY / "examples/robin_ashdown.toml")
    done = warm_commands.run(
        "set", "import", example, environment={**os.environ, "LIEBOARD_DB": str(lieboard.db)}
    )
    assert done.returncode == 0, done.stderr
    return lieboard


class SimulatedBoard(BoardProcess):
    """A board that nobody swings at but the test."""

    def __init__(self, *options: str) -> None:
        super().__init__("--pty", "--noise-only", *options)

    def strike(self, **event: Any) -> None:
        event = {"club": "7i", "depth_mm": 2.0, "lie_error_deg": 0.0, "c_mm": 0.0} | event
        self.ask("strike " + json.dumps(event))

    def sweep(self, *, step_mm: float = 4.0, reach_mm: float = 64.0, pause_s: float = 0.05) -> None:
        """Press with the sole of a club from one end of the strip to the other."""
        for c_mm in np.arange(-reach_mm, reach_mm + step_mm, step_mm):
            self.strike(c_mm=float(c_mm))
            time.sleep(pause_s)


@pytest.fixture
def simulated() -> Iterator[Callable[..., SimulatedBoard]]:
    boards: list[SimulatedBoard] = []

    def start(*options: str) -> SimulatedBoard:
        boards.append(SimulatedBoard(*options))
        return boards[-1]

    yield start
    for board in boards:
        board.close()


class CoreOnPty:
    """The reference firmware's core, in real time behind a pseudo-terminal."""

    def __init__(self, board: CoreBoard) -> None:
        self.board = board
        self._end = TerminalEnd()
        self.url = self._end.path
        self._jobs: queue.Queue[Callable[[], None]] = queue.Queue()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._end.serve, args=(board, self._step))
        self._thread.start()

    def _step(self) -> bool:
        # The core is not made for two threads: everything is done in the one that runs it.
        with contextlib.suppress(queue.Empty):
            self._jobs.get_nowait()()
        return self._stop.is_set()

    def play(self, counts: np.ndarray, step_ns: int, after_ms: float = 50.0) -> None:
        """Script a load: counts above rest, shape (n, rows, cells)."""
        self._jobs.put(
            lambda: self.board.play(self.board.now_ns + int(after_ms * MS), step_ns, counts)
        )

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._end.close()


@pytest.fixture(scope="session")
def core_library(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    built: dict[str, Path] = {}

    def build(board: str) -> Path:
        if board not in built:
            out = tmp_path_factory.mktemp("core")
            try:
                built[board] = build_library(out, board)
            except BuildError as error:
                pytest.fail(str(error), pytrace=False)
        return built[board]

    return build


@pytest.fixture
def core(core_library: Callable[[str], Path]) -> Iterator[Callable[..., CoreOnPty]]:
    """Start the reference firmware: ``core("strip16", noise_counts=0.4)``."""
    boards: list[CoreOnPty] = []

    def start(board: str, **options: Any) -> CoreOnPty:
        boards.append(CoreOnPty(CoreBoard(core_library(board), CoreOptions(**options))))
        return boards[-1]

    yield start
    for board in boards:
        board.close()
