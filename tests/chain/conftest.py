"""Sessions of invented players on real data files, with raw scans, readings, marks and words."""

import shutil

import numpy as np
import pytest
from cobs import cobs

from logger.collector.recording import BoardIdentity, TimedRecord
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import RawRecord
from logger.protocol.wire import parse
from logger.session.logging.fitting import FittingSession
from logger.setfiles import load_set
from logger.store.store import Store
from simulators import encode

SECOND = 10**9
DAY = 86_400 * SECOND
# 2026-01-31T23:00:00Z: an hour before a month's end.
START_NS = 1_769_900_400 * SECOND
CELLS = 28
SET = """
player = "{player}"
hand = "{hand}"
set = "Test irons"
pivot = "7i"
[[club]]
label = "6i"
length_mm = 952.5
lie_deg = 61.5
camber_mm = 300
camber_u_mm = 15
[[club]]
label = "7i"
length_mm = 939.8
lie_deg = 62.0
[[club]]
label = "8i"
length_mm = 927.1
lie_deg = 62.5
"""


def body_of(frame):
    return cobs.decode(frame[:-1])[:-4]


class Bay:
    """A data file and a board that fills it; what is struck is drawn from a seed."""

    def __init__(self, path, seed=1):
        self.path = path
        self.store = Store.open(path)
        self._rng = np.random.default_rng(seed)
        self._board = bytes([seed]) * 8
        self._boots = self.store.file.number("SELECT COUNT(*) FROM boots")
        self._sequence = 0
        self._boot = None
        self.session = None

    def player(self, name, hand="right"):
        file = self.path.with_name(f"{self.path.stem}-set.toml")
        file.write_text(SET.format(player=name, hand=hand))
        return self.store.sets.import_file(load_set(file), at_utc_ns=START_NS - DAY)

    def begin(self, set_id, at_ns, whole_scans=True):
        """A new session and a new start of the board."""
        row = self.store.sessions.start(
            set_id, started_utc_ns=at_ns, stance_mm=3, stance_u_mm=1, sole_middle_u_mm=4,
            ball=True, surface="mat",
        )  # fmt: skip
        self._boots += 1
        self._sequence, self._at_ns = 0, at_ns
        self.session = FittingSession(self.store, row)
        hello = encode.Hello(
            board_id=self._board, boot_id=self._boots, firmware=(1, 0, 0), tick_hz=1_000_000,
            rows=1, cells=CELLS, pitch_um=4000, row_distance_um=0, scan_order=0, scan_ticks=52,
            full_scale=1023, trigger_level=24, oldest_kept=0, next_sequence=0, abilities=31,
            name="bench",
        )  # fmt: skip
        said = parse(body_of(hello.encode()))
        identity = BoardIdentity(said.board_id, f"{self._boots:08x}", "bench", said)
        self._boot = self.session.begin_boot(identity, at_ns).boot_row
        self._whole_scans = whole_scans
        return row

    def swing(self, club, count=1, middle_mm=4.0):
        """Strikes of one club; each is a record on the disk and filed."""
        self.session.choose_club(club, self._at_ns)
        for _ in range(count):
            self._at_ns += 20 * SECOND
            place_mm = middle_mm + 3 * self._rng.standard_normal()
            bodies = self._scans(place_mm) if self._whole_scans else self._reading(place_mm)
            raw = RawRecord(record_from_raw(bodies), bodies, self._at_ns)
            record = TimedRecord(self._sequence, raw, self._at_ns, 100_000)
            self._sequence += 1
            self.session.store_records(self._boot, [record])
            self.session.file(self._boot, [record])

    def end(self):
        self.session.idle(self._at_ns + 60 * SECOND)
        self.session.end(self._at_ns + 60 * SECOND)

    def _ticks(self):
        return self._at_ns // 1000 % 2**32

    def _scans(self, place_mm):
        cells = (np.arange(CELLS) - (CELLS - 1) / 2) * 4
        depth = 2.0 - (cells - place_mm) ** 2 / 600
        counts = np.full((8, 1, CELLS), 100.0)
        for scan, height in ((4, 150), (5, 300), (6, 150)):
            counts[scan, 0] += height * np.clip(depth, 0, None)
        counts += self._rng.normal(0, 1, counts.shape)
        ticks = (self._ticks() + 200 * np.arange(8)) % 2**32
        frames = encode.strike(
            sequence=self._sequence, flags=0, span_ticks=700, scan_ticks=ticks.astype(np.uint32),
            counts=np.rint(counts).astype(np.uint16),
        )  # fmt: skip
        return tuple(body_of(frame) for frame in frames)

    def _reading(self, place_mm):
        return (body_of(encode.reading(
            sequence=self._sequence, ticks=self._ticks(), position=round(place_mm * 100),
            trail=encode.TRAIL_UNKNOWN, pressure=500, flags=4, span_ticks=700,
        )),)  # fmt: skip


@pytest.fixture
def start_ns():
    return START_NS


@pytest.fixture
def day_ns():
    return DAY


@pytest.fixture
def bay_at():
    """Open a bay on a data file; closed at the end of the test."""
    bays = []

    def open_bay(path, seed=1):
        bays.append(Bay(path, seed))
        return bays[-1]

    yield open_bay
    for bay in bays:
        bay.store.close()


@pytest.fixture(scope="session")
def filled_file(tmp_path_factory):
    """A data file with three sessions of two players: scans, readings, a mark, words, a bend."""
    bay = Bay(tmp_path_factory.mktemp("filled") / "bay.db")
    ada = bay.player("Ada Lindqvist")
    bay.begin(ada, START_NS)
    for club in ("7i", "6i", "8i"):
        bay.swing(club, 4)
    store = bay.store
    contacts = store.strikes.contacts(bay.session.row.id)
    store.strikes.set_aside(contacts[1], "slipped")
    club = next(c.id for c in store.sets.get(ada).clubs if c.label == "7i")
    store.strikes.add_mark(
        bay.session.row.id, club, struck_utc_ns=START_NS + SECOND, toe_mm=3.5, u_mm=1,
        audits=contacts[0].id,
    )  # fmt: skip
    store.sessions.add_note(bay.session.row.id, "wind from the left", written_utc_ns=START_NS)
    bay.end()
    store.readings.add_bend(
        club, bent_utc_ns=START_NS + DAY, lie_before_deg=62.0, lie_after_deg=62.5,
        session=bay.session.row.id,
    )  # fmt: skip
    bay.begin(ada, START_NS + 2 * DAY)
    for club in ("7i", "6i"):
        bay.swing(club, 4, middle_mm=1.0)
    bay.end()
    bo = bay.player("Bo Sanna", "left")
    bay.begin(bo, START_NS + 3 * DAY, whole_scans=False)
    for club in ("7i", "8i"):
        bay.swing(club, 5)
    bay.end()
    bay.store.close()
    return bay.path


@pytest.fixture
def bay(bay_at, filled_file, tmp_path):
    """A bay on a copy of the filled data file."""
    shutil.copy(filled_file, tmp_path / "bay.db")
    return bay_at(tmp_path / "bay.db")
