"""Two data files become one: nothing twice, nothing lost, the same whichever takes in the other."""

import itertools
import shutil
import sqlite3
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import SchemaVersionError, StoreError
from logger.store.merge import MergingStore
from logger.store.migrations import STEPS
from logger.store.store import Store

SECOND = 10**9
counter = itertools.count()


def merged(own, other, rework=lambda *_: None):
    with MergingStore.open(own) as store:
        return store.merge(other, rework)


def both_ways(folder, one, another, content):
    """Merge each into a copy of the other, twice; return what is in them."""
    found = []
    for own, other in ((one, another), (another, one)):
        path = folder / f"merged-{next(counter)}.db"
        shutil.copy(own, path)
        before = other.read_bytes()
        merged(path, other)
        once = content(path)
        again = merged(path, other)
        assert content(path) == once
        assert (again.added, again.changed) == ({}, {})
        assert other.read_bytes() == before
        found.append(once)
    return found


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


@pytest.fixture
def pair(new_file, writer, start_ns):
    """A file, and one that began as its copy; then each went on by itself."""
    one = new_file("one.db")
    with Store.open(one) as store:
        w = writer(store)
        own = w.set()
        boot = w.boot()
        session = w.session(own)
        store.add_turn(session, w.clubs(own)["7i"], from_utc_ns=start_ns, cause="start")
        w.strikes(session, boot, range(4))
    another = shutil.copy(one, one.with_name("another.db"))
    return one, another


def test_what_each_adds_is_in_both(pair, writer, content, tmp_path, start_ns):
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
            store.add_turn(
                session, clubs["6i"], from_utc_ns=start_ns, cause=f"foot switch {boot}:0"
            )
            w.strikes(session, boot, range(3), at_s=2000)
            strike = store.contacts(session)[0]
            store.set_aside(strike, f"taken back (foot switch {boot}:1)")
            with store.press(boot, 1):
                pass
            audited = store.contacts(session)[1].id
            store.add_mark(
                session, clubs["6i"], struck_utc_ns=start_ns + shift, toe_mm=1, u_mm=1,
                audits=audited,
            )  # fmt: skip
            store.add_bend(
                clubs["8i"], bent_utc_ns=start_ns + shift, lie_before_deg=64.0,
                lie_after_deg=64.5 + shift, session=session,
            )  # fmt: skip
            store.add_note(session, "windy", written_utc_ns=start_ns)
            store.add_overlay(
                clubs["6i"], clubs["7i"], offset_mm=shift, u_mm=1, read_utc_ns=start_ns
            )
            store.add_misses(
                clubs["6i"], left_count=1, straight_count=2, right_count=3,
                noted_utc_ns=start_ns + shift,
            )  # fmt: skip
            store.add_calibration(
                1, "evening", {"gain": shift}, from_utc_ns=start_ns, method_version="1"
            )
            store.agree_to_board(f"board {shift}", "shed", at_utc_ns=start_ns)
            store.add_loss(
                boot, count=2, reason="memory full", noted_utc_ns=start_ns, from_sequence=7,
                to_sequence=8, session=session, club=clubs["6i"],
            )  # fmt: skip
    separately = [content(path) for path in pair]
    first, second = both_ways(tmp_path, one, another, content)
    assert first == second
    for table, rows in first.items():
        union = {*separately[0][table], *separately[1][table]}
        if table in ("clubs", "sets", "club_specs", "calibrations", "boards", "boots"):
            assert len(rows) == len(union), table
        else:
            assert set(rows) == union, table
    assert first["strikes"] != separately[0]["strikes"]
    assert len(first["calibrations"]) == 2


def test_a_file_merged_with_its_copy_is_what_it_was(pair, content):
    one, another = pair
    before = content(one)
    report = merged(one, another)
    assert content(one) == before
    assert (report.added, report.changed, report.differences) == ({}, {}, ())


def test_set_aside_outweighs_counted_and_both_are_told(pair, content, tmp_path):
    one, another = pair
    with Store.open(one) as store:
        first, second, third, _ = store.contacts(1)
        store.set_aside(first, "my foot slipped")
        store.bring_back(second, "it was good")
        store.set_aside(third, "thin")
    with Store.open(another) as store:
        first, second, third, _ = store.contacts(1)
        store.bring_back(first)
        store.set_aside(third, "fat")
    a, b = both_ways(tmp_path, one, another, content)
    assert a == b
    words = [row[-2:] for row in sorted(a["strikes"], key=lambda row: row[3])]
    assert words == [
        ("aside", "my foot slipped"), ("use", "it was good"), ("aside", "fat"), (None, None),
    ]  # fmt: skip
    told = merged(one, another).differences
    assert [(d.what, d.kept, d.dropped) for d in told] == [
        ("strikes 00000007 0 0: fitter_choice", "aside", "use")
    ]


