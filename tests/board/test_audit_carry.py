"""What of an audit carries over to another session: by hand, by drawing, and in its limits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.board.audit_carry import Audited, CarryPrior, Circumstance, carried_level

# The day's scatter known: everything is one conditional normal.
SURE = CarryPrior(mounting_u_mm=2.0, day_mm=1.5, day_log_sd=0.0)
U_MM = 6.0
HERE = Circumstance("board", "Ada", "today", 1)


def audited(offset_mm, *, board="board", player="Ada", session="then", toe_sign=1, var=1.0, n=9):
    return Audited(Circumstance(board, player, session, toe_sign), offset_mm, var, n)


def carry(audits, to=HERE, **changes):
    given = {"u_address_mm": U_MM, "u_mark_common_mm": 0.5, "prior": SURE} | changes
    return carried_level(audits, to, **given)


def test_one_audit_by_hand():
    """Shrunken by what is not shared: Searle, Casella and McCulloch, Variance Components, 1992, 7.3
    (best prediction, from memory): cov / var * value, var less cov^2 / var."""
    shared, whole = 36.0 - 2.25, 36.0 + 1.0 + 0.25
    found = carry([audited(8.0)])
    assert found.offset_mm == pytest.approx(8.0 * shared / whole)
    assert found.u_mm == pytest.approx(math.sqrt(36.0 - shared**2 / whole))
    assert found.settles_level


@pytest.mark.parametrize(
    ("where", "shared"),
    [
        # What belongs to whom: habit 36 - 4 - 2.25, mounting 4, day 2.25.
        ({"board": "other"}, 29.75),
        ({"player": "Ben"}, 4.0),
        ({"player": "Ben", "toe_sign": -1}, -4.0),
        ({"session": "today"}, 36.0),
        ({"player": "Ben", "board": "other"}, 0.0),
    ],
)
def test_what_belongs_to_board_player_and_day(where, shared):
    found = carry([audited(5.0, **where)])
    assert found.offset_mm == pytest.approx(5.0 * shared / 37.25)
    assert found.u_mm == pytest.approx(math.sqrt(36.0 - shared**2 / 37.25))
    assert found.settles_level is (shared > 30)


def test_nothing_is_claimed_without_an_audit():
    found = carry([])
    assert (found.offset_mm, found.u_mm, found.share) == (0.0, U_MM, 0.0)
    assert not found.settles_level
    assert carry([audited(5.0)], u_address_mm=0.0).offset_mm == 0.0


def test_more_audits_tell_more_but_never_the_day_nor_how_marks_are_read():
    few = carry([audited(4.0, session=1)])
    many = carry([audited(4.0, session=i) for i in range(40)])
    assert many.u_mm < few.u_mm
    # Left: today's own day, and the reading error that all marks share.
    assert many.u_mm == pytest.approx(math.hypot(1.5, 0.5), abs=0.1)


def test_audits_that_differ_from_day_to_day_widen_what_is_carried():
    learning = CarryPrior()
    same = carry([audited(4.0, session=i, var=0.3) for i in range(6)], prior=learning)
    apart = [audited(4.0 + 5.0 * (-1) ** i, session=i, var=0.3) for i in range(6)]
    differing = carry(apart, prior=learning)
    assert differing.day_mm > 1.5 * same.day_mm
    assert differing.u_mm > 1.5 * same.u_mm


def test_intervals_hold_for_players_drawn_from_the_model():
    rng = np.random.default_rng(11)
    inside, wide, draws = 0, 0.0, 300
    for _ in range(draws):
        mounting = rng.normal(0, 2.0)
        habit = {name: rng.normal(0, math.sqrt(29.75)) for name in ("Ada", "Ben")}
        common = rng.normal(0, 0.5)
        audits = []
        for session, (name, sign) in enumerate((("Ada", 1), ("Ada", 1), ("Ben", -1))):
            true = sign * mounting + habit[name] + rng.normal(0, 1.5)
            seen = true + common + rng.normal(0, 4.0, 8)
            where = Circumstance("board", name, session, sign)
            audits.append(Audited.of(where, seen, np.zeros(8), SURE))
        found = carry(audits)
        truth = mounting + habit["Ada"] + rng.normal(0, 1.5)
        inside += abs(found.offset_mm - truth) <= 1.645 * found.u_mm
        wide += found.u_mm / draws
    # 90 %; three standard errors of the count are 0.052.
    assert 0.848 <= inside / draws <= 0.96
    assert wide < U_MM / 2


def test_pairs_are_summed_up_without_the_odd_one():
    board = np.array([5.0, 5.5, 4.5, 5.2, 4.8, 40.0])
    found = Audited.of(HERE, board, np.zeros(6))
    assert (found.n, found.offset_mm) == (5, pytest.approx(5.0))
    # t with 4 + 4 degrees of freedom about the pooled square of 4 mm and what the pairs show.
    square = (4 * 16.0 + np.sum((board[:5] - 5.0) ** 2)) / 8
    assert found.variance_mm2 == pytest.approx(square / 5 * 8 / 6)


def test_what_makes_no_sense_is_refused():
    with pytest.raises(NoAnswerError, match="2 pairs"):
        Audited.of(HERE, [1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="negative"):
        carry([], u_address_mm=-1.0)
    with pytest.raises(ValueError, match="swing_dof"):
        CarryPrior(swing_dof=2.0)
    # An address said to be better known than mounting and day leaves no room for a habit.
    assert carry([audited(9.0)], u_address_mm=1.0).u_mm < 1.0
