"""What faults are tried on: loggers and boards as processes, with books on what is stored."""

from __future__ import annotations

import contextlib
import os
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from logger.setfiles import load_set
from logger.store.store import Store
from simulators.own_process import BoardProcess

ROOT = Path(__file__).parents[2]
SETS = (ROOT / "examples" / "robin_ashdown.toml", ROOT / "examples" / "mika_tarn.csv")
PLAYERS = ("Robin Ashdown", "Mika Tarn")
PATIENCE_S = 90.0


class Shop:
    """A data file and the loggers that write to it."""

    def __init__(self, folder: Path) -> None:
        self.db = folder / "data.db"
        # What the loggers find in their environment.
        self.env = {**os.environ, "NO_COLOR": "1", "PYTHONUNBUFFERED": "1"}
        self._running: list[subprocess.Popen[str]] = []
        self._looking: sqlite3.Connection | None = None
        # What the loggers say on standard output, one after the other.
        self.words = folder / "words.txt"
        with Store.open(self.db) as store:
            for file in SETS:
                store.sets.import_file(load_set(file), at_utc_ns=0)

    def log(self, *arguments: str, largest_file: int | None = None) -> subprocess.Popen[str]:
        """Start a logger."""

        def limit() -> None:
            if largest_file is not None:
                resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file, largest_file))

        said = self.words.open("a")
        process = subprocess.Popen(
            [sys.executable, "-m", "logger", "log", *arguments, "--accept", "--db", str(self.db)],
            env=self.env, stdin=subprocess.DEVNULL, stdout=said,
            stderr=subprocess.PIPE, text=True, preexec_fn=limit,
        )  # fmt: skip
        said.close()
        self._running.append(process)
        return process

    def end(self, process: subprocess.Popen[str], number: int = signal.SIGINT) -> str:
        """End a logger by a signal; return what it said on standard error."""
        process.send_signal(number)
        _, said = process.communicate(timeout=60)
        self._running.remove(process)
        return said

    def wait_for_end(self, process: subprocess.Popen[str]) -> str:
        """Wait until a logger ends by itself; return what it said on standard error."""
        process.wait(PATIENCE_S)
        _, said = process.communicate()
        self._running.remove(process)
        return said

    def close(self) -> None:
        if self._looking is not None:
            self._looking.close()
        for process in self._running:
            process.kill()
            process.communicate()

    # -- what is on the disk -----------------------------------------------------------------

    def count(self, board_id: str | None = None) -> int:
        """Records on the disk (of one board)."""
        if self._looking is None:
            self._looking = sqlite3.connect(f"file:{self.db}?mode=ro", uri=True, timeout=30)
        sql = "SELECT COUNT(*) FROM records"
        if board_id is not None:
            sql += (
                " WHERE boot IN (SELECT boots.id FROM boots JOIN boards ON boards.id = boots.board"
                f" WHERE boards.board_key = '{board_id}')"
            )
        return int(self._looking.execute(sql).fetchone()[0])

    def stored(self, board_id: str) -> dict[str, list[int]]:
        """Sequence numbers on the disk by boot key, as often as they are there."""
        with contextlib.closing(sqlite3.connect(self.db, timeout=30)) as file:
            rows = file.execute(
                "SELECT boots.boot_key, records.sequence FROM records"
                " JOIN boots ON boots.id = records.boot JOIN boards ON boards.id = boots.board"
                " WHERE boards.board_key = ?", (board_id,),
            ).fetchall()  # fmt: skip
        found: dict[str, list[int]] = {}
        for boot, sequence in rows:
            found.setdefault(boot, []).append(sequence)
        return found

    def check(self) -> list[str]:
        """Say what is wrong with the file as a file, and with the contacts in it."""
        wrong = []
        with contextlib.closing(sqlite3.connect(self.db, timeout=30)) as file:
            said = file.execute("PRAGMA integrity_check").fetchall()
            if said != [("ok",)]:
                wrong.append(f"integrity_check: {said[:3]}")
            twice = file.execute(
                "SELECT COUNT(*) FROM strikes AS a JOIN strikes AS b ON a.boot = b.boot"
                " AND a.id < b.id AND b.first_sequence BETWEEN a.first_sequence AND a.last_sequence"
            ).fetchone()[0]
            if twice:
                wrong.append(f"{twice} contacts twice")
            clashes = file.execute("SELECT COUNT(*) FROM clashes").fetchone()[0]
            if clashes:
                wrong.append(f"{clashes} records came with other bytes")
        return wrong


