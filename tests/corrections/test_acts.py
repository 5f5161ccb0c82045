"""Acts on a data file: taken back they leave nothing; a kill leaves all or nothing; copies."""

import datetime
import gzip
import json
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import LieboardError, StoreError, UsageError
from logger.session.corrections.acts import Said, stamp_of, undo
from logger.session.corrections.sessions import (
    SessionWishes,
    change_session,
    delete_session,
    end_session,
    join_sessions,
    rename_player,
    reopen_session,
    restore_session,
    split_session,
)
from logger.session.corrections.strikes import Move, move_of, move_strikes, turn_strike
from logger.session.corrections.words import keep_mark, keep_note, take_back_word
from logger.session.results.export import report_json, strike_values
from logger.session.results.report_data import report_content
from logger.store.copies.backup import back_up
from logger.store.copies.merge import MergingStore
from logger.store.store import Store

SECOND = 10**9
NOW = 1_790_000_000 * SECOND
VECTORS = Path(__file__).parents[1] / "vectors" / "db"


def said(count=0):
    return Said(NOW + count * SECOND, "terminal")


def everything(store):
    """All that the numbers of every session are worked out from, as the store gives it."""
    found = {
        row.id: repr(
            (
                row,
                store.sets.get(row.set, at_utc_ns=row.ended_utc_ns),
                store.clubs.of_session(row.id),
                store.strikes.contacts(row.id),
                store.records.losses(session=row.id),
                store.sessions.notes(row.id),
                store.sessions.turns(row.id),
                store.readings.bends(),
                store.readings.overlays(row.set),
                store.readings.misses(row.set),
                [(r.boot, r.sequence) for r in store.records.read(session=row.id)],
            )
        )
        for row in store.sessions.all()
    }
    return found


def reports(store):
    """Report of every session as JSON, as its file would be."""
    return {
        row.id: report_json(
            report_content(store, row, when=str, made="now"), strike_values(store, row)
        )
        for row in store.sessions.all()
    }


def rows(path):
    """What is in every table but for what is only ever added."""
    added = ("acts", "act_parts", "session_stamps", "sessions", "turns")
    with closing(sqlite3.connect(path)) as file:
        names = [
            name
            for (name,) in file.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
            if name not in added and not name.startswith(("sqlite_", "_sqlite"))
        ]
        return {name: sorted(file.execute(f"SELECT * FROM {name}"), key=repr) for name in names}


@pytest.fixture(scope="module")
def made(tmp_path_factory, module_week, module_set):
    """A file of two sessions of one player and one of another, with marks."""
    folder = tmp_path_factory.mktemp("acts")
    path = folder / "made.db"
    own = module_week(path)
    for player, hand in (("Robin Ashdown", "right"), ("Mika Tarn", "left")):
        own.store.sets.import_file(module_set(folder, player, hand), at_utc_ns=NOW - 10**18)
    own.begin(1, 0)
    for club in ("7i", "6i", "8i"):
        own.swing(club, 3)
    own.end()
    own.begin(1, 86_400)
    for club in ("7i", "6i"):
        own.swing(club, 3)
    clubs = {club.label: club.id for club in own.store.sets.get(1).clubs}
    own.store.strikes.add_mark(2, clubs["7i"], struck_utc_ns=own.at_ns + 1, toe_mm=2.0, u_mm=1.0)
    own.end()
    own.begin(2, 2 * 86_400)
    own.swing("7i", 3)
    own.end()
    own.store.close()
    return path


KINDS = [
    "move", "into", "stance", "unknown", "hand", "ball", "set", "end", "reopen", "join", "split",
    "delete", "restore", "rename", "back", "note", "mark", "aside", "in", "undo",
]  # fmt: skip


