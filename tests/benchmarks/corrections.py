"""What a correction costs in a session of 200 strikes: processor time of the act and its reading.

    python tests/benchmarks/corrections.py

Moves the last half to another club, takes that back, and changes the hand, which works all strikes
out again from their records. Reading is what the strike list reads; the fit of the lie errors is
timed by others.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from logger.session.corrections.acts import Said, undo
from logger.session.corrections.sessions import SessionWishes, change_session
from logger.session.corrections.strikes import Move, move_strikes
from logger.setfiles.clubs import Club, ClubSpec, SetFile

sys.path.insert(0, str(Path(__file__).parents[1] / "corrections"))
NOW = 1_790_000_000 * 10**9
STRIKES = 200
REPEATS = 7


def main() -> None:
    from conftest import Week

    with tempfile.TemporaryDirectory() as folder:
        week = Week(Path(folder) / "data.db")
        clubs = tuple(Club(label, ClubSpec()) for label in ("6i", "7i"))
        own = SetFile("Robin Ashdown", "right", "irons", "7i", 0.5, clubs)
        week.begin(week.store.sets.import_file(own, at_utc_ns=1), 0)
        week.swing("7i", STRIKES)
        week.end()
        store = week.store
        move = [Move(STRIKES // 2, None, "6i")]
        acts: dict[str, Callable[[Said], object]] = {
            "move": lambda said: move_strikes(store, 1, move, said),
            "undo": lambda said: undo(store, said),
            "hand": lambda said: change_session(store, 1, SessionWishes(hand="left"), said),
        }
        took: dict[str, list[float]] = {name: [] for name in acts}
        for count in range(REPEATS):
            for name in ("move", "undo", "hand"):
                began = time.process_time()
                acts[name](Said(NOW + count, "terminal"))
                store.strikes.contacts(1)
                took[name].append(1000 * (time.process_time() - began))
            undo(store, Said(NOW + count, "terminal"))
        store.close()
    print(json.dumps({f"{name}_ms": round(median(each), 1) for name, each in took.items()}))


if __name__ == "__main__":
    main()