@dataclass
class Books:
    """What should be on the disk, against what is."""

    made: int = 0
    lost: int = 0
    doubled: int = 0
    invented: int = 0
    gone_with_resets: int = 0
    wrong: list[str] = field(default_factory=list)

    def compare(self, shop: Shop, board: Board) -> None:
        stored = shop.stored(board.id)
        for start in board.starts():
            numbers = Counter(stored.pop(f"{start['boot_id']:08x}", []))
            gone = range(start["oldest_kept"], start["next_sequence"]) if "kind" in start else ()
            for sequence in range(start["next_sequence"]):
                self.lost += numbers[sequence] == 0 and sequence not in gone
                self.gone_with_resets += numbers[sequence] == 0 and sequence in gone
            self.made += start["next_sequence"]
            self.doubled += sum(numbers.values()) - len(numbers)
            self.invented += sum(sequence >= start["next_sequence"] for sequence in numbers)
            if start["dropped"]:
                self.wrong.append(f"the board's memory was too small: {start['dropped']} dropped")
        self.invented += sum(len(numbers) for numbers in stored.values())
        self.wrong += shop.check()

    def told(self) -> dict[str, Any]:
        return {
            "records": self.made, "lost": self.lost, "doubled": self.doubled,
            "invented": self.invented, "taken_by_board_resets": self.gone_with_resets,
            "wrong": self.wrong,
        }  # fmt: skip


class Board(BoardProcess):
    """A busy board that keeps more than any fault here lasts."""

    def __init__(self, folder: Path, number: int, *arguments: str, rate_hz: float = 25.0) -> None:
        self.id = f"4c4200005a1100{number:02x}"
        self.rate_hz = rate_hz
        super().__init__(
            "--board-id", self.id, "--name", f"board {number}", "--capacity", "60000",
            "--boot", str(1000 * number), "--seed", str(number), "--rate", str(rate_hz),
            "--ppm", "200", *arguments,
            module="simulators.faults_board", truth=folder / f"truth{number}.jsonl",
        )  # fmt: skip

    def starts(self) -> list[dict[str, Any]]:
        """Every start so far, with how many records it had and which were gone with it."""
        return [*self.truth("reset"), self.tell()]


def add_player(shop: Shop, name: str) -> None:
    """Give somebody else the first player's clubs."""
    file = shop.db.with_name("set.toml")
    file.write_text(SETS[0].read_text().replace(PLAYERS[0], name))
    with Store.open(shop.db) as store:
        store.sets.import_file(load_set(file), at_utc_ns=0)


def wait(so: Callable[[], bool], what: str, within_s: float = PATIENCE_S) -> float:
    """Wait until it is so; return when that was."""
    until_s = time.monotonic() + within_s
    while not so():
        if time.monotonic() > until_s:
            raise TimeoutError(f"{what}: not within {within_s:.0f} s")
        time.sleep(0.01)
    return time.monotonic()


def more_than(shop: Shop, board: Board, count: int) -> Callable[[], bool]:
    return lambda: shop.count(board.id) > count


def settle(shop: Shop, boards: Sequence[Board]) -> None:
    """Let the boards be quiet, and the logger fetch what they still hold."""
    for board in boards:
        board.ask("steady 0")
    for board in boards:
        wait(lambda b=board: b.tell()["oldest_kept"] == b.tell()["next_sequence"],  # type: ignore[misc]
             f"{board.id} still holds records")  # fmt: skip


@contextlib.contextmanager
def shop_in(folder: Path | None) -> Iterator[tuple[Shop, Path]]:
    with tempfile.TemporaryDirectory(dir=folder) as place:
        shop = Shop(Path(place))
        try:
            yield shop, Path(place)
        finally:
            shop.close()
