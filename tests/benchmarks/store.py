"""How fast strikes are stored, beside plain sqlite3.executemany at the same durability.

::

    python tests/benchmarks/store.py [--folder FOLDER] [--seconds SECONDS]

Both write the same records into the same tables of files of the same kind (WAL, synchronous=FULL,
one transaction per batch): `Records.add` from records as the collector hands them over, and
the plain way from rows that were packed beforehand. Batches of both take turns, so that what
else the machine does hits both. A strike is six parts of 500 bytes. Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import json
import platform
import sqlite3
import statistics
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logger.protocol.records import Flag, RawRecord, Strike
from logger.store.packing import pack_raw
from logger.store.store import Store

PARTS = tuple(bytes([3]) + bytes([part]) * 499 for part in range(6))
INSERT = (
    "INSERT INTO records (boot, sequence, kind, raw, flags, arrival_ns, struck_utc_ns,"
    " struck_u_ns, session) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
)


@dataclass(frozen=True)
class Timed:
    sequence: int
    raw: RawRecord
    struck_utc_ns: int
    struck_u_ns: int


def strike(sequence: int) -> Timed:
    scans = np.zeros((1, 1, 32), np.uint16)
    record = Strike(sequence, Flag(0), 900, np.array([sequence], np.uint32), scans)
    return Timed(sequence, RawRecord(record, PARTS, sequence), sequence, 1000)


def new_store(path: Path) -> Store:
    store = Store.open(path)
    store.boards.remember_boot(board_key="b", boot_key="1", name="b", hello=None, seen_utc_ns=0)
    return store


def plain(path: Path) -> sqlite3.Connection:
    new_store(path).close()
    connection = sqlite3.connect(path, isolation_level=None)
    for setting in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {setting}")
    return connection


def compare(folder: Path, batch: int, seconds: float) -> dict[str, float]:
    ours_s: list[float] = []
    plain_s: list[float] = []
    with (
        new_store(folder / f"ours_{batch}.db") as store,
        closing(plain(folder / f"plain_{batch}.db")) as connection,
    ):
        until = time.monotonic() + seconds
        first = 0
        while time.monotonic() < until or len(ours_s) < 10:
            items = [strike(n) for n in range(first, first + batch)]
            rows = [
                (1, n, "strike", pack_raw(PARTS), 0, n, n, 1000, None)
                for n in range(first, first + batch)
            ]
            first += batch

            def by_store(items: list[Timed] = items) -> None:
                assert len(store.records.add(1, items)) == batch

            def by_hand(rows: list[tuple[object, ...]] = rows) -> None:
                connection.execute("BEGIN IMMEDIATE")
                connection.executemany(INSERT, rows)
                connection.execute("COMMIT")

            # who goes first changes: the second finds the disk busy with the first's pages
            pair = [(by_store, ours_s), (by_hand, plain_s)]
            for work, times in pair if len(ours_s) % 2 else pair[::-1]:
                begin = time.perf_counter()
                work()
                times.append(time.perf_counter() - begin)
    return {
        "ours_per_s": round(batch / statistics.median(ours_s)),
        "plain_per_s": round(batch / statistics.median(plain_s)),
        "ratio": round(statistics.median(plain_s) / statistics.median(ours_s), 3),
        "batches": len(ours_s),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path, help="on the disk to measure; default: temporary")
    parser.add_argument("--seconds", type=float, default=5.0, help="per size of batch")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=arguments.folder) as folder:
        result: dict[str, object] = {
            f"batch_{batch}": compare(Path(folder), batch, arguments.seconds)
            for batch in (1, 16, 256)
        }
    result["sqlite"] = sqlite3.sqlite_version
    result["python"] = platform.python_version()
    print(json.dumps(result))


if __name__ == "__main__":
    main()
