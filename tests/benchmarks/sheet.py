"""How long a bend sheet takes from the store: 14 clubs, some 200 strikes, scans and all.

    python tests/benchmarks/sheet.py

The session is played by the simulated board on virtual time and filed first. What is timed is
what `lieboard sheet` does once its modules are loaded: reading the store, footprints, the set, the
plan; wall time, and processor time for a shared machine. The last line is JSON.
"""

from __future__ import annotations

import json
import os
import tempfile
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
from sessions import play, set_file

from logger.session.evidence.evidence import session_picture
from logger.session.logging.fitting import FittingSession
from logger.session.results.planning import PlanWishes, bend_plan
from logger.store.store import Store
from simulators.clubs import default_set

CLUBS = 14
SWINGS = 14
RUNS = 5


def main() -> None:
    rng = np.random.default_rng(4)
    eight = default_set()
    clubs = [
        replace(eight[i * len(eight) // CLUBS], label=f"c{i}", length_mm=990.0 - 12.7 * i)
        for i in range(CLUBS)
    ]
    start_ns = 1_780_000_000_000_000_000
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "d.db") as store:
        seen = replace(set_file(clubs, rng), pivot_label="c6")
        set_id = store.sets.import_file(seen, at_utc_ns=start_ns)
        row = store.sessions.start(
            set_id, started_utc_ns=start_ns, stance_u_mm=1.0, sole_middle_u_mm=5.0, ball=True
        )
        session = FittingSession(store, row)
        session.step_club(0, start_ns, cause="start")
        order = sorted(clubs, key=lambda club: club.label != "c6")
        play(store, session, order, rng, SWINGS)
        strikes = sum(count.used for count in store.strikes.counts_by_club(row))
        times: dict[str, list[float]] = defaultdict(list)
        for _ in range(RUNS + 1):
            begin, begin_cpu = time.perf_counter(), time.process_time()
            picture = session_picture(store, session.row)
            seen_s, seen_cpu = time.perf_counter(), time.process_time()
            bend_plan(store, session.row, picture)
            planned_s, planned_cpu = time.perf_counter(), time.process_time()
            bend_plan(store, session.row, picture, PlanWishes(metres=False))
            times["picture_ms"].append(1e3 * (seen_s - begin))
            times["plan_ms"].append(1e3 * (planned_s - seen_s))
            times["plan_in_degrees_ms"].append(1e3 * (time.perf_counter() - planned_s))
            times["picture_cpu_ms"].append(1e3 * (seen_cpu - begin_cpu))
            times["plan_cpu_ms"].append(1e3 * (planned_cpu - seen_cpu))
    # The first run loads modules.
    least = {name: round(min(found[1:]), 1) for name, found in times.items()}
    print(
        json.dumps(
            least
            | {
                "clubs": CLUBS,
                "strikes": strikes,
                "sheet_ms": round(least["picture_ms"] + least["plan_ms"], 1),
                "load": os.getloadavg()[0],
            }
        )
    )


if __name__ == "__main__":
    main()
