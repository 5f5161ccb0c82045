"""The bend sheet: direction, evidence, head limits, steps, and when it says no."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.contact import contact_mean
from analysis.correction import (
    CAUTIONS,
    HEAD_LIMITS,
    BendRules,
    ClubEvidence,
    Head,
    LimitedBy,
    head_room_deg,
    p_better,
    plan_bends,
)
from analysis.lie import Level, LevelSource, LieError, SoleArc, Stance, lie_error

SURE = Level(0.0, 0.5, source=LevelSource.MARKS)
SOLE = SoleArc(300.0, 6.0, measured=True)
SCATTER = np.array([-2.0, 1.5, -0.5, 2.5, 0.0, -1.5, 1.0, -1.0, 2.0, -2.0])


def evidence(
    toe_mm: float,
    *,
    spread: float = 1.0,
    head: Head = Head.SOFT_FORGED,
    level: Level = SURE,
    n: int = 10,
    **more: object,
) -> ClubEvidence:
    contact = contact_mean(toe_mm + spread * SCATTER[:n])
    lie: LieError | None = None
    if n > 1:
        lie = lie_error(
            contact, sole=SOLE, level=level, stance=Stance(0.0, 0.5), hands_mm=830.0, lie_deg=62.5
        )
    return ClubEvidence(label="6", head=head, contact=contact, lie=lie, **more)  # type: ignore[arg-type]


def row(club: ClubEvidence, rules: BendRules | None = None):
    (only,) = plan_bends([club], rules).rows
    return only


def test_toe_contact_is_bent_upright_by_what_the_arc_asks():
    # 10.47 mm toward the toe on R = 300 mm is two degrees too flat (5.236 mm per degree).
    line = row(evidence(10.47))
    assert line.bend_deg == 2.0
    assert line.steps_deg == (1.0, 1.0)
    assert line.lie_before_deg == pytest.approx(-2.0, abs=0.01)
    assert line.lie_after_deg == pytest.approx(0.0, abs=0.01)
    assert line.contact_after_mm == pytest.approx(0.0, abs=0.1)
    assert line.p_better is not None
    assert line.p_better > 0.99
    assert line.limited_by is LimitedBy.NOTHING
    assert line.more_swings == 0
    assert "too flat" in line.why
    assert "upright" in line.why
    assert line.u_after_deg == pytest.approx(math.hypot(line.u_bend_deg, 0.25))


def test_heel_contact_is_bent_flat():
    assert row(evidence(-5.236)).bend_deg == -1.0
    assert row(evidence(-6.6), BendRules(increment_deg=0.25)).bend_deg == -1.25


def test_centred_club_is_left_alone():
    line = row(evidence(0.4, spread=0.4))
    assert (line.bend_deg, line.steps_deg, line.p_better) == (0.0, (), None)
    assert line.limited_by is LimitedBy.NOTHING
    assert line.more_swings == 0
    assert "within 0.5°" in line.why


def test_wide_scatter_gets_no_bend_but_a_number_of_swings():
    line = row(evidence(4.0, spread=6.0))
    assert line.bend_deg == 0.0
    assert line.limited_by is LimitedBy.EVIDENCE
    assert line.more_swings is not None
    assert line.more_swings > 0
    assert f"about {line.more_swings} more swings" in line.why


def test_unknown_level_gets_no_bend_and_the_right_advice():
    line = row(evidence(6.0, level=Level()))
    assert line.bend_deg == 0.0
    assert line.more_swings is None
    assert "marks" in line.why


def test_no_number_no_bend():
    for n in (0, 1):
        line = row(evidence(6.0, n=n))
        assert (line.bend_deg, line.lie_before_deg) == (0.0, None)
        assert line.more_swings == 5 - n


@pytest.mark.parametrize(
    ("head", "past", "maker", "bend", "limited"),
    [
        (Head.SOFT_FORGED, (), None, 2.0, LimitedBy.HEAD),
        (Head.SOFT_FORGED, (1.0, -0.5), None, 0.5, LimitedBy.HEAD),
        (Head.SOFT_FORGED, (1.0, -1.0), None, 0.0, LimitedBy.HEAD),
        (Head.SOFT_FORGED, (), 4.0, 3.0, LimitedBy.NOTHING),
        (Head.CAST, (), None, 1.0, LimitedBy.HEAD),
        (Head.HARD_OR_UNKNOWN, (), None, 0.0, LimitedBy.HEAD),
        (Head.HARD_OR_UNKNOWN, (), 1.0, 1.0, LimitedBy.HEAD),
        (Head.CAST, (), 0.0, 0.0, LimitedBy.HEAD),
    ],
)
def test_heads_have_limits_and_past_bends_count(head, past, maker, bend, limited):
    # Three degrees too flat. Limits are common practice, no source; the maker's comes first.
    club = evidence(
        300 * math.tan(math.radians(3.0)), head=head, past_bends_deg=past, maker_limit_deg=maker
    )
    line = row(club)
    assert line.bend_deg == bend
    assert line.limited_by is limited
    assert all(abs(step) <= HEAD_LIMITS[head].step_deg for step in line.steps_deg)


def test_less_than_the_machine_can_do():
    line = row(
        evidence(300 * math.tan(math.radians(0.7)), spread=0.2), BendRules(increment_deg=1.5)
    )
    assert line.bend_deg == 0.0
    assert line.limited_by is LimitedBy.INCREMENT


def test_weak_evidence_carries_a_smaller_bend_only():
    club = evidence(300 * math.tan(math.radians(1.5)), spread=5.5)
    line = row(club, BendRules(sided_confidence=0.90))
    assert 0 < line.bend_deg < 1.5
    assert line.limited_by is LimitedBy.EVIDENCE
    assert line.p_better is not None
    assert line.p_better >= 0.90


def test_wanted_contact_and_wanted_lie_are_the_same_wish():
    by_mm = row(evidence(0.0, wanted_toe_mm=-5.236))
    by_deg = row(evidence(0.0, wanted_lie_error_deg=1.0))
    # Wanted toward the heel = more upright than now.
    assert by_mm.bend_deg == by_deg.bend_deg == 1.0
    with pytest.raises(ValueError, match="not both"):
        row(evidence(0.0, wanted_toe_mm=1.0, wanted_lie_error_deg=1.0))


@pytest.mark.parametrize(
    ("bend", "off", "u", "dof"), [(1.0, -1.2, 0.4, 9.0), (-2.0, 1.5, 0.6, 6.0), (0.5, 0.3, 0.5, 20)]
)
def test_p_better_by_simulation(bend, off, u, dof):
    rng = np.random.default_rng(3)
    true = off + u * rng.standard_t(dof, 200_000)
    done = bend + rng.normal(0.0, 0.15, true.size)
    better = np.mean(np.abs(true + done) < np.abs(true))
    assert p_better(bend, off, u, dof, 0.15) == pytest.approx(better, abs=0.01)
    assert p_better(bend, off, 0.0, dof, 0.0) in (0.0, 1.0)


@settings(max_examples=60, deadline=None)
@given(
    toe=st.floats(-25, 25),
    spread=st.floats(0.2, 8),
    head=st.sampled_from(list(Head)),
    past=st.lists(st.floats(-2, 2), max_size=3),
    increment=st.sampled_from([0.25, 0.5, 1.0]),
    wanted=st.floats(-1, 1),
)
def test_whatever_comes_in_the_sheet_keeps_its_word(toe, spread, head, past, increment, wanted):
    club = evidence(
        toe, spread=spread, head=head, past_bends_deg=tuple(past), wanted_lie_error_deg=wanted
    )
    rules = BendRules(increment_deg=increment)
    line = row(club, rules)
    assert abs(line.bend_deg) <= head_room_deg(club, rules) + 1e-9
    assert line.bend_deg / increment == pytest.approx(round(line.bend_deg / increment))
    assert sum(line.steps_deg) == pytest.approx(line.bend_deg)
    assert line.why
    assert club.lie is not None
    off = club.lie.lie_error_deg - wanted
    if line.bend_deg:
        assert line.bend_deg * off < 0
        assert line.p_better is not None
        assert line.p_better >= rules.p_needed
        assert abs(off + line.bend_deg) < abs(off)
        assert abs(off) > rules.tolerance_deg
    else:
        assert line.lie_after_deg == line.lie_before_deg


def test_bends_proposed_do_help_as_often_as_they_say():
    # 300 clubs, half of them fine: of those bent at least nine in ten must come out better.
    rng = np.random.default_rng(12)
    better = bent = 0
    for _ in range(300):
        true = rng.choice([0.0, rng.normal(0.0, 1.5)])
        contact = contact_mean(-300.0 * math.tan(math.radians(true)) + rng.normal(0, 4.0, 6))
        lie = lie_error(
            contact, sole=SOLE, level=Level(0.0, 0.0, source=LevelSource.BOTH_ENDS),
            stance=Stance(0.0, 0.0), hands_mm=830.0, lie_deg=62.5,
        )  # fmt: skip
        line = row(ClubEvidence("x", Head.SOFT_FORGED, contact, lie))
        if line.bend_deg:
            bent += 1
            better += abs(true + line.bend_deg) < abs(true)
    assert bent > 40
    assert better / bent >= 0.9


def test_plan_keeps_order_and_carries_the_cautions():
    clubs = [evidence(toe) for toe in (-6.0, 0.0, 6.0)]
    plan = plan_bends(clubs)
    assert [np.sign(line.bend_deg) for line in plan.rows] == [-1, 0, 1]
    assert plan.cautions == CAUTIONS
    text = " ".join(CAUTIONS)
    for word in ("eye protection", "soft jaws", "small steps", "crack", "past bends", "maker"):
        assert word in text
    assert plan_bends([]).rows == ()


def test_rules_refuse_nonsense():
    for bad in ({"increment_deg": 0.0}, {"p_needed": 1.0}, {"u_machine_deg": -1.0}):
        with pytest.raises(ValueError, match=next(iter(bad))):
            BendRules(**bad)
