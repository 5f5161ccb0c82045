"""How long commands take on the data file of many years.

::

    python tests/benchmarks/years.py [--strikes 1000,10000,100000] [--check] [--keep FOLDER]

A session of the second world (`second_world`) with whole scans, filed by the product, is copied by
SQL, a week later each time, until the file holds so many contacts. Then each command runs twice as
a process of its own: the first time and again. ``--check`` also looks through the file, quickly and
with all strikes worked out again. The load of the machine stands beside the numbers: measure on a
quiet one. Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from second_world import draw_session
from second_world.filing import file_session

from logger.store.store import Store

WEEK_NS = 7 * 24 * 3600 * 10**9
COMMANDS = {
    "sessions": ("sessions",),
    "clubs": ("clubs",),
    "sheet": ("sheet",),
    "history": ("history",),
}
CHECKS = {"check --quick": ("check", "--quick"), "check": ("check",)}


def make_base(path: Path) -> int:
    """File one session; return how many contacts it has."""
    session = draw_session(3, swings=25, clubs=8, faults=0.0)
    with Store.open(path) as store:
        file_session(store, session, folder=path.parent)
    with closing(sqlite3.connect(path)) as file:
        return int(file.execute("SELECT COUNT(*) FROM strikes").fetchone()[0])


def copy_sessions(path: Path, times: int) -> None:
    """Copy the one session so many times, each a week before the one after it."""
    with closing(sqlite3.connect(path)) as file:
        file.execute("PRAGMA synchronous = OFF")
        for name, sql in file.execute(
            "SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'"
        ).fetchall():
            assert sql
            file.execute(f'DROP TRIGGER "{name}"')
        shift = {
            "boots": ("first_seen_utc_ns",),
            "sessions": ("started_utc_ns", "ended_utc_ns"),
            "turns": ("from_utc_ns",),
            "records": ("struck_utc_ns",),
            "strikes": ("struck_utc_ns",),
        }
        for number in range(1, times + 1):
            new = {"boots": 1 + number, "sessions": 1 + number}
            for table, moments in shift.items():
                names = [row[1] for row in file.execute(f"PRAGMA table_info({table})")]
                said = []
                for name in names:
                    if name == "id":
                        said.append(str(new[table]) if table in new else "NULL")
                    elif name == "boot":
                        said.append(str(new["boots"]))
                    elif name == "session":
                        said.append(str(new["sessions"]))
                    elif name in moments:
                        said.append(f"{name} - {number * WEEK_NS}")
                    elif name == "boot_key":
                        said.append(f"'copy{number}'")
                    else:
                        said.append(f'"{name}"')
                key = {"boots": "id = 1", "sessions": "id = 1"}.get(table, "session = 1")
                columns = ", ".join(f'"{name}"' for name in names)
                file.execute(
                    f"INSERT INTO {table} ({columns}) SELECT {', '.join(said)} FROM {table}"
                    f" WHERE {key}"
                )
        file.execute(
            "INSERT INTO session_stamps (session, stamp) SELECT id, random() FROM sessions"
            " WHERE true ON CONFLICT DO NOTHING"
        )
        # What a set was then is known from its first day on.
        for table in ("club_specs", "calibrations"):
            file.execute(f"UPDATE {table} SET from_utc_ns = from_utc_ns - {(times + 9) * WEEK_NS}")
        file.commit()


def restore_triggers(path: Path, base: Path) -> None:
    """Give the file the triggers that it was made without."""
    with closing(sqlite3.connect(base)) as file:
        rows = file.execute("SELECT sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
    with closing(sqlite3.connect(path)) as file:
        for (sql,) in rows:
            file.execute(sql)
        file.commit()


def seconds(path: Path, command: tuple[str, ...]) -> tuple[float, int]:
    begun = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "logger", *command, "--db", str(path)],
        capture_output=True, text=True, timeout=3600,
    )  # fmt: skip
    taken = time.monotonic() - begun
    assert "Traceback" not in done.stderr, done.stderr
    return taken, done.returncode


def measure(folder: Path, strikes: int, *, check: bool) -> dict[str, object]:
    base, path = folder / "base.db", folder / f"{strikes}.db"
    each = make_base(base) if not base.exists() else _count(base)
    if not path.exists():
        with closing(sqlite3.connect(base)) as source, closing(sqlite3.connect(path)) as target:
            source.backup(target)
        copy_sessions(path, max(round(strikes / each) - 1, 0))
        restore_triggers(path, base)
    found: dict[str, object] = {"strikes": _count(path), "bytes": path.stat().st_size}
    for name, command in (COMMANDS | (CHECKS if check else {})).items():
        load = os.getloadavg()[0]
        first, code = seconds(path, command)
        again = first if name == "check" else seconds(path, command)[0]
        found[name] = {"first_s": round(first, 2), "again_s": round(again, 2), "exit": code,
                       "load": round(load, 1)}  # fmt: skip
        print(f"{strikes:>9} {name:<14} {first:8.2f} s {again:8.2f} s  load {load:.1f}")
    return found


def _count(path: Path) -> int:
    with closing(sqlite3.connect(path)) as file:
        return int(file.execute("SELECT COUNT(*) FROM strikes").fetchone()[0])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--strikes", default="1000,10000,100000")
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--keep", type=Path, default=None)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="lieboard-") as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(exist_ok=True)
        found = [
            measure(folder, int(number), check=given.check) for number in given.strikes.split(",")
        ]
    print(json.dumps({"benchmark": "years", "python": platform.python_version(),
                      "files": found}))  # fmt: skip


if __name__ == "__main__":
    main()
