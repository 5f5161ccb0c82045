from __future__ import annotations

import math

import pytest

from analysis.gradation.overlay import overlay_step


def step(offset_mm, first_mm=940.0, second_mm=927.3, **more):
    return overlay_step(
        "7", "8", offset_mm, first_length_mm=first_mm, second_length_mm=second_mm, **more
    )


def test_half_a_grips_width_over_a_seven_iron():
    # Common practice, no source: half a grip's width, about 13 mm, is about 0.8 degrees there.
    found = step(13.0)
    assert found.step_deg == pytest.approx(0.8, abs=0.05)
    assert found.step_deg == pytest.approx(math.degrees(math.atan(13.0 / 927.3)), rel=1e-12)


def test_against_two_shafts_drawn_in_the_plane():
    # Second derivation: both shafts as lines from the soles; where the line square to the shorter
    # shaft at its end meets the longer one.
    first, second = math.radians(61.5), math.radians(62.7)
    end = (927.3 * math.cos(second), 927.3 * math.sin(second))
    across = (math.sin(second), -math.cos(second))
    # Solve end + t * across = s * (cos first, sin first).
    det = -across[0] * math.sin(first) + across[1] * math.cos(first)
    t = (end[0] * math.sin(first) - end[1] * math.cos(first)) / det
    found = step(t)
    assert found.step_deg == pytest.approx(1.2, rel=1e-9)


def test_sign_and_order():
    assert step(10.0).step_deg == -step(-10.0).step_deg > 0
    assert (step(1.0).first, step(1.0).second) == ("7", "8")
    # The shorter length counts, whichever comes first.
    assert step(10.0).step_deg == step(10.0, 927.3, 940.0).step_deg


def test_uncertainty_against_central_differences():
    found = step(40.0, u_offset_mm=2.0, u_length_mm=5.0)
    by_offset = (step(41.0).step_deg - step(39.0).step_deg) / 2
    by_length = (step(40.0, 960, 928.3).step_deg - step(40.0, 960, 926.3).step_deg) / 2
    expected = math.hypot(2.0 * by_offset, 5.0 * by_length)
    assert found.u_deg == pytest.approx(expected, rel=1e-4)
    # As read by hand: about a fifth of a degree.
    assert step(13.0).u_deg == pytest.approx(0.19, abs=0.02)


@pytest.mark.parametrize(
    ("offset", "more"),
    [
        (301.0, {}),
        (math.nan, {}),
        (10.0, {"first_mm": 37.0}),
        (10.0, {"u_offset_mm": 0.0}),
        (10.0, {"u_length_mm": -1.0}),
    ],
)
def test_bad_overlays_are_refused(offset, more):
    with pytest.raises(ValueError, match="7 and 8"):
        step(offset, **more)


def test_a_club_over_itself_is_refused():
    with pytest.raises(ValueError, match="two clubs"):
        overlay_step("7", "7", 10.0, first_length_mm=940.0, second_length_mm=940.0)
