"""A fitting session on a real data file, fed with records as the collector hands them on."""

import random

import numpy as np
import pytest
from cobs import cobs

from logger.cli import main
from logger.collector.recording import BoardIdentity, TimedRecord
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import RawRecord
from logger.protocol.wire import parse
from logger.session.evidence.evidence import session_picture
from logger.session.logging.opening import open_session
from logger.session.results.planning import PlanWishes, bend_plan
from logger.setfiles import load_set
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.store import Store
from simulators import encode

START_NS = 1_750_000_000 * 10**9
SECOND = 10**9
TICK_HZ = 1_000_000
CELLS = 16
# The board's counter at the start of the session: wraps and zero have nothing to do with UTC.
START_TICKS = 3_000_000_000

SET = """
player = "Ada Lindqvist"
hand = "right"
set = "Test irons"
pivot = "7i"
[[club]]
label = "6i"
[[club]]
label = "7i"
[[club]]
label = "8i"
"""


class Desk:
    """A session, and records of one board for it."""

    def __init__(self, store, session):
        self.store = store
        self.session = session
        self.hello = parse(
            body_of(encode.Hello(
                board_id=bytes(range(8)), boot_id=7, firmware=(1, 0, 0), tick_hz=TICK_HZ, rows=1,
                cells=CELLS, pitch_um=4000, row_distance_um=0, scan_order=0, scan_ticks=52,
                full_scale=1023, trigger_level=24, oldest_kept=0, next_sequence=0, abilities=31,
                name="bench",
            ).encode())
        )  # fmt: skip

    def identity(self, boot_key="00000007", hello=True):
        board = self.hello.board_id if hello else "text:bench"
        return BoardIdentity(board, boot_key, "bench", self.hello if hello else None)

    def boot(self, boot_key="00000007", session=None):
        return self.greet(boot_key, session).boot_row

    def greet(self, boot_key="00000007", session=None):
        return (session or self.session).begin_boot(self.identity(boot_key), START_NS)

    def ticks(self, at_s):
        return (START_TICKS + round(at_s * TICK_HZ)) % 2**32

    def record(self, sequence, at_s, *bodies):
        raw = RawRecord(record_from_raw(bodies), tuple(bodies), round(at_s * SECOND))
        return TimedRecord(sequence, raw, START_NS + round(at_s * SECOND), 100_000)

    def strike(self, sequence, at_s, place=7, scan_ticks=None, cells=CELLS):
        """A strike of a few scans whose patch is centred on a cell."""
        counts = np.full((8, 1, cells), 100, dtype=np.uint16)
        for scan, height in ((4, 300), (5, 700), (6, 300)):
            for offset, share in ((-2, 0.2), (-1, 0.7), (0, 1.0), (1, 0.7), (2, 0.2)):
                counts[scan, 0, place + offset] += round(height * share)
        if scan_ticks is None:
            scan_ticks = [(self.ticks(at_s) + 200 * scan) % 2**32 for scan in range(8)]
        bodies = encode.strike(
            sequence=sequence, flags=0, span_ticks=700,
            scan_ticks=np.array(scan_ticks, dtype=np.uint32), counts=counts,
        )  # fmt: skip
        return self.record(sequence, at_s, *map(body_of, bodies))

    def reading(self, sequence, at_s, board_mm=4.0, flags=0, span_ticks=0, pressure=500):
        return self.record(sequence, at_s, body_of(encode.reading(
            sequence=sequence, ticks=self.ticks(at_s), position=round(board_mm * 100),
            trail=encode.TRAIL_UNKNOWN, pressure=pressure, flags=flags, span_ticks=span_ticks,
        )))  # fmt: skip

    def button(self, sequence, at_s, action):
        return self.record(
            sequence, at_s,
            body_of(encode.button(sequence=sequence, ticks=self.ticks(at_s), action=action)),
        )  # fmt: skip

    def take(self, boot, *records, session=None):
        """Store and file, as a connection does with records in order."""
        session = session or self.session
        session.store_records(boot, records)
        return session.file(boot, records)

    def again(self, at_s=100.0):
        """Go on with the session as a new run of the program does."""
        return open_session(
            self.store, player=None, set_name=None, now_utc_ns=START_NS + round(at_s * SECOND)
        )

    def contacts(self):
        return self.store.strikes.contacts(self.session.row.id)

    def used(self):
        """Label of the club and first record of every strike that counts."""
        labels = {club.id: club.label for club in self.session.set.clubs}
        return [(labels.get(c.club), c.first_sequence) for c in self.contacts() if c.used]