def does(store, kind, session, a, b, at):
    """One act with small numbers; what cannot be is refused."""
    labels = ["7i", "6i", "8i"]
    other = session % 3 + 1
    if kind == "move":
        move_strikes(store, session, [Move(1 + a, 1 + a + b, labels[b % 3])], at)
    elif kind == "into":
        move_strikes(store, session, [Move(1 + a, None, None)], at, to_session=other)
    elif kind == "stance":
        change_session(store, session, SessionWishes(stance_mm=float(a)), at)
    elif kind == "unknown":
        change_session(store, session, SessionWishes(stance_unknown=True, note=str(a)), at)
    elif kind == "hand":
        change_session(store, session, SessionWishes(hand=["right", "left"][a % 2]), at)
    elif kind == "ball":
        change_session(store, session, SessionWishes(ball=bool(a % 2), surface=str(b)), at)
    elif kind == "set":
        change_session(store, session, SessionWishes(set_id=1 + a % 2), at)
    elif kind == "end":
        end_session(store, session, at)
    elif kind == "reopen":
        reopen_session(store, session, at)
    elif kind == "join":
        join_sessions(store, session, other, at)
    elif kind == "split":
        split_session(store, session, 1 + a, at)
    elif kind == "delete":
        delete_session(store, session, at)
    elif kind == "restore":
        restore_session(store, session, at)
    elif kind == "rename":
        rename_player(store, store.sets.players()[a % 2].name, f"Player {b}", at)
    elif kind == "back":
        take_back_word(store, 1 + a % 2, at)
    elif kind in ("aside", "in"):
        contacts = store.strikes.contacts(session)
        if not contacts:
            raise UsageError("no strikes")
        contact = contacts[(a + b) % len(contacts)]
        turn_strike(store, contact, at, aside=kind == "aside", reason="thin" if b % 2 else None)
    elif kind == "note":
        keep_note(store, session, f"note {a}", at)
    elif kind == "mark":
        club = store.sets.get(store.sessions.get(session).set).clubs[b % 3]
        keep_mark(store, session, club, at, toe_mm=float(a), u_mm=1.0)
    else:
        undo(store, at)


SMALL = st.integers(0, 5)


@settings(max_examples=40)
@given(
    acts=st.lists(st.tuples(st.sampled_from(KINDS), st.integers(1, 3), SMALL, SMALL), max_size=7)
)
def test_any_acts_and_their_undos_give_back_the_same_reports(made, acts):
    path = made.with_name("any.db")
    shutil.copy(made, path)
    before = rows(path)
    with Store.open(path) as store:
        seen = [everything(store)]
        for count, (kind, session, a, b) in enumerate(acts):
            try:
                does(store, kind, session, a, b, said(count))
            except LieboardError:
                # Nothing was changed.
                assert everything(store) == seen[-1]
                continue
            now = everything(store)
            if kind == "undo":
                seen.pop()
                assert now == seen[-1]
            else:
                seen.append(now)
        while len(seen) > 1:
            undo(store, said(100 + len(seen)))
            seen.pop()
            assert everything(store) == seen[-1]
        with pytest.raises(UsageError, match="nothing to undo"):
            undo(store, said(200))
    after = rows(path)
    # Words that were said and taken back stay, and do not count.
    for name in ("notes", "marks"):
        after[name] = [row for row in after[name] if row in before[name]]
    assert after == before


def test_a_long_run_of_acts_undone_gives_back_the_same_report_json(made, tmp_path):
    path = tmp_path / "run.db"
    shutil.copy(made, path)
    acts = [
        ("move", 1, 1, 2), ("into", 1, 5, 0), ("unknown", 1, 1, 0), ("hand", 3, 0, 0),
        ("split", 2, 3, 0), ("mark", 1, 2, 1), ("rename", 1, 0, 3), ("set", 3, 0, 0),
        ("note", 2, 1, 0), ("aside", 2, 1, 0), ("in", 2, 1, 1), ("back", 1, 0, 0),
        ("delete", 3, 0, 0), ("join", 1, 0, 0),
    ]  # fmt: skip
    with Store.open(path) as store:
        wanted = reports(store)
        for count, (kind, session, a, b) in enumerate(acts):
            does(store, kind, session, a, b, said(count))
        assert reports(store) != wanted
        for count in range(len(acts)):
            undo(store, said(100 + count))
        assert reports(store) == wanted


