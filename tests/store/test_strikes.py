"""Strikes under their clubs: rebuilt at will, while a person's word on them stays."""

import sqlite3
import statistics
from contextlib import closing
from datetime import UTC, datetime

import pytest

from logger.errors import StoreError
from logger.store.rows import NewStrike

SECOND = 10**9


@pytest.fixture
def strike(start_utc_ns):
    def make(first, last=None, *, toe_mm=1.0, at_s=None, rule_reason=None, method="1"):
        at = start_utc_ns + int((first if at_s is None else at_s) * SECOND)
        return NewStrike(
            first_sequence=first, last_sequence=first if last is None else last, struck_utc_ns=at,
            kind="sole", toe_mm=toe_mm, board_mm=toe_mm, trail_mm=None, load=812.0, span_us=900.0,
            flags=0, method_version=method, rule_reason=rule_reason,
        )  # fmt: skip

    return make


@pytest.fixture
def turn(store, session, clubs, start_utc_ns):
    def make(label, at_s):
        store.sessions.add_turn(
            session, clubs.get(label), from_utc_ns=start_utc_ns + int(at_s * SECOND), cause="key"
        )

    return make


@pytest.fixture
def refile(store, session, boot):
    def make(strikes, from_sequence=0, to_sequence=1000):
        return store.strikes.file(
            session, boot, strikes, from_sequence=from_sequence, to_sequence=to_sequence
        )

    return make


def by_club(store, session, clubs):
    labels = {club: label for label, club in clubs.items()}
    return [(c.first_sequence, labels.get(c.club)) for c in store.strikes.contacts(session)]


def test_strikes_fall_under_the_club_that_was_up(store, session, clubs, strike, turn, refile):
    turn("6i", 2)
    turn("7i", 5)
    turn(None, 8)
    refile([strike(n) for n in range(10)])
    filed = by_club(store, session, clubs)
    assert filed == list(enumerate([None] * 2 + ["6i"] * 3 + ["7i"] * 3 + [None] * 2))
    # the fitter sees late that the 7-iron was up from second 4 on
    turn("7i", 4)
    assert store.strikes.refile(session) == 1
    assert by_club(store, session, clubs)[4] == (4, "7i")
    assert store.strikes.refile(session) == 0


def test_everything_of_a_strike_comes_back(store, session, boot, clubs, strike, turn, refile):
    turn("7i", 0)
    (filed,) = refile([strike(3, 5, toe_mm=-2.5, rule_reason="too light", method="2")])
    row = store.strikes.get("board", filed)
    assert (row.session, row.boot, row.club) == (session, boot, clubs["7i"])
    assert (row.first_sequence, row.last_sequence, row.kind) == (3, 5, "sole")
    assert (row.toe_mm, row.board_mm, row.trail_mm) == (-2.5, -2.5, None)
    assert (row.load, row.span_us, row.flags, row.method_version) == (812.0, 900.0, 0, "2")
    assert (row.used, row.set_aside, row.reason) == (False, "rule", "too light")
    assert (row.toe_u_mm, row.audits) == (None, None)


def test_filing_again_replaces_only_the_span(store, session, strike, refile):
    first = refile([strike(n) for n in (1, 4, 7)])
    again = refile([strike(4, toe_mm=9.0, method="2"), strike(5, method="2")], 4, 6)
    assert again[0] == first[1]
    rows = store.strikes.contacts(session)
    assert [(r.first_sequence, r.toe_mm, r.method_version) for r in rows] == [
        (1, 1.0, "1"), (4, 9.0, "2"), (5, 1.0, "2"), (7, 1.0, "1"),
    ]  # fmt: skip
    refile([], 4, 6)
    assert [r.first_sequence for r in store.strikes.contacts(session)] == [1, 7]
    with pytest.raises(ValueError, match="outside the span"):
        refile([strike(9)], 4, 6)


def test_two_contacts_may_begin_in_one_record(store, session, strike, refile):
    ids = refile([strike(4, at_s=4.0), strike(4, at_s=4.1)])
    assert len(set(ids)) == 2
    assert refile([strike(4, at_s=4.0), strike(4, at_s=4.1)]) == ids
    assert [c.id for c in store.strikes.contacts(session)] == ids


def test_the_fitters_word_outlives_a_new_method(store, session, strike, refile):
    refile([strike(1, 2), strike(3, 4, rule_reason="too light"), strike(5, 6)])
    heavy, light, other = store.strikes.contacts(session)
    assert not store.strikes.set_aside(heavy, "shank").used
    assert store.strikes.bring_back(light).used
    # the new method joins records another way: 0-2 is the first strike now, 3-4 and 5-6 stay
    refile([strike(0, 2, method="2"), strike(3, 4, rule_reason="edge", method="2"), strike(5, 6)])
    rows = store.strikes.contacts(session)
    assert [(r.first_sequence, r.set_aside, r.reason) for r in rows] == [
        (0, "fitter", "shank"), (3, None, None), (5, None, None),
    ]  # fmt: skip
    assert rows[2].id == other.id