def test_the_set_that_was_imported_later_counts(pair, writer, content, tmp_path):
    one, another = pair
    with Store.open(one) as store:
        writer(store).set(labels="5i 6i 7i", at_s=50, lie=61.0)
    with Store.open(another) as store:
        writer(store).set(labels="7i 8i PW", at_s=90, lie=60.0)
    a, b = both_ways(tmp_path, one, another, content)
    assert a == b
    places = {row[2]: row[3] for row in a["clubs"]}
    # The later one never heard of the 5i, and took the 6i out.
    assert places == {"7i": 0, "8i": 1, "PW": 2, "5i": 3, "6i": None}
    assert a["sets"][0][3] == "PW"
    assert any(d.what == "set irons: order of clubs" for d in merged(another, one).differences)


def test_one_key_for_two_starts_of_a_board_that_cannot_count_them(
    new_file, writer, content, tmp_path
):
    files = []
    for name, word in (("one.db", b"a"), ("another.db", b"b")):
        path = new_file(name)
        with Store.open(path) as store:
            w = writer(store)
            session = w.session(w.set(), at_s=10)
            w.strikes(session, w.boot(), range(3), word=word)
        files.append(path)
    a, b = both_ways(tmp_path, *files, content)
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


def test_one_record_with_other_bytes_is_kept_aside(pair, writer, content, tmp_path):
    one, another = pair
    for path, word in ((one, b"x"), (another, b"y")):
        with Store.open(path) as store:
            w = writer(store)
            store.add_records(1, [w.timed(9, 30, word)], session=1)
    a, b = both_ways(tmp_path, one, another, content)
    assert a == b
    assert len(a["clashes"]) == 1
    assert len(a["records"]) == 5


def test_a_loss_that_the_other_file_has_is_none(pair, writer, content, tmp_path, start_ns):
    one, another = pair
    with Store.open(one) as store:
        for first, last in ((4, 6), (10, 12)):
            store.add_loss(
                1, count=3, reason="memory full", noted_utc_ns=start_ns, from_sequence=first,
                to_sequence=last, session=1,
            )  # fmt: skip
        store.add_loss(1, count=5, reason="before the first", noted_utc_ns=start_ns)
    with Store.open(another) as store:
        writer(store).strikes(1, 1, [5])
        store.add_loss(
            1, count=4, reason="memory full", noted_utc_ns=start_ns, from_sequence=11,
            to_sequence=14, session=1,
        )  # fmt: skip
    a, b = both_ways(tmp_path, one, another, content)
    assert a == b
    spans = sorted((row[3] or 0, row[4] or 0, row[5]) for row in a["losses"])
    assert spans == [(0, 0, 5), (4, 4, 1), (6, 6, 1), (10, 14, 5)]


def test_the_word_noted_first_holds_of_each_lost_number(pair, content, tmp_path, start_ns, writer):
    one, another = pair
    for path, spans in ((one, ((4, 9, 2), (20, 24, 1))), (another, ((6, 7, 1), (22, 30, 1)))):
        with Store.open(path) as store:
            for first, last, at in spans:
                # Noted at one moment, the reason whose name comes first.
                reason = f"memory {'full' if path is one else 'worn'}"
                store.add_loss(
                    1, count=last - first + 1, reason=reason, noted_utc_ns=start_ns + at,
                    from_sequence=first, to_sequence=last, session=1,
                )  # fmt: skip
    # Known by their count only, and twice in one file.
    with Store.open(another) as store:
        for _ in range(2):
            store.add_loss(1, count=3, reason="before the first", noted_utc_ns=start_ns)
    a, b = both_ways(tmp_path, one, another, content)
    assert a == b
    assert sorted((row[3] or 0, row[4] or 0, row[6], row[7] - start_ns) for row in a["losses"]) == [
        (0, 0, "before the first", 0), (0, 0, "before the first", 0),
        (4, 5, "memory full", 2), (6, 7, "memory worn", 1), (8, 9, "memory full", 2),
        (20, 24, "memory full", 1), (25, 30, "memory worn", 1),
    ]  # fmt: skip


