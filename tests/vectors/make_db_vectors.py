"""Write a small data file with the code of each schema version: ``db/schema-*.db.gz``.

::

    python tests/vectors/make_db_vectors.py [NAME ...]

Takes each version's code from the repository's history (`REVISIONS`) into a folder of its own and
lets that code make a file: a set, a board and its start, records as they come off the wire (two of
strikes with scans, readings, a press of the foot switch), strikes, a take-back, a mark, a bend, a
note, a loss, and whatever else that version has a table for. A version that was released is never
written again: what its code wrote then is what people have. Code from before the store had parts is
no longer called by this; those files are kept.
"""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
import tarfile
import tempfile
from dataclasses import asdict
from io import BytesIO
from pathlib import Path

import numpy as np
from cobs import cobs

from simulators import encode

FOLDER = Path(__file__).parent / "db"
REPOSITORY = Path(__file__).parents[2]
# 4b and 5b: of development, when two steps bore the number 4.
REVISIONS = {
    "1": "f2b821d",
    "2": "9c2ca1e",
    "3": "239e7c9",
    "4b": "bc84465",
    "5b": "f030531",
    "5": "35ef8d2",
    "6": "f31cb07",
    "7": "2fd9377",
    "8": "3867e26",
}
START_NS = 1_750_000_000 * 10**9

# Run with the old code alone on its path.
CHILD = """
import json, sys
from pathlib import Path
import logger
folder, target, START = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
assert logger.__file__.startswith(folder), logger.__file__
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import RawRecord
from logger.store.rows import NewStrike
from logger.store.store import Store
from logger.protocol.wire import parse
S = 10**9

class Timed:
    def __init__(self, n, at_s, bodies):
        bodies = tuple(bytes.fromhex(b) for b in bodies)
        self.sequence, self.struck_utc_ns, self.struck_u_ns = n, START + int(at_s * S), 100_000
        self.raw = RawRecord(record_from_raw(bodies), bodies, int(at_s * S))

given = json.load(sys.stdin)
hello = parse(bytes.fromhex(given["hello"]))
records = [Timed(*one) for one in given["records"]]
with Store.open(target) as store:
    clubs = (
        Club("6i", ClubSpec(length_mm=952.5, lie_deg=61.5, camber_mm=300, camber_u_mm=15)),
        Club("7i", ClubSpec(length_mm=939.8, lie_deg=62.0, head_material="forged")),
        Club("PW", ClubSpec(lie_deg=63.5, bias=2.0, bias_unit="mm")),
    )
    own = store.sets.import_file(SetFile("Ada Lindqvist", "left", "Old irons", "7i", 0.5, clubs),
                           at_utc_ns=START)
    ids = {c.label: c.id for c in store.sets.get(own).clubs}
    boot = store.boards.remember_boot(board_key=hello.board_id, boot_key=f"{hello.boot_id:08x}",
                               name=hello.name, hello=hello, seen_utc_ns=START)
    text = store.boards.remember_boot(board_key="text:mat_2", boot_key="feed", name="mat_2", hello=None,
                               seen_utc_ns=START)
    session = store.sessions.start(own, started_utc_ns=START, stance_mm=4, stance_u_mm=1,
        sole_middle_mm=1.5, sole_middle_u_mm=2, ball=True, surface="range mat", note="first")
    store.sessions.add_turn(session, ids["7i"], from_utc_ns=START, cause="start")
    store.records.add(boot, records, session=session)
    store.records.add(boot, [Timed(1, 2.0, given["records"][2][2])], session=session)
    for strike in given["strikes"]:
        strike = NewStrike(**strike)
        store.strikes.file(session, boot, [strike], from_sequence=strike.first_sequence,
                           to_sequence=strike.last_sequence)
    press = next(r for r in records if type(r.raw.record).__name__ == "Button")
    store.sessions.add_turn(session, ids["6i"], from_utc_ns=press.struck_utc_ns,
                   cause=f"foot switch {boot}:{press.sequence}")
    store.strikes.refile(session)
    strikes = store.strikes.contacts(session)
    store.strikes.set_aside(strikes[0], "taken back (key)")
    store.strikes.bring_back(strikes[1], "it was good")
    store.strikes.add_mark(session, ids["7i"], struck_utc_ns=START + 9 * S, toe_mm=2.5, u_mm=1.0,
                   trail_mm=-1.0, audits=strikes[1].id)
    store.sessions.add_note(session, "wind from the left", written_utc_ns=START + 10 * S)
    store.records.add_loss(boot, count=2, reason="the board's memory was full", noted_utc_ns=START + 11 * S,
                   from_sequence=len(records), to_sequence=len(records) + 1, session=session,
                   club=ids["6i"])
    store.boards.accept(1, accepted=True, at_utc_ns=START - S)
    store.sessions.end(session, ended_utc_ns=START + 20 * S)
    store.readings.add_bend(ids["PW"], bent_utc_ns=START + 30 * S, planned_bend_deg=0.5, lie_before_deg=63.5,
                   lie_after_deg=64.0, session=session, note="soft jaws")
    store.calibrations.add(1, "evening-of-test", {"gain": [1.0, 1.1]}, from_utc_ns=START,
                          method_version="evening 1")
    store.agreed.add(hello.board_id, hello.name, at_utc_ns=START)
    store.readings.add_overlay(ids["6i"], ids["7i"], offset_mm=13.0, u_mm=1.0, read_utc_ns=START)
    store.readings.add_misses(ids["6i"], left_count=3, straight_count=5, right_count=1,
                     noted_utc_ns=START)
    with store.sessions.press(boot, press.sequence):
        pass
    store.forwarding.begin("shop", "file")
    store.forwarding.note_records("shop", 3)
    store.forwarding.file_key("key")
"""


