"""The set file changed, or the computer's clock did, between two runs of one session."""

import pytest

from logger.errors import UsageError
from logger.session.evidence.evidence import session_evidence, session_picture
from logger.session.logging.fitting import FittingSession
from logger.session.results.planning import bend_plan
from logger.setfiles.clubs import Club, ClubSpec, SetFile


@pytest.fixture
def without_7i(desk, at_ns):
    """Two strikes with the 7i, which is up; then the set goes on without it."""
    boot = desk.boot()
    desk.take(boot, desk.strike(0, 1.0), desk.strike(1, 5.0))
    clubs = tuple(Club(label, ClubSpec()) for label in ("6i", "8i"))
    desk.store.sets.import_file(
        SetFile("Ada Lindqvist", "right", "Test irons", "6i", None, clubs), at_utc_ns=at_ns(50.0)
    )
    return desk


def test_strikes_of_a_club_that_left_the_set_stay_in_the_table(without_7i):
    desk = without_7i
    evidence = session_evidence(desk.store, desk.session.row)
    assert [(one.club.label, one.used) for one in evidence] == [("6i", 0), ("8i", 0), ("7i", 2)]
    plan = bend_plan(desk.store, desk.session.row, session_picture(desk.store, desk.session.row))
    assert len(plan.rows) == 3


def test_going_on_puts_a_club_up_that_is_in_the_set(without_7i, at_ns):
    """Otherwise strikes would go on to a club that no screen shows."""
    desk = without_7i
    again = desk.again(100.0)
    assert again.current_club(at_ns(100.0)).label == "6i"
    desk.take(desk.boot(session=again), desk.strike(2, 101.0), session=again)
    labels = {club.id: club.label for club in desk.store.clubs.of_session(desk.session.row.id)}
    assert [labels[c.club] for c in desk.contacts()] == ["7i", "7i", "6i"]


def test_going_on_leaves_a_club_up_that_still_is_in_the_set(desk, at_ns):
    desk.session.choose_club("8i", at_ns(5.0))
    assert desk.again(100.0).current_club(at_ns(100.0)).label == "8i"


def test_a_session_that_begins_in_the_future_is_not_gone_on_with(desk, at_ns):
    """The computer's clock was wrong then: what is struck now would count as from before."""
    again = desk.again(-3600.0)
    assert again.row.id != desk.session.row.id
    assert again.current_club(at_ns(-3600.0)).label == "7i"
    # A clock that was set by a second is no reason to begin again.
    assert desk.again(-3599.0).row.id == again.row.id


def test_a_set_without_clubs_is_refused_in_one_line(desk, at_ns):
    desk.store.sets.import_file(
        SetFile("Ada Lindqvist", "right", "Test irons", "7i", None, ()), at_utc_ns=at_ns(50.0)
    )
    with pytest.raises(UsageError, match="has no clubs"):
        FittingSession(desk.store, desk.session.row.id)
