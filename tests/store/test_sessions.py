"""Sessions, and which club was up when."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import StoreError


def test_a_session_comes_back_as_it_was_started(store, session, set_id, start_utc_ns):
    row = store.sessions.get(session)
    assert (row.set, row.hand, row.ball, row.surface) == (set_id, "right", True, "range mat")
    assert (row.stance_mm, row.stance_u_mm) == (4.0, 1.0)
    assert (row.sole_middle_mm, row.sole_middle_u_mm) == (0.0, 2.0)
    # taken from the set where not given
    assert row.machine_increment_deg == 0.5
    assert (row.started_utc_ns, row.ended_utc_ns, row.note) == (start_utc_ns, None, None)


def test_the_latest_session_that_was_not_ended_is_gone_on_with(
    store, session, set_id, start_utc_ns
):
    later = store.sessions.start(
        set_id, started_utc_ns=start_utc_ns + 10, hand="left", stance_u_mm=1, sole_middle_u_mm=2,
        ball=False, machine_increment_deg=0.25, note="windy",
    )  # fmt: skip
    assert store.sessions.latest_open().id == later
    store.sessions.end(later, ended_utc_ns=start_utc_ns + 20)
    assert store.sessions.latest_open().id == session
    store.sessions.end(session, ended_utc_ns=start_utc_ns + 30)
    assert store.sessions.latest_open() is None
    assert [row.id for row in store.sessions.all()] == [session, later]
    assert [row.id for row in store.sessions.all(set_id + 1)] == []
    row = store.sessions.all(set_id)[1]
    assert (row.hand, row.ball, row.machine_increment_deg, row.note) == (
        "left",
        False,
        0.25,
        "windy",
    )


def test_what_is_not_there_is_named(store, set_id):
    with pytest.raises(StoreError, match="no session 5"):
        store.sessions.get(5)
    with pytest.raises(StoreError, match="no sessions row 5"):
        store.sessions.end(5, ended_utc_ns=0)
    with pytest.raises(StoreError, match="no set 5"):
        store.sessions.start(5, started_utc_ns=0, stance_u_mm=1, sole_middle_u_mm=1, ball=True)
    with pytest.raises(StoreError, match="FOREIGN KEY"):
        store.sessions.add_turn(5, None, from_utc_ns=0, cause="start")


@given(
    turns=st.lists(
        st.tuples(st.integers(0, 20), st.sampled_from(["6i", "7i", "PW", None])), max_size=12
    )
)
@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_club_at_against_walking_through_the_turns(store, set_id, clubs, turns):
    session = store.sessions.start(
        set_id, started_utc_ns=0, stance_u_mm=1, sole_middle_u_mm=1, ball=True
    )
    for at, label in turns:
        store.sessions.add_turn(session, clubs.get(label), from_utc_ns=at, cause="key")
    # sorted() is stable: of two turns at one moment the later typed one holds
    walked = sorted(turns, key=lambda turn: turn[0])
    for moment in range(22):
        up = None
        for at, label in walked:
            if at <= moment:
                up = clubs.get(label)
        assert store.sessions.club_at(session, moment) == up
    assert [turn.from_utc_ns for turn in store.sessions.turns(session)] == [at for at, _ in walked]


def test_notes(store, session, start_utc_ns):
    store.sessions.add_note(session, "shoes changed", written_utc_ns=start_utc_ns + 9)
    store.sessions.add_note(session, "mat moved, \u00bd turn", written_utc_ns=start_utc_ns + 5)
    assert [note.text for note in store.sessions.notes(session)] == [
        "mat moved, \u00bd turn",
        "shoes changed",
    ]
    assert store.sessions.notes(session + 1) == []