def test_turns_and_records_of_both_decide_whose_loss_it_is(
    pair, content, tmp_path, start_ns, writer
):
    one, another = pair
    with Store.open(one) as store:
        # Nothing came since: of the two clubs that are said, the one whose name comes first.
        for club, first in (("8i", 4), ("7i", 40)):
            store.add_loss(
                1, count=2, reason="memory full", noted_utc_ns=start_ns, from_sequence=first,
                to_sequence=first + 1, session=1, club=writer(store).clubs(1)[club],
            )  # fmt: skip
    with Store.open(another) as store:
        clubs = writer(store).clubs(1)
        store.add_turn(1, clubs["6i"], from_utc_ns=start_ns + 25 * SECOND, cause="key")
        writer(store).strikes(1, 1, [6])
        for number in (40, 4):
            store.add_loss(
                1, count=2, reason="memory full", noted_utc_ns=start_ns, from_sequence=number,
                to_sequence=number + 1, session=1, club=clubs["8i"] if number == 40 else None,
            )  # fmt: skip
    a, b = both_ways(tmp_path, one, another, content)
    assert a == b
    clubs_of = sorted((row[3], row[4], row[2].split("/")[-1]) for row in a["losses"])
    assert clubs_of == [(4, 5, "6i"), (40, 41, "7i")]


def test_losses_of_three_files_are_the_same_in_whichever_order(
    pair, content, tmp_path, start_ns, writer
):
    files = [*pair, shutil.copy(pair[0], tmp_path / "third.db")]
    for place, path in enumerate(files):
        with Store.open(path) as store:
            club = list(writer(store).clubs(1).values())[place]
            for first, last, at, reason in (
                (4 + place, 12 - place, place, "full"), (20 + 2 * place, 24 + 2 * place, 5, "full"),
                (40, 44, 5, "abc"[2 - place]), (60, 61, 5, "full"),
            ):  # fmt: skip
                store.add_loss(
                    1, count=last - first + 1, reason=reason, noted_utc_ns=start_ns + at,
                    from_sequence=first, to_sequence=last, session=1, club=club,
                )  # fmt: skip
            if place == 1:
                writer(store).strikes(1, 1, [8, 42, 50])
    found = []
    for turn in range(3):
        order = files[turn:] + files[:turn]
        path = shutil.copy(order[0], tmp_path / f"all-{next(counter)}.db")
        for other in order[1:]:
            merged(path, other)
        found.append(content(path))
        # The last two first.
        inner = shutil.copy(order[1], tmp_path / f"all-{next(counter)}.db")
        merged(inner, order[2])
        path = shutil.copy(order[0], tmp_path / f"all-{next(counter)}.db")
        merged(path, inner)
        found.append(content(path))
    assert all(each == found[0] for each in found)
    spans = [(row[3], row[4]) for row in found[0]["losses"]]
    assert sorted(spans) == [(4, 7), (9, 12), (20, 28), (40, 41), (43, 44), (60, 61)]


def test_turns_of_both_decide_whose_strike_it_is(pair, content, tmp_path, start_ns, writer):
    one, another = pair
    with Store.open(one) as store:
        clubs = writer(store).clubs(1)
        store.add_turn(1, clubs["6i"], from_utc_ns=start_ns + 21 * SECOND, cause="key")
        store.refile_strikes(1)
    with Store.open(another) as store:
        store.add_turn(1, clubs["8i"], from_utc_ns=start_ns + 22 * SECOND, cause="key")
        store.refile_strikes(1)
    a, b = both_ways(tmp_path, one, another, content)
    assert a == b
    by_number = sorted((row[3], row[1].split("/")[-1]) for row in a["strikes"])
    assert by_number == [(0, "7i"), (1, "6i"), (2, "8i"), (3, "8i")]


def test_an_older_file_is_upgraded_in_a_copy_and_a_newer_one_refused(
    new_file, writer, content, tmp_path
):
    own = new_file("own.db")
    older = tmp_path / "older.db"
    with Store.open(older, steps=STEPS[:3]) as store:
        store.import_set_id = writer(store).set()
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


def test_a_file_whose_tables_somebody_changed_is_refused(new_file, content):
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
from logger.store.merge import MergingStore
import logger.store.merge as merge
def kill(*_):
    os.kill(os.getpid(), signal.SIGKILL)
merge.settle_sets = kill
with MergingStore.open(Path(sys.argv[1])) as store:
    store._connection.execute("PRAGMA cache_size = 1")
    store.merge(Path(sys.argv[2]), kill)
