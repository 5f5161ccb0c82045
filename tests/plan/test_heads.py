"""Heads: how far they may still be bent, in which pulls, and the cautions on every sheet."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.plan.heads import CAUTIONS, HEAD_LIMITS, Head, head_room_deg, pulls_deg
from analysis.plan.types import PlanClub, PlanRules


@pytest.mark.parametrize(
    ("head", "past", "maker", "room"),
    [
        (Head.SOFT_FORGED, (), None, 2.0),
        (Head.SOFT_FORGED, (1.0, -0.5), None, 0.5),
        (Head.SOFT_FORGED, (1.0, -1.0), None, 0.0),
        (Head.SOFT_FORGED, (2.0, 2.0), None, 0.0),
        (Head.SOFT_FORGED, (), 4.0, 4.0),
        (Head.CAST, (), None, 1.0),
        (Head.HARD_OR_UNKNOWN, (), None, 0.0),
        (Head.HARD_OR_UNKNOWN, (), 1.0, 1.0),
        (Head.CAST, (), 0.0, 0.0),
    ],
)
def test_heads_have_limits_and_past_bends_count(head, past, maker, room):
    # Limits are common practice, no source; the maker's comes first.
    club = PlanClub("6i", head, 952.5, past_bends_deg=past, maker_limit_deg=maker)
    assert head_room_deg(club, PlanRules()) == room


@given(
    steps=st.integers(-16, 16),
    head=st.sampled_from(list(Head)),
    increment=st.sampled_from([0.25, 0.5, 1.0]),
)
def test_pulls_are_small_whole_and_add_up(steps, head, increment):
    bend, step = steps * increment, HEAD_LIMITS[head].step_deg
    pulls = pulls_deg(bend, step, increment)
    assert sum(pulls) == bend
    # A machine coarser than the head's step has no smaller pull to offer.
    assert all(abs(pull) <= max(step, increment) for pull in pulls)
    assert all(math.copysign(1, pull) == math.copysign(1, bend) for pull in pulls)
    assert all(pull / increment == round(pull / increment) for pull in pulls)


def test_cautions_say_what_can_hurt():
    text = " ".join(CAUTIONS)
    for word in ("eye protection", "soft jaws", "small steps", "crack", "past bends", "maker"):
        assert word in text
