"""What a correction costs in a session of 200 strikes: processor time of the act and its reading.

    python tests/benchmarks/corrections.py

Every kind of act and its undo, on strikes that have the readings of their cells. Change of hand,
split and moves into another session work strikes out again from their records. Reading is what the
strike list reads; the fit of the lie errors is timed by others.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

from logger.session.corrections.acts import Said, undo
from logger.session.corrections.sessions import (
    SessionWishes,
    change_session,
    delete_session,
    join_sessions,
    rename_player,
    reopen_session,
    split_session,
)
from logger.session.corrections.strikes import Move, move_strikes, turn_strike
from logger.session.corrections.words import keep_mark, keep_note
from logger.setfiles.clubs import Club, ClubSpec, SetFile

sys.path.insert(0, str(Path(__file__).parents[1] / "corrections"))
NOW = 1_790_000_000 * 10**9
STRIKES = 200
REPEATS = 7


def main() -> None:
    from conftest import Week

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "data.db"
        week = Week(path, scans=True)
        clubs = tuple(Club(label, ClubSpec()) for label in ("6i", "7i"))
        own = SetFile("Robin Ashdown", "right", "irons", "7i", 0.5, clubs)
        number = week.store.sets.import_file(own, at_utc_ns=1)
        other = week.store.sets.import_file(replace(own, name="wedges"), at_utc_ns=1)
        for day, count in enumerate((STRIKES, 2)):
            week.begin(number, day * 86_400)
            week.swing("7i", count)
            week.end()
        store = week.store
        club = store.sets.get(number).clubs[0]

        def wish(**what: Any) -> Callable[[Said], object]:
            return lambda said: change_session(store, 1, SessionWishes(**what), said)

        half = STRIKES // 2
        acts: dict[str, Callable[[Said], object]] = {
            "move": lambda said: move_strikes(store, 1, [Move(half, None, "6i")], said),
            "move_elsewhere": lambda said: move_strikes(
                store, 1, [Move(half, None, None)], said, to_session=2
            ),
            "set_aside": lambda said: turn_strike(
                store, store.strikes.contacts(1)[half], said, aside=True, reason="thin"
            ),
            "stance": wish(stance_mm=9.0),
            "set": wish(set_id=other),
            "hand": wish(hand="left"),
            "end": lambda said: reopen_session(store, 1, said),
            "join": lambda said: join_sessions(store, 1, 2, said),
            "split": lambda said: split_session(store, 1, half, said),
            "delete": lambda said: delete_session(store, 1, said),
            "rename": lambda said: rename_player(store, "Robin Ashdown", "Robin A.", said),
            "mark": lambda said: keep_mark(store, 1, club, said, toe_mm=2.0, u_mm=1.0),
            "note": lambda said: keep_note(store, 1, "windy", said),
        }
        took: dict[str, list[float]] = {}
        for count in range(REPEATS):
            for place, (name, act) in enumerate(acts.items()):
                for what, work in ((name, act), (f"undo_{name}", partial(undo, store))):
                    said = Said(NOW + (count * len(acts) + place) * 10**9, "terminal")
                    began = time.process_time()
                    work(said)
                    store.strikes.contacts(1)
                    took.setdefault(what, []).append(1000 * (time.process_time() - began))
        store.close()
    print(json.dumps({f"{name}_ms": round(median(each), 1) for name, each in took.items()}))


if __name__ == "__main__":
    main()