def body_of(frame):
    """Type and payload of an encoded frame."""
    return cobs.decode(frame[:-1])[:-4]


@pytest.fixture
def desk(tmp_path):
    file = tmp_path / "set.toml"
    file.write_text(SET)
    with Store.open(tmp_path / "data.db") as store:
        store.sets.import_file(load_set(file), at_utc_ns=START_NS - SECOND)
        session = open_session(store, player=None, set_name=None, now_utc_ns=START_NS)
        yield Desk(store, session)


@pytest.fixture
def at_ns():
    return lambda at_s: START_NS + round(at_s * SECOND)


# Mean contacts on soles of 300 mm radius: 5.24 mm are a degree (R pi / 180).
TOES_MM = {"5i": -7.2, "6i": 0.0, "7i": 0.0, "8i": 0.0, "9i": 0.0}
MARKED_NS = 1_700_000_000 * 10**9


def spec(place, **changes):
    fields = {
        "length_mm": 965.2 - 12.7 * place, "lie_deg": 61.0 + 0.5 * place, "camber_mm": 300.0,
        "loft_deg": 26.0 + 4.0 * place, "bounce_deg": 3.0 + place, "camber_u_mm": 5.0,
        "sole_length_mm": 78.0, "head_material": "forged",
    }  # fmt: skip
    return ClubSpec(**(fields | changes))


@pytest.fixture
def marked(tmp_path):
    """Marks of five irons in a data file; the 5i stands a degree too upright.

    ``counts`` says how many marks a club has, ``changes`` what of its spec is otherwise.
    """

    def make(hand="right", toes=TOES_MM, trail_mm=0.0, count=8, counts=None, changes=None):
        path = tmp_path / "marked.db"
        noise = random.Random(3)
        with Store.open(path) as store:
            clubs = tuple(
                Club(label, spec(place, **(changes or {}).get(label, {})))
                for place, label in enumerate(toes)
            )
            set_id = store.sets.import_file(
                SetFile("Ada Lindqvist", hand, "Test irons", "7i", 0.5, clubs),
                at_utc_ns=MARKED_NS,
            )
            began = MARKED_NS + 10**15 * len(store.sessions.all())
            session = store.sessions.start(
                set_id, started_utc_ns=began, stance_u_mm=1.0, sole_middle_u_mm=5.0, ball=True
            )
            at = began
            for club in store.sets.get(set_id).clubs:
                for _ in range((counts or {}).get(club.label, count)):
                    at += 10**10
                    store.strikes.add_mark(
                        session, club.id, struck_utc_ns=at, u_mm=1.0,
                        toe_mm=toes[club.label] + noise.gauss(0.0, 1.5),
                        trail_mm=trail_mm + noise.gauss(0.0, 0.8),
                    )  # fmt: skip
            store.sessions.end(session, ended_utc_ns=at + 1)
        return path

    return make


@pytest.fixture
def planned():
    """Plan the bends of a data file's latest session, in degrees unless metres are asked for."""

    def plan(db, metres=False, session=None, **wishes):
        with Store.open(db, read_only=True) as store:
            row = store.sessions.all()[-1] if session is None else store.sessions.get(session)
            picture = session_picture(store, row)
            return bend_plan(store, row, picture, PlanWishes(metres=metres, **wishes))

    return plan


@pytest.fixture
def overlay():
    """Keep an overlay of two clubs of the first set."""

    def keep(db, first, second, offset_mm, u_mm=1.0):
        with Store.open(db) as store:
            ids = {club.label: club.id for club in store.sets.get(1).clubs}
            store.readings.add_overlay(
                ids[first], ids[second], offset_mm=offset_mm, u_mm=u_mm, read_utc_ns=MARKED_NS + 1
            )

    return keep


@pytest.fixture
def sheet(capsys):
    """Run ``lieboard sheet``; exit code, table and the line of what went wrong."""

    def run(db, *options):
        code = main(["sheet", "--db", str(db), *options])
        shown = capsys.readouterr()
        return code, shown.out, shown.err

    return run
