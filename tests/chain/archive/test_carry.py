"""A copy of a session makes the same session in any data file, once."""

import dataclasses

import pytest

from logger.errors import StoreError
from logger.session.evidence.evidence import session_picture
from logger.store.carry_schema import OF_THIS_FILE
from logger.store.copies.columns import PARTS
from logger.store.copies.take_in import Origin
from logger.store.packing import unpack_raw
from logger.store.store import Store


@pytest.fixture
def other(tmp_path):
    with Store.open(tmp_path / "other.db") as store:
        yield store


def carry(source, target, session, **how):
    """Carry a session over by hand: its copy, then its records."""
    copy, _ = source.copies.make(session)
    there = target.copies.take_in(copy, **how)
    target.copies.take_records(there, source.copies.records_of(session))
    return there


def said_of(store, session):
    """All that is said of each club of a session, without row numbers."""
    picture = session_picture(store, store.sessions.get(session))
    clubs = [
        (one.club.label, one.club.spec, one.used, one.set_aside, one.lost, one.contact, one.lie,
         one.strange)
        for one in picture.clubs
    ]  # fmt: skip
    return clubs, picture.together


def test_a_carried_session_says_the_same(bay, other):
    # The other file has rows of its own already, so no row number is the same.
    for stamp in reversed(bay.store.copies.stamps()):
        carry(bay.store, other, stamp.session)
    for stamp in bay.store.copies.stamps():
        there = other.copies.find(stamp.name)
        mine, theirs = said_of(bay.store, stamp.session), said_of(other, there)
        assert mine[0] == theirs[0]
        assert repr(mine[1]) == repr(theirs[1])
    assert [b.note for b in other.readings.bends()] == [b.note for b in bay.store.readings.bends()]
    assert other.copies.stamps()[0].name.player == "Ada Lindqvist"


def test_a_copy_of_the_copy_is_the_copy(bay, other):
    for stamp in bay.store.copies.stamps():
        carry(bay.store, other, stamp.session)
    for stamp in bay.store.copies.stamps():
        first, _ = bay.store.copies.make(stamp.session)
        again, _ = other.copies.make(other.copies.find(stamp.name))
        for part in first:
            assert sorted(map(repr, first[part])) == sorted(map(repr, again[part])), part


def test_taken_twice_nothing_is_twice(bay, other):
    def counts():
        tables = (
            "players sets clubs club_specs bends boards boots sessions turns strikes marks notes"
        )
        return {t: other.file.number(f"SELECT COUNT(*) FROM {t}") for t in tables.split()}

    first = bay.store.copies.stamps()[0].session
    carry(bay.store, other, first)
    before = counts()
    carry(bay.store, other, first)
    assert counts() == before
    assert before["strikes"] == 12
    assert before["marks"] == 1


def test_every_change_gives_another_stamp(bay):
    store, session = bay.store, bay.store.copies.stamps()[0].session
    contact = store.strikes.contacts(session)[3]
    club = store.sets.get(store.sessions.get(session).set).clubs[0]
    mark = store.strikes.contacts(session, source="mark")[0]
    at = store.sessions.get(session).started_utc_ns
    changes = [
        lambda: store.strikes.set_aside(contact, "thin"),
        lambda: store.strikes.bring_back(contact),
        lambda: store.strikes.set_aside(mark, "smudged"),
        lambda: store.sessions.add_note(session, "x", written_utc_ns=at),
        lambda: store.sessions.add_turn(session, club.id, from_utc_ns=at + 1, cause="key"),
        lambda: store.strikes.refile(session),
        lambda: store.sessions.end(session, ended_utc_ns=at + 9),
        lambda: store.clubs.add_spec(
            club.id, dataclasses.replace(club.spec, lie_deg=60.0), at_utc_ns=at, source="measured"
        ),
        lambda: store.readings.add_misses(
            club.id, left_count=1, straight_count=2, right_count=3, noted_utc_ns=at
        ),
        lambda: store.strikes.add_mark(session, club.id, struck_utc_ns=at, toe_mm=1.0, u_mm=1.0),
        lambda: store.calibrations.add(
            store.boards.all()[0].id, "evening", {}, from_utc_ns=at, method_version="1"
        ),
    ]
    seen = set()
    for change in changes:
        change()
        seen.add(store.copies.make(session)[1])
    assert len(seen) == len(changes)


def test_a_session_of_another_set_keeps_its_stamp(bay):
    before = {s.session: s.stamp for s in bay.store.copies.stamps()}
    first, _, third = before
    bay.store.strikes.set_aside(bay.store.strikes.contacts(first)[3], "thin")
    after = {s.session: s.stamp for s in bay.store.copies.stamps()}
    assert [s for s in before if before[s] != after[s]] == [first]
    assert third in after


def test_an_older_copy_that_comes_late_changes_nothing(bay, other):
    session = bay.store.copies.stamps()[0].session
    origin = Origin("North", "bay 1")
    old, _ = bay.store.copies.make(session)
    bay.store.strikes.set_aside(bay.store.strikes.contacts(session)[3], "thin")
    new, _ = bay.store.copies.make(session)
    there = other.copies.take_in(new, origin=origin, edition=2)
    assert other.copies.take_in(old, origin=origin, edition=1) == there
    assert sum(not c.used for c in other.strikes.contacts(there)) == 2


