"""Many boards at once on one logger: what it takes, and where it breaks.

::

    python tests/benchmarks/load.py [--boards 16] [--rate 250] [--seconds 20] [--folder FOLDER]

Real: the logger (``lieboard log PORT PORT ...`` in a process), sixteen pseudo-terminals, the data
file on a disk with synchronous=FULL. Simulated: the boards (`simulators.load_boards`, one process
for all): readings without end, 25 to a contact, so ten contacts a second on each, which is a
hundred times what a person swings; confirmed, asked again and timed as the wire format says.

The wait of a record is from its write into the terminal to the moment that the board has heard that
it is on the disk: wire to disk and a little more. Its two parts are told apart by the time at which
the logger had read it (``arrival_ns`` in the data file; the clock is the same). The logger's share
of a core is its processor time over the time that frames came; the boards' own is told too. Runs at
the rate and at twice the rate, and prints one line of JSON last. The machine's load average and how
late the boards themselves were stand beside it: waits on a busy machine say little.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import select
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

SET = """
player = "Player {number}"
hand = "right"
set = "irons"
pivot = "7i"
[[club]]
label = "7i"
loft_deg = 34
lie_deg = 62
length_in = 37
"""
PATIENCE_S = 120.0


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def said_by(process: subprocess.Popen[str], within_s: float = PATIENCE_S) -> dict[str, Any]:
    assert process.stdout is not None
    if not select.select([process.stdout], [], [], within_s)[0]:
        raise TimeoutError("nothing was said")
    said: dict[str, Any] = json.loads(process.stdout.readline())
    return said


def import_players(db: Path, folder: Path, count: int) -> None:
    from logger.setfiles import load_set
    from logger.store.store import Store

    with Store.open(db) as store:
        for number in range(count):
            file = folder / "set.toml"
            file.write_text(SET.format(number=number))
            store.sets.import_file(load_set(file), at_utc_ns=0)


def measure(folder: Path | None, boards: int, rate_hz: float, seconds: float,
            logger: list[str]) -> dict[str, Any]:  # fmt: skip
    with contextlib.ExitStack() as stack:
        place = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=folder)))
        db = place / "data.db"
        import_players(db, place, boards)
        load = stack.enter_context(subprocess.Popen(
            [sys.executable, "-m", "simulators.load_boards", "--boards", str(boards),
             "--rate", str(rate_hz), "--moments", str(place / "moments.txt")],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        ))  # fmt: skip
        assert load.stdin is not None
        urls = said_by(load)["urls"]
        players = [word for n in range(boards) for word in ("--player", f"Player {n}")]
        log = stack.enter_context(subprocess.Popen(
            [sys.executable, *logger, "log", "--accept", *urls, *players, "--db", str(db)],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        ))  # fmt: skip
        try:
            greeted = "SELECT COUNT(*) FROM boots"
            until_s = time.monotonic() + PATIENCE_S
            while one(db, greeted) < boards and time.monotonic() < until_s:
                time.sleep(0.1)
            # The first questions about the clocks are over.
            time.sleep(2.0)
            quiet_s = processor_s(log.pid)
            time.sleep(3.0)
            before_s, began_s = processor_s(log.pid), time.monotonic()
            quiet_s = before_s - quiet_s
            load.stdin.write(f"go {seconds}\n")
            load.stdin.flush()
            time.sleep(seconds)
            used_s = processor_s(log.pid) - before_s
            took_s = time.monotonic() - began_s
            report = said_by(load)
            whole_s = processor_s(log.pid) - before_s
        finally:
            if log.poll() is None:
                log.send_signal(signal.SIGINT)
                log.wait(60)
            load.stdin.write("quit\n")
            load.stdin.flush()
        stored = one(db, "SELECT COUNT(*) FROM records")
        return {
            "frames_per_s": round(boards * rate_hz), **report,
            **parts_of_wait(db, place / "moments.txt"),
            # Neither on the disk nor still on its board.
            "lost": max(0, report["sent"] - stored - report["never_confirmed"]),
            "logger_cores": round(used_s / took_s, 2),
            "logger_microseconds_a_frame": round(whole_s / max(1, stored) * 1e6),
            "logger_cores_when_quiet": round(quiet_s / 3, 2),
            "contacts_filed": one(db, "SELECT COUNT(*) FROM strikes"),
            "load_average_then": round(os.getloadavg()[0], 1),
        }  # fmt: skip


def parts_of_wait(db: Path, moments: Path) -> dict[str, float]:
    """From the write to the logger's reading, and from there to the heard confirmation."""
    with contextlib.closing(sqlite3.connect(f"file:{db}?mode=ro", uri=True, timeout=30)) as file:
        read_ns = {
            (int(key[8:], 16), sequence): arrival_ns
            for key, sequence, arrival_ns in file.execute(
                "SELECT boards.board_key, records.sequence, records.arrival_ns FROM records"
                " JOIN boots ON boots.id = records.boot JOIN boards ON boards.id = boots.board"
            )
        }
    to_read, to_confirmed = [], []
    for line in moments.read_text().splitlines():
        board, sequence, written_ns, confirmed_ns = map(int, line.split())
        to_read.append((read_ns[board, sequence] - written_ns) / 1e6)
        to_confirmed.append((confirmed_ns - read_ns[board, sequence]) / 1e6)
    found = {}
    for name, waits in (("wire_to_read", to_read), ("read_to_confirmed", to_confirmed)):
        waits.sort()
        for label, share in (("median", 0.5), ("99", 0.99)):
            found[f"{name}_ms_{label}"] = round(waits[int(share * (len(waits) - 1))], 1)
    return found


def one(db: Path, sql: str) -> int:
    with contextlib.closing(sqlite3.connect(f"file:{db}?mode=ro", uri=True, timeout=30)) as file:
        return int(file.execute(sql).fetchone()[0])


def main() -> None:
    made = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    made.add_argument("--boards", type=int, default=16)
    made.add_argument("--rate", type=float, default=250.0)
    made.add_argument("--seconds", type=float, default=20.0)
    made.add_argument("--profile", type=Path, help="run once under cProfile and write it there")
    made.add_argument("--folder", type=Path, default=None, help="where the data files go")
    args = made.parse_args()
    found: dict[str, Any] = {"cores": os.cpu_count(), "boards": args.boards}
    logger = ["-m", "logger"]
    if args.profile:
        logger = ["-m", "cProfile", "-o", str(args.profile), *logger]
    rates = (args.rate,) if args.profile else (args.rate, 2 * args.rate)
    for rate_hz in rates:
        one_rate = measure(args.folder, args.boards, rate_hz, args.seconds, logger)
        found[f"at_{rate_hz:g}_hz"] = one_rate
    print(json.dumps(found))


if __name__ == "__main__":
    main()
