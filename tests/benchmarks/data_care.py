"""How long it takes to back up, merge and check a data file of many strikes.

::

    python tests/benchmarks/data_care.py [--strikes 100000] [--folder FOLDER]

A file with so many readings of a board in sessions of 200, each a strike under a club; and a second
file that began as a copy of it. Each then gets a tenth more of its own. Measured: a backup while
nobody writes and while another program logs, each with its reading back; taking the second file in,
once and once more; looking through it, with and without working all strikes out again.
Counts what was lost or doubled (must be 0). Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import json
import platform
import shutil
import sqlite3
import tempfile
import threading
import time
from contextlib import closing
from pathlib import Path

from cobs import cobs

from logger.collector.recording import BoardIdentity, TimedRecord
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import Hello, RawRecord
from logger.protocol.wire import parse
from logger.session.logging.fitting import FittingSession
from logger.session.logging.rework import check_file, merge_file
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.copies.backup import back_up
from logger.store.store import Store
from simulators import encode

START_NS = 1_700_000_000 * 10**9
SECOND = 10**9
PER_SESSION = 200


def body_of(frame: bytes) -> bytes:
    return cobs.decode(frame[:-1])[:-4]


def hello() -> Hello:
    said = parse(body_of(encode.Hello(
        board_id=bytes(range(8)), boot_id=7, firmware=(1, 0, 0), tick_hz=1_000_000, rows=1,
        cells=16, pitch_um=4000, row_distance_um=0, scan_order=0, scan_ticks=52, full_scale=1023,
        trigger_level=24, oldest_kept=0, next_sequence=0, abilities=31, name="bench",
    ).encode()))  # fmt: skip
    assert isinstance(said, Hello)
    return said


def reading(sequence: int, at_s: float) -> TimedRecord:
    body = body_of(encode.reading(
        sequence=sequence, ticks=round(at_s * 1e6) % 2**32, position=400 + sequence % 700,
        trail=encode.TRAIL_UNKNOWN, pressure=500, flags=0, span_ticks=700,
    ))  # fmt: skip
    raw = RawRecord(record_from_raw((body,)), (body,), sequence)
    return TimedRecord(sequence, raw, START_NS + round(at_s * SECOND), 100_000)


def log(store: Store, strikes: int, first_day: int, boot_key: str) -> None:
    """Sessions of 200 strikes, one a day, all of one start of the board."""
    said = hello()
    set_id = store.sets.all()[0].id
    for number in range(0, strikes, PER_SESSION):
        begin_s = (first_day + number // PER_SESSION) * 86_400
        session_id = store.sessions.start(
            set_id, started_utc_ns=START_NS + begin_s * SECOND, stance_u_mm=1, sole_middle_u_mm=5,
            ball=True,
        )  # fmt: skip
        session = FittingSession(store, session_id)
        session.step_club(0, START_NS + begin_s * SECOND, cause="start")
        boot = session.begin_boot(
            BoardIdentity(said.board_id, boot_key, "bench", said), START_NS
        ).boot_row
        records = [
            reading(number + n, begin_s + 3 * (n + 1)) for n in range(min(PER_SESSION, strikes))
        ]
        session.store_records(boot, records)
        session.file(boot, records)
        session.idle(START_NS + (begin_s + 80_000) * SECOND)
        store.sessions.end(session_id, ended_utc_ns=START_NS + (begin_s + 3600) * SECOND)


def seconds(work) -> tuple[float, object]:
    begin = time.perf_counter()
    result = work()
    return round(time.perf_counter() - begin, 2), result


def count(path: Path) -> tuple[int, int]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(
            "SELECT (SELECT COUNT(*) FROM records), (SELECT COUNT(*) FROM strikes)"
        ).fetchone()


def backup_while_logging(path: Path, target: Path) -> tuple[float, int]:
    """Time a backup with another writer; return it and how many batches were stored meanwhile."""
    stop, stored = threading.Event(), []

    def write() -> None:
        with Store.open(path) as store:
            said = hello()
            boot = store.boards.remember_boot(
                board_key=said.board_id, boot_key="0000beef", name="bench", hello=said,
                seen_utc_ns=START_NS,
            )  # fmt: skip
            while not stop.is_set():
                n = len(stored)
                store.records.add(boot, [reading(n, 1e7 + n)])
                stored.append(time.perf_counter())

    writer = threading.Thread(target=write)
    writer.start()
    while not stored:
        time.sleep(0.01)
    begin = time.perf_counter()
    took_s, _ = seconds(lambda: back_up(path, target))
    during = sum(at > begin for at in stored)
    stop.set()
    writer.join()
    return took_s, during


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--strikes", type=int, default=100_000)
    parser.add_argument("--folder", type=Path, help="on the disk to measure; default: temporary")
    arguments = parser.parse_args()
    strikes = arguments.strikes
    with tempfile.TemporaryDirectory(dir=arguments.folder) as name:
        folder = Path(name)
        one, another = folder / "one.db", folder / "another.db"
        clubs = tuple(Club(label, ClubSpec(lie_deg=62.0)) for label in ("6i", "7i", "8i"))
        with Store.open(one) as store:
            store.sets.import_file(
                SetFile("Ada", "right", "irons", "7i", None, clubs), at_utc_ns=START_NS
            )
            log(store, strikes, 0, "00000007")
        shutil.copy(one, another)
        days = strikes // PER_SESSION
        for path, boot_key, day in ((one, "00000008", days), (another, "00000009", 2 * days)):
            with Store.open(path) as store:
                log(store, strikes // 10, day, boot_key)
        wanted = strikes + 2 * (strikes // 10)
        backup_s, made = seconds(lambda: back_up(one, folder / "backup.db"))
        check_quick_s, found = seconds(lambda: check_file(one, START_NS * 2, rebuild=False))
        check_s, found_all = seconds(lambda: check_file(one, START_NS * 2))
        merge_s, _ = seconds(lambda: merge_file(one, another))
        records, contacts = count(one)
        again_s, report = seconds(lambda: merge_file(one, another))
        logging_s, during = backup_while_logging(one, folder / "logging.db")
        result = {
            "strikes": strikes,
            "megabytes": round(made.facts.size_bytes / 1e6, 1),
            "backup_s": backup_s,
            "backup_while_logging_s": logging_s,
            "records_stored_during_it": during,
            "merge_s": merge_s,
            "merge_again_s": again_s,
            "merge_again_changed": sum(report.added.values()) + sum(report.changed.values()),
            "records_lost_or_doubled": records - wanted,
            "strikes_lost_or_doubled": contacts - wanted,
            "check_quick_s": check_quick_s,
            "check_s": check_s,
            "findings": len(found) + len(found_all),
            "sqlite": sqlite3.sqlite_version,
            "python": platform.python_version(),
        }
    print(json.dumps(result))


if __name__ == "__main__":
    main()
