"""Any two data files merge to one content, whichever takes in the other."""

import contextlib
import shutil

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import StoreError, UsageError
from logger.session.corrections.acts import Said, undo
from logger.session.corrections.sessions import SessionWishes, change_session, delete_session
from logger.session.corrections.strikes import Move, move_strikes
from logger.session.corrections.words import take_back_word
from logger.store.store import Store

SECOND = 10**9

MOMENTS = st.integers(0, 5)
ACTS = st.lists(
    st.tuples(
        st.sampled_from(
            ["set", "session", "strikes", "turn", "word", "mark", "bend", "note", "loss", "press",
             "calibration", "agree", "judge", "end", "hand", "misses", "overlay",
             "move", "stance", "own set", "undo", "back", "delete"]
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
    sets = store.sets.all()
    if kind == "agree":
        store.agreed.add(str(b), str(c), at_utc_ns=at)
    elif kind == "judge":
        w.boot(board=str(b), at_s=c)
        store.boards.accept(store.boards.all()[0].id, accepted=bool(c % 2), at_utc_ns=at)
    elif kind == "calibration":
        w.boot(board=str(b), at_s=c)
        board = store.boards.all()[0].id
        store.calibrations.add(board, "e", {"g": b}, from_utc_ns=at, method_version=str(c))
    elif sets:
        own = sets[b % len(sets)].id
        clubs = list(w.clubs(own).values())
        club = clubs[c % len(clubs)]
        if kind == "session":
            w.session(own, at_s=a, stance_mm=float(c))
        elif kind == "bend":
            store.readings.add_bend(
                club, bent_utc_ns=at, lie_before_deg=60.0, lie_after_deg=61.0 + c
            )
        elif kind == "misses":
            store.readings.add_misses(
                club, left_count=a, straight_count=b, right_count=c, noted_utc_ns=at
            )
        elif kind == "overlay" and len(clubs) > 1:
            store.readings.add_overlay(clubs[0], clubs[1], offset_mm=c, u_mm=1, read_utc_ns=at)
        for session in store.sessions.all(own)[:1]:
            in_session(w, session, club, at, kind, b, c)


def corrected(store, session, kind, at, b, c):
    """What a person puts right afterwards; what cannot be is refused and changes nothing."""
    said = Said(at, "terminal")
    with contextlib.suppress(UsageError, StoreError):
        if kind == "undo":
            undo(store, said)
        elif kind == "back":
            take_back_word(store, 1 + b, said)
        elif kind == "move":
            labels = [club.label for club in store.sets.get(session.set).clubs]
            others = [row.id for row in store.sessions.all(session.set)]
            move_strikes(
                store, session.id, [Move(1 + b, None, labels[c % len(labels)])], said,
                to_session=others[c % len(others)] if b % 2 else None,
            )  # fmt: skip
        elif kind == "stance":
            change_session(store, session.id, SessionWishes(stance_mm=float(b)), said)
        elif kind == "own set":
            sets = store.sets.all()
            wishes = SessionWishes(set_id=sets[c % len(sets)].id, note=str(b))
            change_session(store, session.id, wishes, said)
        elif kind == "delete":
            delete_session(store, session.id, said)


def in_session(w, session, club, at, kind, b, c):
    store, number = w.store, session.id
    corrected(store, session, kind, at, b, c)
    boot = w.boot(key=f"{b % 2:08x}", board="board", next_sequence=c)
    if kind == "strikes":
        w.strikes(number, boot, range(b, b + c), word=b"" if c < 4 else bytes([b]))
    elif kind == "turn":
        store.sessions.add_turn(number, club, from_utc_ns=at, cause=f"foot switch {boot}:{c}")
        store.strikes.refile(number)
    elif kind == "mark":
        strikes = store.strikes.contacts(number, source="board")
        store.strikes.add_mark(
            number, club, struck_utc_ns=at, toe_mm=1.0, u_mm=1.0,
            audits=strikes[c % len(strikes)].id if strikes else None,
        )  # fmt: skip
    elif kind == "word":
        for contact in store.strikes.contacts(number)[b : b + 1]:
            if c % 2:
                store.strikes.set_aside(contact, f"taken back (foot switch {boot}:{c})")
            else:
                store.strikes.bring_back(contact)
    elif kind == "note":
        store.sessions.add_note(number, str(c), written_utc_ns=at)
    elif kind == "end":
        store.sessions.end(number, ended_utc_ns=at)
    elif kind == "loss":
        store.records.add_loss(
            boot, count=c + 1, reason="r", noted_utc_ns=at, from_sequence=b, to_sequence=b + c,
            session=number,
        )  # fmt: skip
    elif kind == "press":
        with store.sessions.press(boot, c):
            pass


@given(common=ACTS, here=ACTS, there=ACTS)
@settings(max_examples=8)
def test_any_two_files_merge_to_one_content(
    common, here, there, empty_file, tmp_path_factory, writer, content, start_ns, both_ways
):
    folder = tmp_path_factory.mktemp("any")
    base = shutil.copy(empty_file, folder / "base.db")
    files = [folder / "one.db", folder / "another.db"]
    for path, acts in ((base, common), (files[0], here), (files[1], there)):
        if path is not base:
            shutil.copy(base, path)
        with Store.open(path) as store:
            store.file.connection.execute("PRAGMA synchronous = OFF")
            for each in acts:
                act(writer(store), start_ns, *each)
    before = [content(path) for path in files]
    a, b = both_ways(folder, *files)
    assert a == b
    # Nothing that a board sent and no word of a person is lost.
    for table, columns in (("records", 4), ("notes", 3), ("presses", 2), ("marks", 4)):
        for side in before:
            if len(a["boots"]) == len(before[0]["boots"]) == len(before[1]["boots"]):
                aside = {row[:4] for row in a["clashes"]}
                kept = {row[:columns] for row in a[table]} | aside
                assert {row[:columns] for row in side[table]} <= kept
    assert len({row[:2] for row in a["records"]}) == len(a["records"])
