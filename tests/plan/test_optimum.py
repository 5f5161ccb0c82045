"""The bend sheet of a whole set: small cases by hand, limits, words, and every club's reason."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.lie.belief import Belief
from analysis.plan.heads import Head
from analysis.plan.optimum import plan_set
from analysis.plan.rows import why
from analysis.plan.types import ClashError, PlanClub, PlanRules, Reason

FINE = PlanRules(increment_deg=0.25)
# Steps out of the way.
FREE = PlanRules(step_deg=(-5.0, 5.0))


def irons(n, **changes):
    return [
        PlanClub(
            f"{i + 3}i",
            **{
                "head": Head.SOFT_FORGED,
                "length_mm": 980 - 12.7 * i,
                "lie_deg": 60 + 0.5 * i,
                "loft_deg": 20 + 4.0 * i,
                "camber_mm": 300.0,
                "metres_per_deg": -1.5,
                "strikes": 10,
                **changes,
            },
        )
        for i in range(n)
    ]


def known(*errors, sd=0.1):
    return Belief.normal(errors, sd**2 * np.eye(len(errors)))


def changed(clubs, label, **changes):
    return [dataclasses.replace(c, **changes) if c.label == label else c for c in clubs]


def test_one_club_gets_the_step_nearest_to_its_need():
    # (e + b)^2 is least at b = -e; the machine's steps nearest to 1.1 and 1.13 are 1 and 1.25.
    assert plan_set(irons(1), known(1.1)).rows[0].bend_deg == -1.0
    assert plan_set(irons(1), known(1.13), FINE).rows[0].bend_deg == -1.25
    assert plan_set(irons(1), known(-1.1)).rows[0].bend_deg == 1.0


def test_a_bend_must_be_worth_its_charge():
    # Gain w^2 (e^2 - (e + b)^2 - u^2) against w^2 charge^2: at e = 0.6, b = -0.5 it is
    # 0.36 - 0.01 - 0.0625 = 0.2875 against 0.25; at e = 0.55 0.2375.
    assert plan_set(irons(1), known(0.60, sd=0.02)).rows[0].bend_deg == -0.5
    row = plan_set(irons(1), known(0.55, sd=0.02)).rows[0]
    assert (row.bend_deg, row.reason) == (0.0, Reason.GOOD_ENOUGH)
    assert "leave it" in row.why


def test_objective_is_the_sum_of_expected_squares_and_charges():
    plan = plan_set(irons(2), known(1.5, 0.1, sd=0.2), FREE)
    w2 = 1.5**2
    expected = w2 * (0.0**2 + 0.04 + 0.0625 + 0.25) + w2 * (0.01 + 0.04)
    assert plan.objective == pytest.approx(expected)
    assert plan.objective_before == pytest.approx(w2 * (2.25 + 0.04 + 0.01 + 0.04))


def test_a_doubtful_club_is_left_alone_until_the_evidence_carries_it():
    doubtful = plan_set(irons(1), known(1.0, sd=0.8)).rows[0]
    assert (doubtful.bend_deg, doubtful.reason) == (0.0, Reason.EVIDENCE)
    assert doubtful.free_deg == -1.0
    assert doubtful.p_free < 0.9
    assert "not sure enough" in doubtful.why
    carried = plan_set(irons(1), known(1.0, sd=0.25)).rows[0]
    assert carried.bend_deg == -1.0
    assert carried.p_better > 0.9
    assert carried.p_worse < 0.02


def test_shared_doubt_of_the_level_stops_the_bends_but_not_those_into_line():
    # All read 1 degree upright, but the level is known to 1.2 only; one is 2 off the others.
    mean = np.array([1.0, 1.0, 3.0, 1.0])
    level = 1.2**2 * np.ones((4, 4))
    plan = plan_set(irons(4), Belief.normal(mean, level + 0.04 * np.eye(4)))
    assert [row.bend_deg for row in plan.rows if row.label != "5i"] == [0.0, 0.0, 0.0]
    assert all(row.reason is Reason.EVIDENCE for row in plan.rows if row.label != "5i")
    own = Belief.normal(mean - 1.0, 0.05 * np.eye(4))
    # The odd club's static lie shows it too: 2 degrees over its place in the set.
    into_line = plan_set(changed(irons(4), "5i", lie_deg=63.0), own)
    assert [row.bend_deg for row in into_line.rows] == [0.0, 0.0, -2.0, 0.0]


def test_few_strikes_of_its_own_never_bend_a_club():
    row = plan_set(irons(1, strikes=2), known(2.0)).rows[0]
    assert (row.bend_deg, row.reason) == (0.0, Reason.EVIDENCE)
    assert "2 strikes of its own" in row.why
    assert plan_set(irons(1, strikes=0), known(2.0)).rows[0].decision.words == "not hit"


def test_heads_and_past_bends_limit():
    past = changed(irons(2), "3i", past_bends_deg=(1.0, -0.5))
    rows = plan_set(past, known(2.0, 2.0), FREE).rows
    # 2 degrees less 1.5 already bent, both ways counted.
    assert [r.bend_deg for r in rows] == [-0.5, -2.0]
    assert rows[0].reason is Reason.HEAD
    assert "0.5° left" in rows[0].why
    assert rows[1].pulls_deg == (-1.0, -1.0)
    hard = plan_set(irons(1, head=Head.HARD_OR_UNKNOWN), known(2.0)).rows[0]
    assert (hard.bend_deg, hard.reason) == (0.0, Reason.HEAD)
    maker = plan_set(irons(1, head=Head.CAST, maker_limit_deg=1.5), known(2.0)).rows[0]
    assert maker.bend_deg == -1.5
    used_up = plan_set(irons(1, past_bends_deg=(2.0, 1.0)), known(2.0)).rows[0]
    assert used_up.bend_deg == 0.0


def test_locked_clubs_stay():
    plan = plan_set(changed(irons(2), "4i", locked=True), known(1.5, 1.5), FREE)
    assert [row.bend_deg for row in plan.rows] == [-1.5, 0.0]
    assert plan.row("4i").reason is Reason.LOCKED


def test_longer_is_never_made_more_upright_than_shorter():
    # Alone 3i would go 1.5 up to 61.5 and pass 4i at 60.5.
    plan = plan_set(irons(2), known(-1.5, 0.0, sd=0.2), FINE)
    after = [row.static_after_deg for row in plan.rows]
    assert after[0] <= after[1]
    assert plan.row("3i").bend_deg == 0.5
    assert plan.row("3i").reason is Reason.STEPS
    assert plan.row("3i").steps[0].after_deg == pytest.approx(0.0)


def test_a_step_outside_the_limits_may_get_better_but_not_worse():
    clubs = changed(irons(2), "4i", lie_deg=63.0)
    # The step is 3 degrees, over the limit of 1.5; bending 4i more upright would widen it.
    assert plan_set(clubs, known(0.0, -1.5)).row("4i").bend_deg == 0.0
    assert plan_set(clubs, known(0.0, 1.5)).row("4i").bend_deg == -1.5
    with pytest.raises(ClashError) as caught:
        plan_set(clubs, known(0.0, 0.0), PlanRules(strict_steps=True))
    assert any("1.5° or less" in limit for limit in caught.value.limits)


def test_clubs_of_one_length_need_not_rise():
    same = irons(3, length_mm=940.0, lie_deg=62.0)
    plan = plan_set(same, known(-1.0, 0.0, 1.0))
    assert [row.bend_deg for row in plan.rows] == [1.0, 0.0, -1.0]


def test_wishes_in_degrees_mm_and_metres_mean_the_same():
    # Too flat by 1 degree: 300 tan(1 deg) = 5.24 mm toward the toe, 1.5 m right for a right-hander.
    wishes = (("deg", -1.0), ("mm", 300 * math.tan(math.radians(1))), ("m", 1.5))
    for unit, wanted in wishes:
        clubs = irons(1, wanted=wanted, wanted_unit=unit)
        row = plan_set(clubs, known(0.5)).rows[0]
        assert row.wanted_deg == pytest.approx(-1.0)
        assert row.bend_deg == -1.5
    # For a left-hander right of the target is too upright.
    left = irons(1, wanted=1.5, wanted_unit="m", metres_per_deg=1.5)
    assert plan_set(left, known(-0.5)).rows[0].bend_deg == 1.5


def test_words_follow_the_players_hand():
    # Too upright sends a right-hander's ball left and a left-hander's right.
    for metres, side in ((-1.5, "left"), (1.5, "right")):
        plan = plan_set(irons(1, metres_per_deg=metres), known(1.0))
        assert f"about 1.5 m {side} of the target" in why(plan, "3i")
        assert plan.rows[0].aside_before_m == pytest.approx(metres)
        assert plan.rows[0].aside_after_m == pytest.approx(0.0)
    assert "target" not in why(plan_set(irons(1, metres_per_deg=None), known(1.0)), "3i")


def test_a_bias_that_no_limit_allows_gets_as_near_as_it_can_and_says_so():
    row = plan_set(irons(1, wanted=9.0, wanted_unit="m"), known(0.0)).rows[0]
    assert row.wanted_deg == pytest.approx(-6.0)
    assert row.bend_deg == -2.0
    assert row.reason is Reason.HEAD
    assert row.miss_after_m < row.miss_before_m


def test_what_a_wish_needs_and_is_not_known():
    with pytest.raises(NoAnswerError, match=r"3i: a wish in metres needs .* loft"):
        plan_set(irons(1, wanted=2.0, wanted_unit="m", metres_per_deg=None), known(0.0))
    with pytest.raises(NoAnswerError, match="3i: a wanted contact in mm needs the sole's radius"):
        plan_set(irons(1, wanted=2.0, wanted_unit="mm", camber_mm=None), known(0.0))


def test_missing_lies_lofts_and_lengths_are_said_and_do_not_stop_it():
    clubs = changed(irons(3), "4i", lie_deg=None, loft_deg=None, length_mm=None)
    clubs = changed(clubs, "5i", metres_per_deg=None)
    plan = plan_set(clubs, known(1.5, 1.5, 1.5))
    assert plan.row("4i").static_after_deg is None
    assert plan.row("5i").miss_after_m is None
    assert any("a lie was not measured: 3i to 4i, 4i to 5i" in note for note in plan.notes)
    assert any("length is not known" in note for note in plan.notes)
    assert any("not known for 5i" in note for note in plan.notes)


def test_wishes_that_clash_are_named_with_the_fewest_limits():
    clubs = changed(irons(5), "5i", must_bend_deg=2.0)
    clubs = changed(clubs, "6i", locked=True)
    clubs = changed(clubs, "4i", must_bend_deg=1.0)
    with pytest.raises(ClashError) as caught:
        plan_set(clubs, known(0.0, 0.0, 0.0, 0.0, 0.0))
    assert set(caught.value.limits) == {
        "5i must be bent 2° upright",
        "6i is locked",
        "5i must not be more upright than 6i",
    }
    with pytest.raises(ClashError) as caught:
        plan_set(irons(3, must_bend_deg=3.0), known(0.0, 0.0, 0.0))
    assert len(caught.value.limits) == 2
    assert any("left to bend" in limit for limit in caught.value.limits)
    with pytest.raises(ClashError) as caught:
        plan_set(irons(1, within_deg=0.25, head=Head.CAST), known(2.0))
    assert "0.25°" in str(caught.value)


def test_a_bend_the_fitter_insists_on_is_done_and_marked_as_that():
    row = plan_set(irons(1, must_bend_deg=-0.5), known(0.0, sd=0.5)).rows[0]
    assert (row.bend_deg, row.reason) == (-0.5, Reason.WISH)
    assert row.p_better < 0.6


def test_the_row_says_what_follows():
    clubs = changed(irons(3), "4i", toe_mm=-6.0, bounce_deg=4.0, loft_change_deg=-1.0)
    plan = plan_set(clubs, known(0.0, 1.5, 0.0), FREE)
    row = plan.row("4i")
    assert row.bend_deg == -1.5
    assert (row.static_before_deg, row.static_after_deg) == (60.5, 59.0)
    # 1.5 degrees flatter moves the contact 300 tan(1.5 deg) = 7.86 mm toward the toe, on an arc.
    touched = math.atan(6.0 / 300) - math.radians(1.5)
    assert row.contact_after_mm == pytest.approx(-300 * math.tan(touched))
    # |N(1.5, 0.1)| is 1.5; |N(0, 0.1)| is 0.1 sqrt(2 / pi).
    assert row.miss_before_m == pytest.approx(1.5 * 1.5, rel=1e-3)
    assert row.miss_after_m == pytest.approx(1.5 * 0.1 * math.sqrt(2 / math.pi), rel=1e-3)
    assert row.change_m == pytest.approx(row.miss_after_m - row.miss_before_m)
    assert (row.bounce_before_deg, row.bounce_after_deg) == (4.0, 3.0)
    story = why(plan, "4i")
    for part in ("1.5° flat", "60.5° to 59°", "step to 3i", "1° strong is 1° less bounce", "then"):
        assert part in story
    assert plan.p_better > 0.99
    assert why(plan, "3i").startswith("3i: ")
    with pytest.raises(KeyError):
        why(plan, "9i")


def test_every_reason_has_its_story():
    cases = {
        Reason.GOOD_ENOUGH: plan_set(irons(1), known(0.1)),
        Reason.EVIDENCE: plan_set(irons(1), known(1.0, sd=0.9)),
        Reason.HEAD: plan_set(irons(1, head=Head.CAST), known(2.0)),
        Reason.LOCKED: plan_set(irons(1, locked=True), known(2.0)),
        Reason.WISH: plan_set(irons(1, must_bend_deg=0.5), known(-1.0)),
        Reason.INCREMENT: plan_set(
            irons(1), known(0.4), PlanRules(increment_deg=1.0, charge_deg=0.1, range_deg=2.0)
        ),
    }
    for reason, plan in cases.items():
        assert plan.rows[0].reason is reason
        assert len(why(plan, "3i")) > 30


def test_order_of_the_sheet_is_kept_and_the_chain_is_by_length():
    clubs = irons(3)[::-1]
    plan = plan_set(clubs, known(0.0, 0.0, 1.0))
    assert [row.label for row in plan.rows] == ["5i", "4i", "3i"]
    assert plan.along == ("3i", "4i", "5i")
    assert plan.row("3i").bend_deg == -1.0


def test_cautions_come_with_every_sheet():
    plan = plan_set(irons(1), known(0.0))
    assert any("maker" in line for line in plan.cautions)
    assert any("eye protection" in line for line in plan.cautions)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: plan_set([], known()), "at least one club"),
        (lambda: plan_set(irons(1) * 2, known(0.0, 0.0)), "each label once"),
        (lambda: plan_set(irons(2), known(0.0)), "belief holds 1"),
        (lambda: plan_set(irons(1), known(math.nan)), "negative|not a number"),
        (lambda: plan_set(irons(1, wanted=math.inf), known(0.0)), "3i: wanted"),
        (lambda: plan_set(irons(1, lie_deg=-3.0), known(0.0)), "3i: lie_deg"),
        (lambda: plan_set(irons(1, wanted_unit="yd"), known(0.0)), "deg, mm or m"),
        (lambda: plan_set(irons(1, within_deg=-1.0), known(0.0)), "within_deg"),
        (lambda: PlanRules(increment_deg=0.0), "increment_deg"),
        (lambda: PlanRules(p_needed=0.3), "p_needed"),
        (lambda: PlanRules(step_deg=(2.0, 1.0)), "step_deg"),
        (lambda: PlanRules(charge_deg=-1.0), "negative"),
    ],
)
def test_bad_input_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