KILLED = """
import os, signal, sys
from pathlib import Path
from logger.session.corrections.acts import Said
from logger.session.corrections import acts
from logger.session.corrections.strikes import Move, move_strikes
from logger.store.store import Store
works = acts._work_out_again
def killed(store, again):
    works(store, again)
    # So that pages of it are on the disk before the transaction ends.
    store.file.connection.execute("PRAGMA cache_size = 1")
    os.kill(os.getpid(), signal.SIGKILL)
if sys.argv[2] == "killed":
    acts._work_out_again = killed
with Store.open(Path(sys.argv[1])) as store:
    move_strikes(store, 1, [Move(2, 7, "8i")], Said(1_790_000_000 * 10**9, "terminal"),
                 to_session=2)
    print("kept", flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize("when", ["killed", "kept"])
def test_a_kill_leaves_all_of_an_act_or_nothing(made, tmp_path, when):
    path = tmp_path / "killed.db"
    shutil.copy(made, path)
    with Store.open(path) as store:
        before = everything(store)
    done = subprocess.run(
        [sys.executable, "-c", KILLED, path, when], capture_output=True, text=True, check=False
    )
    assert done.returncode == -signal.SIGKILL, done.stderr
    with Store.open(path) as store:
        if when == "killed":
            assert (done.stdout, store.acts.all(), everything(store)) == ("", [], before)
            return
        assert done.stdout == "kept\n"
        assert len(store.acts.all()) == 1
        assert [len(store.strikes.contacts(session)) for session in (1, 2)] == [3, 13]
        undo(store, said())
        assert everything(store) == before


def test_a_backup_has_the_acts(made, tmp_path):
    path, copy = tmp_path / "own.db", tmp_path / "backup.db"
    shutil.copy(made, path)
    with Store.open(path) as store:
        move_strikes(store, 1, [Move(4, 6, "8i")], said())
        wanted, acts = everything(store), store.acts.all()
    back_up(path, copy, overwrite=False)
    with Store.open(copy) as store:
        assert (everything(store), store.acts.all()) == (wanted, acts)
        undo(store, said(1))
        assert everything(store) != wanted


def test_a_merge_keeps_the_words_of_both_and_says_where_they_disagree(made, tmp_path):
    one, another = tmp_path / "one.db", tmp_path / "another.db"
    for path in (one, another):
        shutil.copy(made, path)
    with Store.open(one) as store:
        move_strikes(store, 1, [Move(4, 4, "8i")], said(1))
        change_session(store, 1, SessionWishes(stance_mm=5.0), said(2))
        rename_player(store, "Robin Ashdown", "Robin A.", said(3))
        turn_strike(store, store.strikes.contacts(2)[0], said(3), aside=True, reason="thin")
        turn_strike(store, store.strikes.contacts(2)[1], said(3), aside=True, reason="thin")
    with Store.open(another) as store:
        turn_strike(store, store.strikes.contacts(2)[0], said(5), aside=False)
        move_strikes(store, 1, [Move(5, 5, "7i")], said(4))
        change_session(store, 1, SessionWishes(stance_mm=9.0), said(5))
        delete_session(store, 3, said(6))
    merged = []
    for own, other in ((one, another), (another, one)):
        target = tmp_path / f"merged-{own.name}"
        shutil.copy(own, target)
        with MergingStore.open(target) as store:
            told = store.merge(other, lambda session, boot: None)
            kept = {(row.what, row.kept, row.dropped) for row in told.differences}
            assert kept == {
                ("sessions",
                 "session 1: feet 9.0 mm lower than the board, feet known to 1.5 mm",
                 "session 1: feet 5.0 mm lower than the board, feet known to 1.5 mm"),
                ("strikes", "session 2: strike 1 counts", "session 2: strike 1 set aside (thin)"),
            }  # fmt: skip
            assert [c.used for c in store.strikes.contacts(2)[:3]] == [True, False, True]
            labels = {club.id: club.label for club in store.clubs.of_session(1)}
            numbered = {c.number: labels[c.club] for c in store.strikes.contacts(1)}
            assert (numbered[4], numbered[5], numbered[6]) == ("8i", "7i", "6i")
            assert store.sessions.get(1).stance_mm == 9.0
            assert [row.name for row in store.sets.players()] == ["Mika Tarn", "Robin A."]
            assert [row.id for row in store.sessions.all()] == [1, 2]
            merged.append((everything(store), [act.words for act in store.acts.all()]))
            undo(store, said(9))
            assert len(store.sessions.all()) == 3
    assert merged[0] == merged[1]


def test_a_copy_elsewhere_gives_the_same_report_and_knows_the_acts(made, tmp_path):
    path = tmp_path / "own.db"
    shutil.copy(made, path)
    with Store.open(path) as store, Store.open(tmp_path / "elsewhere.db") as elsewhere:
        for step in range(2):
            if step:
                move_strikes(store, 1, [Move(4, 6, "8i")], said())
                move_strikes(store, 1, [Move(7, None, None)], said(1), to_session=2)
                turn_strike(store, store.strikes.contacts(2)[1], said(2), aside=True, reason="thin")
                take_back_word(store, 1, said(2))
                change_session(store, 2, SessionWishes(stance_mm=4.0), said(3))
            for session in (1, 2):
                copy, _ = store.copies.make(session)
                own = elsewhere.copies.take_in(copy)
                elsewhere.copies.take_records(own, store.copies.records_of(session))
                # Records that are there already follow their strikes.
            wanted, found = everything(store), everything(elsewhere)
            assert [len(elsewhere.strikes.contacts(n)) for n in (1, 2)] == [
                len(store.strikes.contacts(n)) for n in (1, 2)
            ]
            if not step:
                assert {n: found[n] for n in (1, 2)} == {n: wanted[n] for n in (1, 2)}
        assert [act.words for act in elsewhere.acts.all()] == [
            act.words for act in store.acts.all()
        ]
        delete_session(store, 2, said(4))
        copy, _ = store.copies.make(2)
        elsewhere.copies.take_in(copy)
        assert [row.id for row in elsewhere.sessions.all()] == [1]
        undo(store, said(5))
        copy, _ = store.copies.make(2)
        elsewhere.copies.take_in(copy)
        assert len(elsewhere.strikes.contacts(2)) == len(store.strikes.contacts(2))


@pytest.mark.parametrize("name", sorted(path.name for path in VECTORS.glob("schema-*.db.gz")))
def test_sessions_of_every_older_file_can_be_put_right(name, tmp_path):
    path = tmp_path / "old.db"
    path.write_bytes(gzip.decompress((VECTORS / name).read_bytes()))
    with Store.open(path) as store:
        before = everything(store)
        move_strikes(store, 1, [Move(2, 3, "PW")], said())
        change_session(store, 1, SessionWishes(hand="right"), said(1))
        moved = [c for c in store.strikes.contacts(1) if c.number in (2, 3)]
        assert {store.clubs.get(c.club).label for c in moved} == {"PW"}
        take_back_word(store, 1, said(2))
        for count in range(3):
            assert everything(store) != before
            undo(store, said(3 + count))
        assert everything(store) == before


@pytest.mark.parametrize("goes", ["to a club", "into a session", "split", "stays"])
def test_a_mark_of_a_strike_goes_where_its_strike_goes(made, tmp_path, lieboard, goes):
    shutil.copy(made, tmp_path / "own.db")
    lieboard("own.db", "mark", "7i", "2", "--session", "1", "--audits", "3")
    if goes == "to a club":
        lieboard("own.db", "strikes", "move", "3", "6i", "--session", "1")
    elif goes == "into a session":
        lieboard("own.db", "strikes", "move", "3", "--into", "2", "--session", "1")
    else:
        lieboard("own.db", "session", "split", "1", "3" if goes == "split" else "4")
    with Store.open(tmp_path / "own.db", read_only=True) as store:
        every = [c for row in store.sessions.all() for c in store.strikes.contacts(row.id)]
        (mark,) = [c for c in every if c.audits is not None]
        (strike,) = [c for c in every if c.source == "board" and c.id == mark.audits]
        assert (mark.session, mark.club) == (strike.session, strike.club)
    said = lieboard("own.db", "strikes", "--session", str(strike.session))
    assert f"mark of strike {strike.number}" in said


def refused(store, match, act):
    before, acts = everything(store), store.acts.all()
    with pytest.raises((UsageError, StoreError), match=match) as caught:
        act()
    assert "\n" not in str(caught.value)
    assert (everything(store), store.acts.all()) == (before, acts)


def test_what_cannot_be_is_one_line_and_changes_nothing(made, tmp_path):
    path = tmp_path / "own.db"
    shutil.copy(made, path)
    with Store.open(path) as store:

        def moves(*moves, session=1, **rest):
            return lambda: move_strikes(store, session, moves, said(), **rest)

        for match, act in (
            ("there is nothing to undo", lambda: undo(store, said())),
            ("there is no strike 40: there are 1 to 9", moves(Move(40, 41, "6i"))),
            ("there is no strike 41", moves(Move(4, 41, "6i"))),
            ("there is no strike 0", moves(Move(0, 3, "6i"))),
            ("5 to 3 runs backwards", moves(Move(5, 3, "6i"))),
            ("there is no club 3w", moves(Move(1, 2, "3w"))),
            ("moved twice", moves(Move(1, 4, "6i"), Move(3, 5, "8i"))),
            ("moved twice", moves(Move(1, None, "6i"), Move(1, None, "8i"))),
            ("say which strikes", moves()),
            ("no session 77", moves(Move(1, 2, "6i"), session=77)),
            ("no session 77", moves(Move(1, 2, "6i"), to_session=77)),
            ("is the same", moves(Move(1, 2, None), to_session=1)),
            ("to another player only a whole session", moves(Move(1, 2, None), to_session=3)),
            ("names no strikes", lambda: move_of("six", "6i")),
            ("has ended already", lambda: end_session(store, 1, said())),
            ("split before one of its strikes", lambda: split_session(store, 1, 1, said())),
            ("was not deleted", lambda: restore_session(store, 1, said())),
            ("no word 99", lambda: take_back_word(store, 99, said())),
            ("no player Zo", lambda: rename_player(store, "Zo", "Zoe", said())),
            ("Mika Tarn already",
             lambda: rename_player(store, "Robin Ashdown", "Mika Tarn", said())),
            ("is so already", lambda: change_session(store, 1, SessionWishes(ball=True), said())),
            ("within 200 mm",
             lambda: change_session(store, 1, SessionWishes(stance_mm=4e5), said())),
            ("within 200 mm",
             lambda: change_session(store, 1, SessionWishes(stance_mm=float("nan")), said())),
        ):  # fmt: skip
            refused(store, match, act)
        seen = stamp_of(store, 1)
        with Store.open(path) as another:
            keep_note(another, 1, "wind", said())
        refused(store, "changed meanwhile", moves(Move(1, 2, "6i"), seen_stamp=seen))
        change_session(store, 2, SessionWishes(hand="left"), said(1))
        refused(store, "stay with their hand", moves(Move(1, 2, None), to_session=2))


def test_what_is_typed_wrong_is_one_line(made, tmp_path, lieboard):
    shutil.copy(made, tmp_path / "own.db")
    tomorrow = datetime.datetime.now().astimezone() + datetime.timedelta(days=2)
    for match, *arguments in (
        ("there is no strike 99", "strikes", "move", "99", "6i", "--session", "1"),
        ("in turn", "strikes", "move", "3", "6i", "8i", "--session", "1"),
        ("nothing to undo", "undo"),
        ("in the future", "bent", "6i", "61.5", "61", "--on", f"{tomorrow:%Y-%m-%d}",
         "--player", "Robin"),
        ("no date", "bent", "6i", "61.5", "61", "--on", "soon", "--player", "Robin"),
        ("--yes keeps it", "bent", "6i", "61.5", "57.5", "--player", "Robin"),
        ("--yes keeps it", "bent", "6i", "65", "64.5", "--player", "Robin"),
        ("is not a number of degrees", "bent", "6i", "61.5°x", "61", "--player", "Robin"),
        ("off the sole", "mark", "6i", "50", "--session", "1"),
        ("is between", "overlay", "6i", "8i", "10", "--player", "Robin"),
        ("write mm, such as 12, or unknown", "session", "change", "1", "--stance", "low"),
        ("right or left", "session", "change", "1", "--hand", "both"),
    ):  # fmt: skip
        lieboard("own.db", *arguments, fails=match)
    assert json.loads(lieboard("own.db", "changes", "--json")) == []


def test_a_strike_has_one_number_everywhere(made, tmp_path, lieboard):
    shutil.copy(made, tmp_path / "own.db")
    listed = lieboard("own.db", "strikes", "--session", "2").splitlines()[1:]
    numbers = [int(line.split()[0]) for line in listed]
    assert numbers == list(range(1, 8))
    table = lieboard("own.db", "report", "--session", "2", "--csv", "-").splitlines()
    place = table[0].split(",").index("number")
    assert [int(line.split(",")[place]) for line in table[1:]] == numbers
    whole = json.loads(lieboard("own.db", "report", "--session", "2", "--json", "-"))
    assert [strike["number"] for strike in whole["strikes"]] == numbers
    lieboard("own.db", "mark", "6i", "2", "--session", "2", "--audits", "5")
    assert "mark of strike 5" in lieboard("own.db", "strikes", "--session", "2")
    lieboard("own.db", "mark", "6i", "2", "--session", "2", "--audits", "1", fails="under 7i")
    lieboard("own.db", "mark", "6i", "2", "--session", "2", "--audits", "7", fails="saw no strike")


def test_a_logger_that_runs_heeds_a_hand_put_right_elsewhere(week, lieboard, set_file):
    own = week("a.db")
    lieboard("a.db", "set", "import", str(set_file()))
    session = own.begin(own.store.sets.all()[0].id, 0)
    own.swing("7i", 3, place_mm=12.0)
    lieboard("a.db", "session", "change", str(session), "--hand", "left")
    own.swing(None, 3, place_mm=12.0)
    own.end()
    toes = [one.toe_mm for one in own.store.strikes.contacts(session, source="board")]
    # The same place on the board, and the other end of a left-hander's sole: before and after.
    assert len(toes) == 6
    assert all(toe < -5 for toe in toes)
