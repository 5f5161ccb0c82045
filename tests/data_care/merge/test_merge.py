"""Two data files become one: nothing twice, nothing lost, the same whichever takes in the other."""

import gzip
import itertools
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import SchemaVersionError, StoreError
from logger.session.logging import rework
from logger.store.migrations import STEPS
from logger.store.store import Store

SECOND = 10**9
VECTORS = Path(__file__).parents[2] / "vectors" / "db"


def test_every_table_is_content_or_this_files_own(new_file, table_lists):
    # A new table must be thought of here, and so in the rules for merging.
    told, not_told = table_lists
    with closing(sqlite3.connect(new_file("a.db"))) as connection:
        tables = {
            row[0]
            for row in connection.execute(
                "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
            )
        }
    assert tables == told | not_told


def test_what_each_adds_is_in_both(pair, writer, content, tmp_path, start_ns, both_ways):
    one, another = pair
    for path, shift in ((one, 0), (another, 100)):
        with Store.open(path) as store:
            w = writer(store)
            # The other file's rows get other numbers than here.
            extra = w.set(player=f"Player {shift}", at_s=shift)
            w.session(extra, at_s=shift)
            clubs = w.clubs(1)
            boot = w.boot(key=f"{shift:08x}", at_s=shift)
            session = w.session(1, at_s=1000 + shift)
            store.sessions.add_turn(
                session, clubs["6i"], from_utc_ns=start_ns, cause=f"foot switch {boot}:0"
            )
            w.strikes(session, boot, range(3), at_s=2000)
            strike = store.strikes.contacts(session)[0]
            store.strikes.set_aside(strike, f"taken back (foot switch {boot}:1)")
            with store.sessions.press(boot, 1):
                pass
            audited = store.strikes.contacts(session)[1].id
            store.strikes.add_mark(
                session, clubs["6i"], struck_utc_ns=start_ns + shift, toe_mm=1, u_mm=1,
                audits=audited,
            )  # fmt: skip
            store.readings.add_bend(
                clubs["8i"], bent_utc_ns=start_ns + shift, lie_before_deg=64.0,
                lie_after_deg=64.5 + shift, session=session,
            )  # fmt: skip
            store.sessions.add_note(session, "windy", written_utc_ns=start_ns)
            store.readings.add_overlay(
                clubs["6i"], clubs["7i"], offset_mm=shift, u_mm=1, read_utc_ns=start_ns
            )
            store.readings.add_misses(
                clubs["6i"], left_count=1, straight_count=2, right_count=3,
                noted_utc_ns=start_ns + shift,
            )  # fmt: skip
            store.calibrations.add(
                1, "evening", {"gain": shift}, from_utc_ns=start_ns, method_version="1"
            )
            store.agreed.add(f"board {shift}", "shed", at_utc_ns=start_ns)
            store.records.add_loss(
                boot, count=2, reason="memory full", noted_utc_ns=start_ns, from_sequence=7,
                to_sequence=8, session=session, club=clubs["6i"],
            )  # fmt: skip
    separately = [content(path) for path in pair]
    first, second = both_ways(tmp_path, one, another)
    assert first == second
    for table, rows in first.items():
        union = {*separately[0][table], *separately[1][table]}
        if table in ("clubs", "sets", "club_specs", "calibrations", "boards", "boots"):
            assert len(rows) == len(union), table
        else:
            assert set(rows) == union, table
    assert first["strikes"] != separately[0]["strikes"]
    assert len(first["calibrations"]) == 2


def test_a_file_merged_with_its_copy_is_what_it_was(pair, content, merged):
    one, another = pair
    before = content(one)
    report = merged(one, another)
    assert content(one) == before
    assert (report.added, report.changed, report.differences) == ({}, {}, ())


def test_set_aside_outweighs_counted_and_both_are_told(pair, tmp_path, merged, both_ways):
    one, another = pair
    with Store.open(one) as store:
        first, second, third, _ = store.strikes.contacts(1)
        store.strikes.set_aside(first, "my foot slipped")
        store.strikes.bring_back(second, "it was good")
        store.strikes.set_aside(third, "thin")
    with Store.open(another) as store:
        first, second, third, _ = store.strikes.contacts(1)
        store.strikes.bring_back(first)
        store.strikes.set_aside(third, "fat")
    a, b = both_ways(tmp_path, one, another)
    assert a == b
    words = [row[-2:] for row in sorted(a["strikes"], key=lambda row: row[3])]
    assert words == [
        ("aside", "my foot slipped"), ("use", "it was good"), ("aside", "fat"), (None, None),
    ]  # fmt: skip
    told = merged(one, another).differences
    assert [(d.what, d.kept, d.dropped) for d in told] == [
        ("strikes 00000007 0 0: fitter_choice", "aside", "use")
    ]


def test_the_set_that_was_imported_later_counts(pair, writer, tmp_path, merged, both_ways):
    one, another = pair
    with Store.open(one) as store:
        writer(store).set(labels="5i 6i 7i", at_s=50, lie=61.0)
    with Store.open(another) as store:
        writer(store).set(labels="7i 8i PW", at_s=90, lie=60.0)
    a, b = both_ways(tmp_path, one, another)
    assert a == b
    places = {row[2]: row[3] for row in a["clubs"]}
    # The later one never heard of the 5i, and took the 6i out.
    assert places == {"7i": 0, "8i": 1, "PW": 2, "5i": 3, "6i": None}
    assert a["sets"][0][3] == "PW"
    assert any(d.what == "set irons: order of clubs" for d in merged(another, one).differences)