"""


def test_killed_in_the_middle_leaves_the_file_as_it_was(pair, writer, content, tmp_path):
    import subprocess
    import sys

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


MOMENTS = st.integers(0, 5)
ACTS = st.lists(
    st.tuples(
        st.sampled_from(
            ["set", "session", "strikes", "turn", "word", "mark", "bend", "note", "loss", "press",
             "calibration", "agree", "judge", "end", "hand", "misses", "overlay"]
        ),
        MOMENTS, MOMENTS, MOMENTS,
    ),
    max_size=14,
)  # fmt: skip


def act(w, start_ns, kind, a, b, c):
    """One thing that somebody does to a data file; small numbers, so that files often meet."""
    store, at = w.store, start_ns + a * SECOND
    if kind == "set":
        labels = ["6i 7i", "7i 8i", "8i 6I", "PW", "6i", "7i 6i PW"][b]
        w.set(player=["Ada", "Bo"][c % 2], labels=labels, at_s=a, lie=60.0 + b)
        return
    sets = store.sets()
    if kind == "agree":
        store.agree_to_board(str(b), str(c), at_utc_ns=at)
    elif kind == "judge":
        w.boot(board=str(b), at_s=c)
        store.accept_board(store.boards()[0].id, accepted=bool(c % 2), at_utc_ns=at)
    elif kind == "calibration":
        w.boot(board=str(b), at_s=c)
        board = store.boards()[0].id
        store.add_calibration(board, "e", {"g": b}, from_utc_ns=at, method_version=str(c))
    elif sets:
        own = sets[b % len(sets)].id
        clubs = list(w.clubs(own).values())
        club = clubs[c % len(clubs)]
        if kind == "session":
            w.session(own, at_s=a, stance_mm=float(c))
        elif kind == "bend":
            store.add_bend(club, bent_utc_ns=at, lie_before_deg=60.0, lie_after_deg=61.0 + c)
        elif kind == "misses":
            store.add_misses(club, left_count=a, straight_count=b, right_count=c, noted_utc_ns=at)
        elif kind == "overlay" and len(clubs) > 1:
            store.add_overlay(clubs[0], clubs[1], offset_mm=c, u_mm=1, read_utc_ns=at)
        for session in store.sessions(own)[:1]:
            in_session(w, session, club, at, kind, b, c)


def in_session(w, session, club, at, kind, b, c):
    store, number = w.store, session.id
    boot = w.boot(key=f"{b % 2:08x}", board="board", next_sequence=c)
    if kind == "strikes":
        w.strikes(number, boot, range(b, b + c), word=b"" if c < 4 else bytes([b]))
    elif kind == "turn":
        store.add_turn(number, club, from_utc_ns=at, cause=f"foot switch {boot}:{c}")
        store.refile_strikes(number)
    elif kind == "mark":
        strikes = store.contacts(number, source="board")
        store.add_mark(
            number, club, struck_utc_ns=at, toe_mm=1.0, u_mm=1.0,
            audits=strikes[c % len(strikes)].id if strikes else None,
        )  # fmt: skip
    elif kind == "word":
        for contact in store.contacts(number)[b : b + 1]:
            if c % 2:
                store.set_aside(contact, f"taken back (foot switch {boot}:{c})")
            else:
                store.bring_back(contact)
    elif kind == "note":
        store.add_note(number, str(c), written_utc_ns=at)
    elif kind == "end":
        store.end_session(number, ended_utc_ns=at)
    elif kind == "loss":
        store.add_loss(
            boot, count=c + 1, reason="r", noted_utc_ns=at, from_sequence=b, to_sequence=b + c,
            session=number,
        )  # fmt: skip
    elif kind == "press":
        with store.press(boot, c):
            pass


@given(common=ACTS, here=ACTS, there=ACTS)
@settings(max_examples=8)
def test_any_two_files_merge_to_one_content(
    common, here, there, empty_file, tmp_path_factory, writer, content, start_ns
):
    folder = tmp_path_factory.mktemp("any")
    base = shutil.copy(empty_file, folder / "base.db")
    files = [folder / "one.db", folder / "another.db"]
    for path, acts in ((base, common), (files[0], here), (files[1], there)):
        if path is not base:
            shutil.copy(base, path)
        with Store.open(path) as store:
            store._connection.execute("PRAGMA synchronous = OFF")
            for each in acts:
                act(writer(store), start_ns, *each)
    before = [content(path) for path in files]
    a, b = both_ways(folder, *files, content)
    assert a == b
    # Nothing that a board sent and no word of a person is lost.
    for table, columns in (("records", 4), ("notes", 3), ("presses", 2), ("marks", 4)):
        for side in before:
            if len(a["boots"]) == len(before[0]["boots"]) == len(before[1]["boots"]):
                aside = {row[:4] for row in a["clashes"]}
                kept = {row[:columns] for row in a[table]} | aside
                assert {row[:columns] for row in side[table]} <= kept
    assert len({row[:2] for row in a["records"]}) == len(a["records"])