def body_of(frame: bytes) -> str:
    """Type and payload of an encoded frame, in hex."""
    return cobs.decode(frame[:-1])[:-4].hex()


def given() -> dict[str, object]:
    """What the board sent, and the strikes that it was taken for."""
    cells, tick_hz = 16, 1_000_000
    hello = encode.Hello(
        board_id=bytes(range(8)), boot_id=7, firmware=(1, 0, 0), tick_hz=tick_hz, rows=1,
        cells=cells, pitch_um=4000, row_distance_um=0, scan_order=0, scan_ticks=52,
        full_scale=1023, trigger_level=24, oldest_kept=0, next_sequence=0, abilities=31,
        name="bench",
    )  # fmt: skip

    def strike(sequence: int, at_s: float, place: int) -> tuple[int, float, list[str]]:
        counts = np.full((8, 1, cells), 100, dtype=np.uint16)
        for scan, height in ((4, 300), (5, 700), (6, 300)):
            for offset, share in ((-2, 0.2), (-1, 0.7), (0, 1.0), (1, 0.7), (2, 0.2)):
                counts[scan, 0, place + offset] += round(height * share)
        ticks = np.array([round(at_s * tick_hz) + 200 * scan for scan in range(8)], np.uint32)
        bodies = encode.strike(
            sequence=sequence, flags=0, span_ticks=700, scan_ticks=ticks, counts=counts
        )
        return sequence, at_s, [body_of(body) for body in bodies]

    def reading(sequence: int, at_s: float, board_mm: float) -> tuple[int, float, list[str]]:
        frame = encode.reading(
            sequence=sequence, ticks=round(at_s * tick_hz), position=round(board_mm * 100),
            trail=encode.TRAIL_UNKNOWN, pressure=500, flags=0, span_ticks=700,
        )  # fmt: skip
        return sequence, at_s, [body_of(frame)]

    button = encode.button(sequence=3, ticks=7_000_000, action=1)
    records = [
        strike(0, 1.0, 7),
        reading(1, 3.0, 4.0),
        reading(2, 5.0, -6.0),
        (3, 7.0, [body_of(button)]),
        strike(4, 8.0, 9),
    ]
    return {
        "hello": body_of(hello.encode()),
        "records": records,
        "strikes": worked_out(records, body_of(hello.encode())),
    }


def worked_out(records: list[tuple[int, float, list[str]]], hello: str) -> list[dict[str, object]]:
    """Strikes by today's code: the oldest versions had none yet."""
    from logger.collector.recording import BoardIdentity, TimedRecord
    from logger.protocol.decoding import record_from_raw
    from logger.protocol.records import Hello, RawRecord
    from logger.protocol.wire import parse
    from logger.session.logging.opening import open_session
    from logger.setfiles import load_set
    from logger.store.rows import NewStrike
    from logger.store.store import Store

    said = parse(bytes.fromhex(hello))
    assert isinstance(said, Hello)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "set.toml"
        path.write_text('player="A"\nhand="left"\nset="S"\npivot="7i"\n[[club]]\nlabel="7i"\n')
        with Store.open(Path(folder) / "now.db") as store:
            store.sets.import_file(load_set(path), at_utc_ns=START_NS)
            store.agreed.add(said.board_id, said.name, at_utc_ns=START_NS)
            session = open_session(store, player=None, set_name=None, now_utc_ns=START_NS)
            store.file.connection.execute("UPDATE sessions SET sole_middle_mm = 1.5")
            session.row = store.sessions.get(session.row.id)
            boot = session.begin_boot(
                BoardIdentity(said.board_id, "00000007", "bench", said), START_NS
            ).boot_row
            timed = []
            for number, at_s, hexes in records:
                bodies = tuple(map(bytes.fromhex, hexes))
                raw = RawRecord(record_from_raw(bodies), bodies, round(at_s * 1e9))
                timed.append(TimedRecord(number, raw, START_NS + round(at_s * 1e9), 100_000))
            session.store_records(boot, timed)
            session.file(boot, timed)
            session.rebuild(boot)
            names = list(NewStrike.__dataclass_fields__)
            return [
                {name: asdict(row)[name] for name in names} for row in store.strikes.contacts(1)
            ]


def code_of(revision: str, folder: Path) -> None:
    """Put the product as it was at a revision into a folder."""
    packed = subprocess.run(
        ["git", "archive", revision, "logger", "analysis"],
        cwd=REPOSITORY, check=True, capture_output=True,
    ).stdout  # fmt: skip
    with tarfile.open(fileobj=BytesIO(packed)) as archive:
        archive.extractall(folder, filter="data")


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    told = json.dumps(given())
    for name in sys.argv[1:] or REVISIONS:
        with tempfile.TemporaryDirectory() as folder:
            code_of(REVISIONS[name], Path(folder))
            target = Path(folder) / "made.db"
            subprocess.run(
                [sys.executable, "-c", CHILD, folder, str(target), str(START_NS)],
                input=told, text=True, check=True, cwd=folder,
                env={**os.environ, "PYTHONPATH": folder},
            )  # fmt: skip
            packed = gzip.compress(target.read_bytes(), mtime=0)
            (FOLDER / f"schema-{name}.db.gz").write_bytes(packed)
            print(name, len(packed))


if __name__ == "__main__":
    main()