def test_one_key_for_two_starts_of_a_board_that_cannot_count_them(
    new_file, writer, content, tmp_path, merged, both_ways
):
    files = []
    for name, word in (("one.db", b"a"), ("another.db", b"b")):
        path = new_file(name)
        with Store.open(path) as store:
            w = writer(store)
            session = w.session(w.set(), at_s=10)
            w.strikes(session, w.boot(), range(3), word=word)
        files.append(path)
    a, b = both_ways(tmp_path, *files)
    assert a == b
    assert len(a["records"]) == len(a["strikes"]) == 6
    assert len(a["boots"]) == 2
    assert a["clashes"] == []
    # Going on with one of the two files brings only what is new of it.
    with Store.open(files[1]) as store:
        w = writer(store)
        w.strikes(1, 1, range(3, 5), word=b"b")
    path = shutil.copy(files[0], tmp_path / "on.db")
    merged(path, files[1])
    merged(path, files[1])
    assert len(content(path)["records"]) == 8


def test_one_record_with_other_bytes_is_kept_aside(pair, writer, tmp_path, both_ways):
    one, another = pair
    for path, word in ((one, b"x"), (another, b"y")):
        with Store.open(path) as store:
            w = writer(store)
            store.records.add(1, [w.timed(9, 30, word)], session=1)
    a, b = both_ways(tmp_path, one, another)
    assert a == b
    assert len(a["clashes"]) == 1
    assert len(a["records"]) == 5


def test_turns_of_both_decide_whose_strike_it_is(pair, tmp_path, start_ns, writer, both_ways):
    one, another = pair
    with Store.open(one) as store:
        clubs = writer(store).clubs(1)
        store.sessions.add_turn(1, clubs["6i"], from_utc_ns=start_ns + 21 * SECOND, cause="key")
        store.strikes.refile(1)
    with Store.open(another) as store:
        store.sessions.add_turn(1, clubs["8i"], from_utc_ns=start_ns + 22 * SECOND, cause="key")
        store.strikes.refile(1)
    a, b = both_ways(tmp_path, one, another)
    assert a == b
    by_number = sorted((row[3], row[1].split("/")[-1]) for row in a["strikes"])
    assert by_number == [(0, "7i"), (1, "6i"), (2, "8i"), (3, "8i")]


def test_an_older_file_is_upgraded_in_a_copy_and_a_newer_one_refused(
    new_file, content, tmp_path, merged
):
    own = new_file("own.db")
    older = tmp_path / "older.db"
    # Written by the code of its time.
    older.write_bytes(gzip.decompress((VECTORS / "schema-3.db.gz").read_bytes()))
    before = older.read_bytes()
    merged(own, older)
    assert len(content(own)["clubs"]) == 3
    assert older.read_bytes() == before
    newer = tmp_path / "newer.db"
    Store.open(newer, steps=(*STEPS, ("9999_later", lambda db: None))).close()
    was = content(own)
    with pytest.raises(SchemaVersionError, match=r"newer\.db: .* update this program"):
        merged(own, newer)
    with pytest.raises(StoreError, match="the data file itself"):
        merged(own, own)
    assert content(own) == was
    names = {each.name for each in tmp_path.iterdir() if not each.name.startswith("own.db")}
    assert names == {"older.db", "newer.db"}


def test_a_file_whose_tables_somebody_changed_is_refused(new_file, merged):
    own, other = new_file("own.db"), new_file("other.db")
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("ALTER TABLE notes ADD COLUMN colour TEXT")
        connection.commit()
    with pytest.raises(StoreError, match="tables are not those of lieboard"):
        merged(own, other)
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("DROP TABLE notes")
        connection.execute("CREATE VIEW notes AS SELECT 1 AS id, 1 AS session, 'x' AS text")
        connection.commit()
    with pytest.raises(StoreError, match="tables are not those of lieboard"):
        merged(own, other)


KILLED = """
import os, signal, sys
from pathlib import Path
from logger.store.copies.merge import MergingStore
import logger.store.copies.merge as merge
def kill(*_):
    os.kill(os.getpid(), signal.SIGKILL)
merge.settle_sets = kill
with MergingStore.open(Path(sys.argv[1])) as store:
    store.file.connection.execute("PRAGMA cache_size = 1")
    store.merge(Path(sys.argv[2]), kill)
"""


def test_killed_in_the_middle_leaves_the_file_as_it_was(pair, writer, content, tmp_path, merged):
    one, another = pair
    with Store.open(another) as store:
        w = writer(store)
        w.strikes(w.session(1, at_s=99), w.boot(key="0000000a"), range(200))
    before = content(one)
    done = subprocess.run(
        [sys.executable, "-c", KILLED, one, another], env={"TMPDIR": str(tmp_path)}, timeout=60,
        check=False,
    )  # fmt: skip
    assert done.returncode == -9
    assert content(one) == before
    assert merged(one, another).added["records"] == 200


@pytest.mark.parametrize("looks", [1, 4, 15, 60])
def test_stopped_in_the_middle_leaves_the_file_as_it_was(pair, writer, content, monkeypatch, looks):
    one, another = pair
    with Store.open(another) as store:
        w = writer(store)
        w.strikes(w.session(1, at_s=99), w.boot(key="0000000a"), range(200))
    before = content(one)
    monkeypatch.setattr(rework, "_STEPS_BETWEEN_LOOKS", 50)
    asked = itertools.count(1)
    with pytest.raises(StoreError):
        rework.merge_file(one, another, stopped=lambda: next(asked) >= looks)
    assert content(one) == before
    assert list(one.parent.glob("one.db.*")) == []
    assert rework.merge_file(one, another).added["records"] == 200
