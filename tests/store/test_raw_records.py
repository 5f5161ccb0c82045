"""Nothing lost, nothing twice."""

import secrets
import sqlite3
import threading
from contextlib import closing
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import StoreError
from logger.protocol.records import Flag
from logger.store.store import Store


def sequences(store, **of):
    return [record.sequence for record in store.records.read(**of)]


def test_everything_of_a_record_comes_back(store, boot, session, timed, start_utc_ns):
    bodies = (b"\x03first part", b"\x03second part")
    item = timed(5, kind="strike", raw=bodies, flags=Flag.EDGE | Flag.NO_TICKS)
    assert store.records.add(boot, [item], session=session) == [5]
    (record,) = store.records.read(boot=boot)
    assert (record.boot, record.sequence, record.kind, record.session) == (
        boot,
        5,
        "strike",
        session,
    )
    assert record.raw == bodies
    assert Flag(record.flags) == Flag.EDGE | Flag.NO_TICKS
    assert (record.arrival_ns, record.struck_utc_ns) == (1005, start_utc_ns + 5 * 10**9)
    assert record.struck_u_ns == 50_000


def test_only_new_records_are_reported_and_the_rest_does_no_harm(store, boot, timed):
    assert store.records.add(boot, [timed(n) for n in (3, 4, 4, 3, 5)]) == [3, 4, 5]
    assert store.records.add(boot, [timed(n) for n in (6, 5, 2, 6)]) == [6, 2]
    assert store.records.add(boot, [timed(n) for n in (2, 3)]) == []
    assert store.records.add(boot, []) == []
    assert sequences(store, boot=boot) == [2, 3, 4, 5, 6]


def test_each_boot_counts_for_itself(store, boot, timed, start_utc_ns):
    text = store.boards.remember_boot(
        board_key="text:bench", boot_key="1", name="bench", hello=None, seen_utc_ns=start_utc_ns
    )
    again = store.boards.remember_boot(
        board_key="text:bench", boot_key="2", name="bench", hello=None, seen_utc_ns=start_utc_ns
    )
    for each in (boot, text, again):
        assert store.records.add(each, [timed(0), timed(1)]) == [0, 1]
    assert sequences(store, boot=again) == [0, 1]
    assert len(sequences(store)) == 6


def test_other_bytes_under_a_known_number_are_kept_aside(store, boot, timed, caplog):
    store.records.add(boot, [timed(0, raw=(b"LB1 n=0 x=1",))])
    other = timed(0, raw=(b"LB1 n=0 x=9",))
    assert store.records.add(boot, [other, timed(1)]) == [1]
    assert store.records.add(boot, [other]) == []
    assert next(store.records.read(boot=boot)).raw == (b"LB1 n=0 x=1",)
    assert "record 0 of boot 1 came again with other bytes" in caplog.text


def test_a_batch_is_stored_whole_or_not_at_all(store, boot, timed):
    # a column of whole numbers takes no text (STRICT), and that shows at the second row only
    broken = replace(timed(8), struck_utc_ns="soon")
    with pytest.raises(StoreError, match="nothing of it was stored"):
        store.records.add(boot, [timed(7), broken])
    with pytest.raises(StoreError, match="nothing of it was stored"):
        store.records.add(boot, [timed(7)], session=999)
    with pytest.raises(StoreError, match="nothing of it was stored"):
        store.records.add(999, [timed(7)])
    assert sequences(store) == []
    assert store.records.add(boot, [timed(7)]) == [7]


def test_what_was_added_is_there_for_another_program(store, boot, timed, path):
    store.records.add(boot, [timed(n) for n in range(3)])
    with closing(sqlite3.connect(path)) as other:
        assert other.execute("SELECT COUNT(*) FROM records").fetchone() == (3,)


def test_long_reads_come_page_by_page_and_do_not_stop_writing(store, boot, session, timed):
    store.records.add(boot, [timed(n) for n in range(0, 1200)], session=session)
    store.records.add(boot, [timed(n) for n in range(1200, 1300)])
    reading = store.records.read(session=session)
    first = [next(reading).sequence for _ in range(3)]
    assert store.records.add(boot, [timed(2000)], session=session) == [2000]
    assert first + [record.sequence for record in reading] == [*range(1200), 2000]
    assert sequences(store, boot=boot, from_sequence=1195) == [*range(1195, 1300), 2000]
    assert sequences(store, boot=boot, session=session, from_sequence=1199) == [1199, 2000]


