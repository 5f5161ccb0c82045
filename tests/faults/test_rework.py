"""What comes late, or was cut off, is worked out from a little before it: to the same end."""

import numpy as np
import pytest
from cobs import cobs
from fault_bench import SETS

from logger.collector.recording import BoardIdentity, TimedRecord
from logger.protocol.records import Flag, RawRecord, Reading
from logger.session.logging.fitting import FittingSession
from logger.session.logging.opening import open_session
from logger.setfiles import load_set
from logger.store.store import Store
from simulators import encode

START_NS = 1_800_000_000_000_000_000
WHAT = (
    "SELECT first_sequence, last_sequence, within, kind, board_mm, load, span_us, flags,"
    " rule_reason, struck_utc_ns FROM strikes ORDER BY first_sequence, within"
)


def records(rng, contacts):
    """Strikes, bounces, brushes and resting heads of one to four readings, in text or not."""
    made, t_us = [], 1_000_000
    for _ in range(contacts):
        t_us += int(rng.choice([60_000, 90_000, 700_000, 4_000_000]))
        count = int(rng.integers(1, 5))
        load = int(rng.choice([800, 700, 500, 60, 20]))
        step_us = int(rng.choice([500, 2_000, 40_000]))
        for place in range(count):
            sequence = len(made)
            flags = Flag(0)
            flags |= Flag.BEGINS if place == 0 and rng.random() < 0.9 else Flag(0)
            flags |= Flag.ENDS if place == count - 1 and rng.random() < 0.9 else Flag(0)
            position = int(rng.integers(-3000, 3000))
            frame = encode.reading(
                sequence=sequence, ticks=t_us % 2**32, position=position,
                trail=encode.TRAIL_UNKNOWN, pressure=load, flags=int(flags), span_ticks=0,
            )  # fmt: skip
            reading = Reading(sequence, t_us % 2**32, position / 100, None, load, flags, 0)
            raw = RawRecord(reading, (_body(frame),), t_us * 1000)
            made.append(TimedRecord(sequence, raw, START_NS + t_us * 1000, 1000))
            t_us += step_us
    return made


def _body(frame):
    return cobs.decode(frame.rstrip(b"\x00"))[:-4]


@pytest.fixture
def session_in(tmp_path):
    stores = []

    def make(name):
        store = Store.open(tmp_path / name)
        stores.append(store)
        store.sets.import_file(load_set(SETS[0]), at_utc_ns=0)
        return store, open_session(store, player=None, set_name=None, now_utc_ns=START_NS)

    yield make
    for store in stores:
        store.close()


def begin(session):
    return session.begin_boot(BoardIdentity("text:b", "1", "b", None), START_NS).boot_row


def kept(store):
    return store.file.connection.execute(WHAT).fetchall()


@pytest.mark.parametrize("seed", range(4))
def test_late_records_end_where_all_in_order_do(session_in, seed):
    rng = np.random.default_rng(4 + seed)
    every = records(rng, 120)
    late = sorted(rng.choice(len(every), size=6, replace=False))
    store, session = session_in("order.db")
    boot = begin(session)
    session.store_records(boot, every)
    session.file(boot, every)
    session.rebuild(boot)
    session.idle(START_NS + 10**15)
    wanted = kept(store)
    assert len({row[3] for row in wanted}) >= 3

    store, session = session_in("late.db")
    boot = begin(session)
    rest = [record for record in every if record.sequence not in late]
    for first in range(0, len(rest), 7):
        session.store_records(boot, rest[first : first + 7])
        session.file(boot, rest[first : first + 7])
    for sequence in rng.permutation(late):
        session.store_records(boot, [every[sequence]])
        session.file(boot, [every[sequence]])
    session.idle(START_NS + 10**15)
    assert kept(store) == wanted


@pytest.mark.parametrize("seed", range(4))
def test_a_run_cut_off_anywhere_ends_where_one_in_a_piece_does(session_in, seed):
    rng = np.random.default_rng(98 + seed)
    every = records(rng, 120)
    store, session = session_in("whole.db")
    boot = begin(session)
    session.store_records(boot, every)
    session.file(boot, every)
    session.rebuild(boot)
    session.idle(START_NS + 10**15)
    wanted = kept(store)

    store, session = session_in("cut.db")
    boot = begin(session)
    at = 0
    while at < len(every):
        some = every[at : at + int(rng.integers(1, 60))]
        at += len(some)
        session.store_records(boot, some)
        if rng.random() < 0.5:
            session.file(boot, some[: int(rng.integers(0, len(some) + 1))])
        # The program is killed here, and started again.
        session = FittingSession(store, session.row.id)
        if rng.random() < 0.8:
            session.recover()
        boot = begin(session)
    session.recover()
    session.idle(START_NS + 10**15)
    assert kept(store) == wanted


def test_a_long_session_is_not_read_from_its_start(session_in):
    every = records(np.random.default_rng(5), 600)
    store, session = session_in("long.db")
    boot = begin(session)
    session.store_records(boot, every)
    session.file(boot, every)
    session = FittingSession(store, session.row.id)
    read = []
    whole = store.records.read
    store.records.read = lambda **of: read.append(of["from_sequence"]) or whole(**of)
    session.recover()
    assert read
    assert min(read) > 0.6 * len(every)
