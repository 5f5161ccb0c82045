"""Adds a small data file of the newest step of the schema to ``corpus/old_files.zip``.

Run it when a step was added: python tests/fuzz/make_old_files.py. The files that are there stay:
each was written by the program of its time.
"""

from __future__ import annotations

import tempfile
import zipfile
from pathlib import Path

from logger.collector.recording import TimedRecord
from logger.protocol.records import Button, ButtonAction, Flag, RawRecord, Reading
from logger.protocol.wire import encode
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.migrations import STEPS
from logger.store.store import Store

OLD_FILES = Path(__file__).parent / "corpus" / "old_files.zip"
_UTC_NS = 1_704_067_200 * 10**9


def _timed(sequence):
    record = Reading(sequence, 1000 * sequence, 1.5, None, 800, Flag(4), 700)
    if sequence % 5 == 4:
        record = Button(sequence, 1000 * sequence, ButtonAction.NEXT_CLUB, Flag(0))
    at_ns = _UTC_NS + sequence * 10**9
    return TimedRecord(sequence, RawRecord(record, (encode(record),), sequence), at_ns, 1000)


def make(path):
    """Write a file with something in each table of the first step."""
    clubs = tuple(Club(label, ClubSpec(lie_deg=61.0 + i)) for i, label in enumerate(("6i", "7i")))
    wanted = SetFile("Robin Ashdown", "right", "irons", "7i", 0.5, clubs, ())
    with Store.open(path) as store:
        set_id = store.sets.import_file(wanted, at_utc_ns=_UTC_NS)
        session = store.sessions.start(
            set_id, started_utc_ns=_UTC_NS, stance_u_mm=1, sole_middle_u_mm=5, ball=True
        )
        boot = store.boards.remember_boot(
            board_key="00112233aabbccdd", boot_key="00000007", name="shed", hello=None,
            seen_utc_ns=_UTC_NS,
        )  # fmt: skip
        club = store.sets.get(set_id).clubs[0].id
        store.sessions.add_turn(session, club, from_utc_ns=_UTC_NS, cause=f"foot switch {boot}:4")
        store.records.add(boot, [_timed(n) for n in range(20)], session=session)
        mark = store.strikes.add_mark(session, club, struck_utc_ns=_UTC_NS, toe_mm=1.0, u_mm=1.0)
        store.strikes.set_aside(
            store.strikes.get("mark", mark), f"taken back (foot switch {boot}:9)"
        )


def main():
    name = f"schema_{len(STEPS)}.db"
    if OLD_FILES.exists() and name in zipfile.ZipFile(OLD_FILES).namelist():
        print(f"{name} is there")
        return
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(OLD_FILES, "a") as packed:
        path = Path(folder) / name
        make(path)
        packed.writestr(name, path.read_bytes(), zipfile.ZIP_DEFLATED, 9)
        print(name, path.stat().st_size)


if __name__ == "__main__":
    main()