@given(
    stored=st.lists(st.integers(0, 30), max_size=30),
    lost=st.lists(st.tuples(st.integers(0, 30), st.integers(0, 5)), max_size=4),
)
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_last_contiguous_against_counting(store, path, timed, stored, lost):
    key = secrets.token_hex(8)
    boot = store.boards.remember_boot(
        board_key=key, boot_key="1", name="b", hello=None, seen_utc_ns=0
    )
    steps = [("record", n, n) for n in stored] + [("loss", a, a + n) for a, n in lost]
    covered = set()
    counted = None
    # every other step, so that records and losses come mixed
    for kind, first, last in steps[::2] + steps[1::2]:
        if kind == "record":
            store.records.add(boot, [timed(first)])
        else:
            store.records.add_loss(boot, count=last - first + 1, reason="memory full",
                           from_sequence=first, to_sequence=last, noted_utc_ns=0)  # fmt: skip
        covered |= set(range(first, last + 1))
        counted = next(n for n in range(100) if n not in covered) - 1 if 0 in covered else None
        assert store.records.last_contiguous(boot) == counted
    with Store.open(path, read_only=True) as other:
        assert other.records.last_contiguous(boot) == counted
        assert other.records.sequences_after(boot, 10) == {n for n in stored if n > 10}


def test_losses_are_counted_once(store, boot, session, clubs, start_utc_ns):
    def lose(**span):
        return store.records.add_loss(
            boot, count=3, reason="memory full", noted_utc_ns=start_utc_ns, session=session,
            club=clubs["7i"], **span,
        )  # fmt: skip

    assert lose(from_sequence=4, to_sequence=6)
    assert not lose(from_sequence=4, to_sequence=6)
    # where only the number is known, each report is one of its own
    assert lose()
    assert lose()
    assert [loss.count for loss in store.records.losses(session=session)] == [3, 3, 3]
    assert [loss.from_sequence for loss in store.records.losses(boot=boot)] == [4, None, None]
    assert store.records.losses(session=session + 1) == []
    (count,) = store.strikes.counts_by_club(session)
    assert (count.club, count.used, count.lost) == (clubs["7i"], 0, 9)


def test_many_threads_at_once(store, boot, timed):
    failures = []

    def work(first):
        try:
            for n in range(first, first + 100, 5):
                store.records.add(boot, [timed(k) for k in range(n, n + 5)])
                store.records.last_contiguous(boot)
                list(store.records.read(boot=boot, from_sequence=n))
        except Exception as exc:  # noqa: BLE001
            failures.append(exc)

    threads = [threading.Thread(target=work, args=(100 * k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert sequences(store, boot=boot) == [*range(400)]
    assert store.records.last_contiguous(boot) == 399


def test_boards_and_their_hello(store, boot, hello, start_utc_ns):
    assert store.boards.hello_of(boot) == hello
    later = replace(hello, trigger_level=90, next_sequence=12, name="shed")
    same = store.boards.remember_boot(
        board_key=hello.board_id, boot_key="00000007", name="shed", hello=later,
        seen_utc_ns=start_utc_ns + 5,
    )  # fmt: skip
    assert same == boot
    assert store.boards.hello_of(boot) == later
    board = store.boards.of_boot(boot)
    assert (board.name, board.form, board.accepted) == ("shed", "binary", None)
    assert board.first_seen_utc_ns == start_utc_ns
    text = store.boards.remember_boot(
        board_key="text:bench", boot_key="x", name="bench", hello=None, seen_utc_ns=start_utc_ns + 9
    )
    assert store.boards.hello_of(text) is None
    store.boards.accept(board.id, accepted=False, at_utc_ns=start_utc_ns + 9)
    assert [(b.form, b.accepted) for b in store.boards.all()] == [("binary", False), ("text", None)]
    with pytest.raises(StoreError, match="no boot 99"):
        store.boards.hello_of(99)
    with pytest.raises(StoreError, match="no boot 99"):
        store.boards.of_boot(99)
    with pytest.raises(StoreError, match="no boards row 99"):
        store.boards.accept(99, accepted=True, at_utc_ns=0)


def test_boots_of_a_session(store, boot, session, timed):
    assert store.boards.boots_of(session) == []
    store.records.add(boot, [timed(0), timed(1, kind="button")], session=session)
    assert store.boards.boots_of(session) == [boot]
    assert [record.kind for record in store.records.read(session=session)] == ["reading", "button"]


def test_scans_come_back_by_number(store, boot, session, timed, start_utc_ns):
    again = store.boards.remember_boot(
        board_key="text:bench", boot_key="2", name="bench", hello=None, seen_utc_ns=start_utc_ns
    )
    # More than one page of them.
    many = range(0, 1400, 2)
    raw = {n: (b"\x03" + n.to_bytes(4, "little"), b"\x03rest") for n in many}
    store.records.add(boot, [timed(n, kind="strike", raw=raw[n]) for n in many], session=session)
    store.records.add(boot, [timed(1), timed(3, kind="button")], session=session)
    store.records.add(boot, [timed(5, kind="strike", raw=(b"\x03of no session",))])
    store.records.add(again, [timed(7, kind="strike", raw=(b"\x03elsewhere",))], session=session)
    assert store.records.scans(boot, range(1400), session=session) == raw
    assert store.records.scans(boot, [6, 1, 2, 5, 7, 9, 2], session=session) == {
        2: raw[2],
        6: raw[6],
    }
    assert store.records.scans(boot, [], session=session) == {}
