from __future__ import annotations

import math

import pytest

from analysis.length_change import length_effect, reshaft_effect

HALF_INCH = 12.7


@pytest.mark.parametrize(
    ("lie", "inches", "exact", "linear"),
    [
        # Half an inch longer, hands at the same height: exact and first-order, computed elsewhere
        # from h = L sin(lie); independent figures, not published.
        (58, 38.5, 1.16, 1.19),
        (60, 37.5, 1.28, 1.32),
        (63, 36.0, 1.50, 1.56),
        # 1.6545 to first order; the list it comes from has 1.66.
        (64, 35.5, 1.59, 1.655),
    ],
)
def test_half_an_inch(lie, inches, exact, linear):
    effect = length_effect(lie, inches * 25.4, HALF_INCH)
    assert effect.plays_deg == pytest.approx(exact, abs=5.1e-3)
    assert effect.linear_deg == pytest.approx(linear, abs=5.1e-3)
    # Common practice, no source: half an inch is one degree, less than geometry says.
    assert effect.rule_deg == pytest.approx(1.0, rel=1e-12)
    assert effect.bend_deg == -effect.plays_deg
    assert "geometry" in effect.words
    assert "common practice" in effect.words
    assert "more upright" in effect.words


def test_hands_stay_at_the_same_height():
    effect = length_effect(62.0, 940.0, -25.4)
    held = math.radians(62.0 - effect.plays_deg)
    height = 940.0 * math.sin(math.radians(62.0))
    assert (940.0 - 25.4) * math.sin(held) == pytest.approx(height, rel=1e-12)
    assert effect.plays_deg < 0
    assert "more flat" in effect.words or "flatter" in effect.words


def test_there_and_back_is_nothing():
    longer = length_effect(61.0, 940.0, 20.0)
    held = 61.0 - longer.plays_deg
    back = length_effect(held, 960.0, -20.0)
    assert back.plays_deg == pytest.approx(-longer.plays_deg, rel=1e-12)


def test_no_change_no_effect():
    effect = length_effect(61.0, 940.0, 0.0)
    assert (effect.plays_deg, effect.bend_deg, effect.rule_deg) == (0.0, 0.0, 0.0)
    assert effect.u_deg == 0.0


def test_uncertainty_against_central_differences():
    lie, length, change = 62.0, 940.0, 12.7
    effect = length_effect(lie, length, change, u_lie_deg=0.3, u_length_mm=2.0, u_change_mm=1.5)

    def plays(a, b, c):
        return length_effect(a, b, c).plays_deg

    by_lie = (plays(lie + 0.15, length, change) - plays(lie - 0.15, length, change)) / 0.3
    by_length = (plays(lie, length + 1, change) - plays(lie, length - 1, change)) / 2
    by_change = (plays(lie, length, change + 0.5) - plays(lie, length, change - 0.5)) / 1
    expected = math.hypot(by_lie * 0.3, by_length * 2.0, by_change * 1.5)
    assert effect.u_deg == pytest.approx(expected, rel=1e-3)


def test_reshaft_is_the_length_and_a_warning():
    new = reshaft_effect(62.0, 940.0, 952.7)
    assert new.plays_deg == length_effect(62.0, 940.0, 12.7).plays_deg
    assert "measure the static lie again" in new.words


@pytest.mark.parametrize(
    "bad",
    [
        (30.0, 940.0, 12.7),
        (62.0, 94.0, 12.7),
        (62.0, 940.0, 127.0),
        (math.nan, 940.0, 12.7),
        (79.0, 940.0, -90.0),
    ],
)
def test_bad_clubs_are_refused(bad):
    with pytest.raises(ValueError, match=r"lie of|reaches"):
        length_effect(*bad)


def test_negative_uncertainty_is_refused():
    with pytest.raises(ValueError, match="negative"):
        length_effect(62.0, 940.0, 12.7, u_lie_deg=-0.1)