def test_a_contact_that_is_no_more_goes_and_one_decided_late_changes(bay, other):
    session = bay.store.copies.stamps()[0].session
    there = carry(bay.store, other, session)
    gone = bay.store.strikes.contacts(session, source="board")[5]
    with bay.store.file.writing() as connection:
        connection.execute("DELETE FROM strikes WHERE id = ?", (gone.id,))
    bay.store.strikes.bring_back(bay.store.strikes.contacts(session, source="board")[1])
    carry(bay.store, other, session)
    left = other.strikes.contacts(there, source="board")
    assert len(left) == 11
    assert gone.first_sequence not in {c.first_sequence for c in left}
    assert sum(not c.used for c in left) == 0


def test_another_bay_cannot_change_a_session_nor_take_its_strikes(bay, other):
    sessions = [s.session for s in bay.store.copies.stamps()]
    copy, _ = bay.store.copies.make(sessions[0])
    other.copies.take_in(copy, origin=Origin("North", "bay 1"), edition=1)
    with pytest.raises(StoreError, match="kept by bay bay 1 of North"):
        other.copies.take_in(copy, origin=Origin("North", "bay 2"), edition=9)
    # The same strikes under another session's name.
    copy["session"][0]["started_utc_ns"] += 1
    copy["marks"] = []
    with pytest.raises(StoreError, match="another bay"):
        other.copies.take_in(copy, origin=Origin("North", "bay 2"), edition=9)
    assert len(other.sessions.all()) == 1


def test_a_copy_that_names_what_it_does_not_have_stores_nothing(bay, other):
    copy, _ = bay.store.copies.make(bay.store.copies.stamps()[0].session)
    copy["strikes"][4]["club"] = "9i"
    with pytest.raises(StoreError, match="names club 9i"):
        other.copies.take_in(copy)
    assert other.sets.players() == []


def test_records_go_by_the_order_they_were_stored(bay):
    every = bay.store.copies.records_stored_after(0, at_most=1000)
    assert [r.id for r in every] == sorted(r.id for r in every)
    assert len(every) == 30
    page = bay.store.copies.records_stored_after(every[9].id, at_most=5)
    assert page == every[10:15]
    stored = list(bay.store.records.read(session=every[0].session))
    assert stored[0].raw == unpack_raw(every[0].raw)


CARRIED = {
    "players": "player", "sets": "set", "sessions": "session", "clubs": "clubs",
    "club_specs": "specs", "bends": "bends", "overlays": "overlays", "misses": "misses",
    "boards": "boots", "boots": "boots", "calibrations": "evenings", "presses": "presses",
    "turns": "turns", "losses": "losses", "notes": "notes", "strikes": "strikes", "marks": "marks",
    "acts": "acts", "act_parts": "act_parts",
}  # fmt: skip
# Records travel by themselves; the others say something of one computer only.
NOT_CARRIED = {"records", "clashes", "agreed_boards", "session_origins", "boot_origins"}
# By what they are called instead of by row numbers.
RENAMED = {
    "players": {}, "sets": {"player": None, "pivot_club": "pivot"}, "sessions": {"set": None},
    "clubs": {"set": None}, "bends": {"session": "session_started_utc_ns"},
    "boards": {"board_key": "board", "first_seen_utc_ns": "board_first_seen_utc_ns"},
    "boots": {"boot_key": "boot"}, "turns": {"session": None}, "losses": {"session": None},
    "notes": {"session": None}, "strikes": {"session": None},
    "marks": {"session": None, "audits": "audits_first_sequence"}, "acts": {"act_key": "key"},
    "act_parts": {
        "session": "session_started_utc_ns", "to_session": "to_session_started_utc_ns",
        "boot": "boot_boot",
    },
}  # fmt: skip


def test_no_table_or_column_is_forgotten(bay):
    """Whoever adds a table must say whether it is part of a copy, and what changes a stamp."""
    store = bay.store

    def names(sql):
        return set(store.file.select(lambda name: name, sql))

    tables = names(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT GLOB 'sqlite_*'"
    )
    assert tables == CARRIED.keys() | NOT_CARRIED | set(OF_THIS_FILE)
    for table, part in CARRIED.items():
        columns = {column.name for column in PARTS[part].columns}
        renamed = RENAMED.get(table, {})
        for name in names(f"SELECT name FROM pragma_table_info('{table}')") - {"id"}:
            wanted = renamed.get(name, name)
            if name == "gone" and table != "sessions":
                # Follows from the acts, which come along.
                continue
            assert wanted is None or wanted in columns, (table, name)
    stamped = names("SELECT tbl_name AS name FROM sqlite_schema WHERE name GLOB 'stamp_*'")
    # Boards, boots and presses change nothing that is worked out but with records that come too.
    # An act changes rows of other tables, and these the stamp.
    quiet = {"boards", "boots", "presses", "acts", "act_parts"}
    assert stamped == (CARRIED.keys() - quiet) | {"records"}
