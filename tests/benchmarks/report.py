"""How long `lieboard report` takes, from the start of the command: 14 clubs, 15 swings each.

    python tests/benchmarks/report.py

A session is played by the simulated board on virtual time and filed. Then the command runs as a
process of its own, HTML and PDF in turn; a bare `lieboard clubs` shows what is not the report.
Both wall time and processor time are given, for a shared machine. The last line is JSON.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from sessions import play, set_file

from logger.session.logging.fitting import FittingSession
from logger.store.store import Store
from simulators.clubs import default_set

CLUBS = 14
SWINGS = 15
RUNS = 3
START_NS = 1_780_000_000_000_000_000


def fill(path: Path) -> int:
    """Make the data file; return how many strikes count."""
    rng = np.random.default_rng(4)
    eight = default_set()
    clubs = [
        replace(eight[i * len(eight) // CLUBS], label=f"c{i}", length_mm=990.0 - 12.7 * i)
        for i in range(CLUBS)
    ]
    with Store.open(path) as store:
        seen = replace(set_file(clubs, rng), pivot_label="c6")
        set_id = store.sets.import_file(seen, at_utc_ns=START_NS)
        row = store.sessions.start(
            set_id, started_utc_ns=START_NS, stance_u_mm=1.0, sole_middle_u_mm=5.0, ball=True
        )
        session = FittingSession(store, row)
        session.step_club(0, START_NS, cause="start")
        play(store, session, sorted(clubs, key=lambda club: club.label != "c6"), rng, SWINGS)
        return sum(count.used for count in store.strikes.counts_by_club(row))


def took(*arguments: str) -> tuple[float, float]:
    """Wall and processor seconds of one command."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    subprocess.run([sys.executable, "-m", "logger", *arguments], check=True, capture_output=True)
    wall = time.perf_counter() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall, cpu


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        db = Path(folder) / "d.db"
        strikes = fill(db)
        ways = {
            "clubs": ("clubs", "--db", str(db)),
            "html": ("report", "--db", str(db), "-o", f"{folder}/r.html"),
            "pdf": ("report", "--db", str(db), "-o", f"{folder}/r.pdf"),
        }
        times: dict[str, list[tuple[float, float]]] = {name: [] for name in ways}
        for _ in range(RUNS):
            for name, arguments in ways.items():
                times[name].append(took(*arguments))
        sizes = {kind: (Path(folder) / f"r.{kind}").stat().st_size for kind in ("html", "pdf")}
    found: dict[str, float] = {}
    for name, each in times.items():
        found[f"{name}_s"] = round(min(wall for wall, _ in each), 2)
        found[f"{name}_cpu_s"] = round(min(cpu for _, cpu in each), 2)
    print(
        json.dumps(
            found
            | {"html_kb": sizes["html"] // 1000, "pdf_kb": sizes["pdf"] // 1000}
            | {"clubs": CLUBS, "strikes": strikes, "runs": RUNS, "load": os.getloadavg()[0]}
        )
    )


if __name__ == "__main__":
    main()