def test_set_aside_bring_back_and_take_back_last(store, session, clubs, strike, turn, refile):
    turn("6i", 0)
    turn("7i", 4)
    refile([strike(n) for n in range(8)])
    assert store.strikes.take_back_last(session).first_sequence == 7
    taken = store.strikes.take_back_last(session)
    assert (taken.first_sequence, taken.set_aside, taken.reason) == (6, "fitter", "taken back")
    assert store.strikes.take_back_last(session, club=clubs["6i"]).first_sequence == 3
    assert store.strikes.bring_back(taken).used
    assert store.strikes.take_back_last(session).first_sequence == 6
    counts = [(c.club, c.used, c.set_aside) for c in store.strikes.counts_by_club(session)]
    assert counts == [(clubs["6i"], 3, 1), (clubs["7i"], 2, 2)]
    for _ in range(5):
        assert store.strikes.take_back_last(session) is not None
    assert store.strikes.take_back_last(session) is None


def test_marks_stand_beside_strikes(store, session, clubs, strike, turn, refile, start_utc_ns):
    turn("7i", 0)
    (seen,) = refile([strike(3, 4)])
    mark = store.strikes.add_mark(
        session, clubs["7i"], struck_utc_ns=start_utc_ns + 3 * SECOND, toe_mm=2.5, u_mm=0.7,
        trail_mm=-1.0, audits=seen,
    )  # fmt: skip
    board, read = store.strikes.contacts(session, club=clubs["7i"])
    assert (board.source, read.source, read.kind) == ("board", "mark", "mark")
    assert (read.toe_mm, read.toe_u_mm, read.trail_mm, read.audits) == (2.5, 0.7, -1.0, seen)
    assert store.strikes.contacts(session, source="mark") == [read]
    assert store.strikes.contacts(session, club=clubs["6i"]) == []
    # another method finds the strike one record earlier: the mark goes with it
    (heir,) = refile([strike(2, 4)])
    assert heir != seen
    assert store.strikes.get("mark", mark).audits == heir
    refile([])
    assert store.strikes.get("mark", mark).audits is None
    assert store.strikes.take_back_last(session).id == mark
    assert not store.strikes.get("mark", mark).used
    with pytest.raises(StoreError, match="no mark contact 99"):
        store.strikes.get("mark", 99)


# Copper in wholemeal flour, micrograms per gram: Analytical Methods Committee, Analyst 114 (1989)
# 1693-1702; mean 4.2804.
FLOUR = [
    2.20, 2.20, 2.40, 2.40, 2.50, 2.70, 2.80, 2.90, 3.03, 3.03, 3.10, 3.37, 3.40, 3.40, 3.40, 3.50,
    3.60, 3.70, 3.70, 3.70, 3.70, 3.77, 5.28, 28.95,
]  # fmt: skip


def test_views_for_any_sqlite_browser(
    store, path, session, boot, clubs, strike, turn, refile, start_utc_ns
):
    turn("7i", 0)
    refile([strike(n, toe_mm=value) for n, value in enumerate(FLOUR)])
    refile([*[strike(n, toe_mm=value) for n, value in enumerate(FLOUR)],
            strike(30, toe_mm=500.0, rule_reason="too light")])  # fmt: skip
    store.records.add_loss(boot, count=2, reason="memory full", noted_utc_ns=start_utc_ns,
                   session=session, club=clubs["PW"])  # fmt: skip
    with closing(sqlite3.connect(path)) as browser:
        browser.row_factory = sqlite3.Row
        rows = browser.execute("SELECT * FROM strike_list").fetchall()
        assert len(rows) == 25
        assert (rows[0]["player"], rows[0]["set"], rows[0]["club"]) == (
            "Robin Ashdown",
            "Weekend irons",
            "7i",
        )
        assert [row["used"] for row in rows] == ["yes"] * 24 + ["no"]
        assert (rows[24]["set_aside_by"], rows[24]["reason"]) == ("rule", "too light")
        # the time as text is the time
        assert datetime.fromisoformat(rows[7]["struck_utc"]) == datetime(
            2024, 1, 1, 0, 0, 7, tzinfo=UTC
        )
        seven, wedge = browser.execute("SELECT * FROM club_summary").fetchall()
        assert (seven["club"], seven["used"], seven["set_aside"], seven["lost"]) == ("7i", 24, 1, 0)
        assert round(seven["mean_toe_mm"], 4) == 4.2804
        middle = statistics.fmean(FLOUR)
        spread = statistics.fmean(abs(value - middle) for value in FLOUR)
        assert seven["mean_distance_mm"] == pytest.approx(spread, rel=1e-12)
        assert (seven["least_toe_mm"], seven["greatest_toe_mm"]) == (2.20, 28.95)
        assert (wedge["club"], wedge["used"], wedge["lost"], wedge["mean_toe_mm"]) == (
            "PW",
            0,
            2,
            None,
        )
        (board,) = browser.execute("SELECT * FROM board_list").fetchall()
        assert (board["board"], board["cells"], board["pitch_mm"], board["lost"]) == (
            "shed board",
            32,
            4.0,
            2,
        )
