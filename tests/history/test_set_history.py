"""The player's change told apart from one club's."""

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.history.set_history import ClubBend, read_history
from analysis.history.split import hang_together, split_sessions

LABELS = ["4i", "5i", "6i", "7i", "8i", "9i", "PW"]


def weeks(rng, n=6, u=0.25, shared=0.3):
    """Lie errors of ``n`` sessions with no change; every uncertainty is what it says."""
    base = rng.normal(0.5, 0.8, len(LABELS))
    u_own = u * rng.uniform(0.7, 1.6, (n, len(LABELS)))
    lie = base + rng.normal(0, shared, (n, 1)) + rng.normal(0, u_own)
    return lie, u_own, np.full((n, len(LABELS), 1), shared)


def test_one_club_that_moved_is_named_and_no_other():
    lie, u, shared = weeks(np.random.default_rng(1))
    lie[4:, 2] += 1.8
    past = read_history(LABELS, lie, u, shared)
    named = {club.label: club.own.changes for club in past.clubs if club.own.changes}
    assert list(named) == ["6i"]
    (change,) = named["6i"]
    assert change.session == 4
    assert change.probability > 0.95
    assert abs(change.size_deg - 1.8) < 2.5 * change.u_deg
    assert past.common is not None
    assert past.common.changes == ()
    # It moved the week before last, not since last time.
    assert not past.clubs[2].own.moved


def test_a_player_who_moved_moves_all_clubs_and_none_of_them():
    lie, u, shared = weeks(np.random.default_rng(2), n=8, shared=0.15)
    lie[7:] += 2.0
    past = read_history(LABELS, lie, u, shared)
    assert past.common is not None
    assert past.common.moved
    assert abs(past.common.last.size_deg - 2.0) < 2.5 * past.common.last.u_deg
    assert not any(club.own.moved for club in past.clubs)


def test_an_unsure_level_says_nothing_of_the_player():
    """The same shift, but the board's level is not known between the sessions."""
    lie, u, shared = weeks(np.random.default_rng(2), n=8, shared=0.15)
    lie[7:] += 2.0
    past = read_history(LABELS, lie, u, np.full(shared.shape, 1.5))
    assert past.common is not None
    assert not past.common.moved


def test_weeks_without_change_are_left_alone():
    """False calls of 'moved' over 40 invented pasts: at most a few in a hundred."""
    rng = np.random.default_rng(5)
    said = clubs = 0
    for _ in range(40):
        past = read_history(LABELS, *weeks(rng))
        said += sum(club.own.moved for club in past.clubs)
        clubs += len(past.clubs)
    assert said <= 0.02 * clubs


def test_a_bend_is_taken_off_and_its_outcome_told():
    rng = np.random.default_rng(4)
    lie, u, shared = weeks(rng, n=8, u=0.15)
    lie[4:, 1] -= 1.5
    lie[4:, 5] -= 0.1
    bends = [ClubBend(1, 4, -1.5), ClubBend(5, 4, -2.0)]
    past = read_history(LABELS, lie, u, shared, bends)
    (good,), (bad,) = past.clubs[1].bends, past.clubs[5].bends
    assert good.held
    assert good.interval_deg.low < -1.5 < good.interval_deg.high
    assert past.clubs[1].own.changes == ()
    assert not bad.held
    assert bad.seen_deg == pytest.approx(-0.1, abs=0.5)
    assert [change.session for change in past.clubs[5].own.changes] == [4]


def test_two_clubs_cannot_tell_the_player_from_the_club():
    lie, u, shared = weeks(np.random.default_rng(6))
    past = read_history(LABELS[:2], lie[:, :2], u[:, :2], shared[:, :2])
    assert past.common is None
    assert len(past.clubs) == 2


def test_clubs_that_were_not_hit_every_week():
    lie, u, shared = weeks(np.random.default_rng(7), n=5)
    lie[1, 3] = lie[2, 0] = np.nan
    lie[:4, 6] = np.nan
    past = read_history(LABELS, lie, u, shared)
    assert [club.label for club in past.clubs] == LABELS[:6]
    assert past.clubs[3].own.sessions == (0, 2, 3, 4)


def test_sessions_with_no_club_in_common_are_no_past():
    lie = np.array([[1.0, np.nan], [np.nan, 2.0]])
    with pytest.raises(NoAnswerError, match="two sessions with a club in common"):
        read_history(["4i", "5i"], lie, np.ones((2, 2)), np.ones((2, 2, 1)))
    seen = np.array([[1, 1, 0], [0, 0, 1], [0, 1, 0]], dtype=bool)
    assert hang_together(seen).tolist() == [True, False, True]


def test_the_split_of_a_clean_table_is_the_table_of_means():
    """Two-way table of means (Tukey, Exploratory Data Analysis, 1977): equal weights, no strays."""
    rng = np.random.default_rng(9)
    table = rng.normal(0, 0.2, (5, 1)) + rng.normal(0, 1, 6) + rng.normal(0, 0.02, (5, 6))
    split = split_sessions(table, np.full(table.shape, 0.2))
    means = table.mean(axis=1) - table.mean()
    assert split.known
    assert split.common == pytest.approx(means, abs=1e-8)


def test_one_bent_club_hardly_moves_its_session():
    table = np.zeros((5, 6))
    table[2:, 3] = 3.0
    split = split_sessions(table, np.full(table.shape, 0.15))
    assert np.ptp(split.common) < 0.12
    # By plain means it would be half a degree.
    assert np.ptp(table.mean(axis=1)) == pytest.approx(0.5)
