"""One session of one board, logged by two laptops in turn: its strikes are worked out from both."""

import shutil

import numpy as np
import pytest
from cobs import cobs

from logger.cli import main
from logger.collector.recording import BoardIdentity, TimedRecord
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import RawRecord
from logger.protocol.wire import parse
from logger.session.logging.fitting import FittingSession
from logger.session.logging.opening import open_session
from logger.session.logging.rework import merge_file
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.store import Store
from simulators import encode

SECOND = 10**9


def body_of(frame):
    return cobs.decode(frame[:-1])[:-4]


@pytest.fixture
def shed(new_file, start_ns):
    """A file with a session and a board; make records of it."""
    path = new_file("one.db")
    hello = parse(body_of(encode.Hello(
        board_id=bytes(range(8)), boot_id=7, firmware=(1, 0, 0), tick_hz=1_000_000, rows=1,
        cells=16, pitch_um=4000, row_distance_um=0, scan_order=0, scan_ticks=52, full_scale=1023,
        trigger_level=24, oldest_kept=0, next_sequence=0, abilities=31, name="bench",
    ).encode()))  # fmt: skip
    clubs = tuple(Club(label, ClubSpec(lie_deg=62.0)) for label in ("6i", "7i"))
    with Store.open(path) as store:
        store.sets.import_file(
            SetFile("Ada", "right", "irons", "7i", None, clubs), at_utc_ns=start_ns
        )
        store.agreed.add(hello.board_id, "bench", at_utc_ns=start_ns)
        open_session(store, player=None, set_name=None, now_utc_ns=start_ns)

    def reading(sequence):
        body = body_of(encode.reading(
            sequence=sequence, ticks=sequence * 3_000_000, position=400 + 10 * sequence,
            trail=encode.TRAIL_UNKNOWN, pressure=500, flags=0, span_ticks=700,
        ))  # fmt: skip
        raw = RawRecord(record_from_raw((body,)), (body,), sequence)
        return TimedRecord(sequence, raw, start_ns + (1 + 3 * sequence) * SECOND, 100_000)

    def take(file, sequences):
        with Store.open(file) as store:
            session = FittingSession(store, 1)
            boot = session.begin_boot(
                BoardIdentity(hello.board_id, "00000007", "bench", hello), start_ns
            ).boot_row
            records = [reading(n) for n in sequences]
            session.store_records(boot, records)
            session.file(boot, records)
            session.idle(start_ns + 1000 * SECOND)

    return path, take


def test_records_of_both_are_worked_out_again(shed, content, tmp_path):
    path, take = shed
    take(path, range(4))
    other = shutil.copy(path, tmp_path / "other.db")
    # The board went to the other laptop and back.
    take(other, range(4, 8))
    take(path, range(8, 10))
    with Store.open(other) as store:
        store.strikes.set_aside(store.strikes.contacts(1)[5], "topped")
    whole = shutil.copy(path, tmp_path / "whole.db")
    other_whole = shutil.copy(other, tmp_path / "other-whole.db")
    report = merge_file(whole, other)
    assert [session for session, _ in report.mixed] == [1]
    merge_file(other_whole, path)
    assert content(whole) == content(other_whole)
    with Store.open(whole) as store:
        assert store.records.last_contiguous(1) == 9
        contacts = store.strikes.contacts(1)
        assert [c.first_sequence for c in contacts] == list(range(10))
        assert contacts[5].reason == "topped"
    assert main(["check", "--db", str(whole)]) == 0
    assert np.all(np.diff([c.board_mm for c in contacts]) > 0)


def test_from_the_command_line(shed, tmp_path, capsys):
    path, take = shed
    other = shutil.copy(path, tmp_path / "other.db")
    take(other, range(3))
    assert main(["merge", str(other), "--db", str(path)]) == 0
    said = capsys.readouterr().out
    assert "3 raw records" in said
    assert "3 strikes" in said
    assert main(["merge", str(other), "--db", str(path)]) == 0
    assert "nothing in it that" in capsys.readouterr().out
    with Store.open(other) as store:
        store.strikes.set_aside(store.strikes.contacts(1)[0], "mine")
    with Store.open(path) as store:
        store.strikes.bring_back(store.strikes.contacts(1)[0], "yours")
    assert main(["merge", str(other), "--json", "--db", str(path)]) == 0
    assert '"kept": "aside"' in capsys.readouterr().out
    assert main(["merge", str(tmp_path / "none.db"), "--db", str(path)]) == 4
    assert "check the name" in capsys.readouterr().err
