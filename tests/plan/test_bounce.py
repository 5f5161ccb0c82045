"""Front to back: sign, arc, doubt of the radius, and what loft does."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.plan.bounce import BounceVerdict, SoleKind, bounce_error, loft_bend
from analysis.statistics.contact_mean import Axis, contact_mean


def trail(middle, n=20, spread=1.0):
    values = middle + spread * np.linspace(-1.7, 1.7, n)
    return contact_mean(values, axis=Axis.FRONT_BACK)


@pytest.mark.parametrize(("radius", "mm_per_deg"), [(50.0, 0.8727), (30.0, 0.5236), (80.0, 1.396)])
def test_one_degree_moves_the_contact_by_r_tan_one(radius, mm_per_deg):
    # R sin d at one degree: 5.236 mm at 300, so 0.8727 at 50 (the arc idea of the sole's length,
    # references: sole mark against lie, computed).
    found = bounce_error(trail(mm_per_deg), radius_mm=radius)
    assert found.bounce_error_deg == pytest.approx(1.0, abs=2e-3)
    assert loft_bend(1.0, radius_mm=radius).contact_shift_mm == pytest.approx(mm_per_deg, abs=2e-3)


def test_toward_the_trailing_edge_is_too_much_and_toward_the_leading_edge_too_little():
    much = bounce_error(trail(6.0), radius_mm=50.0)
    assert much.verdict is BounceVerdict.TOO_MUCH
    assert "strong takes bounce away" in much.words
    little = bounce_error(trail(-6.0), radius_mm=50.0)
    assert little.verdict is BounceVerdict.TOO_LITTLE
    assert "weak adds bounce" in little.words.replace("it weak", "weak")
    assert little.bounce_error_deg == pytest.approx(-much.bounce_error_deg)


def test_an_unknown_radius_is_summed_over_its_range():
    # Against drawing radii and contacts.
    mean = trail(5.0)
    found = bounce_error(mean)
    rng = np.random.default_rng(1)
    radii = rng.uniform(30, 80, 400_000)
    toe = mean.mean_mm + mean.u_mm * rng.standard_t(mean.dof, radii.size)
    drawn = np.degrees(np.arctan(toe / radii))
    assert found.bounce_error_deg == pytest.approx(drawn.mean(), abs=0.02)
    assert found.interval_deg.low == pytest.approx(np.quantile(drawn, 0.05), abs=0.03)
    assert found.interval_deg.high == pytest.approx(np.quantile(drawn, 0.95), abs=0.06)
    assert found.p_too_much == pytest.approx((drawn > 2).mean(), abs=5e-3)


def test_a_measured_radius_narrows_it_and_wedges_are_allowed_more():
    wide, narrow = bounce_error(trail(3.0)), bounce_error(trail(3.0), radius_mm=50, u_radius_mm=2)
    assert narrow.interval_deg.half_width < wide.interval_deg.half_width
    assert narrow.verdict is BounceVerdict.TOO_MUCH
    assert bounce_error(trail(3.0), kind=SoleKind.WEDGE, radius_mm=50).verdict is BounceVerdict.FITS


def test_few_strikes_settle_nothing():
    found = bounce_error(trail(1.0, n=3, spread=3.0))
    assert found.verdict is BounceVerdict.NOT_SETTLED
    assert "hit more" in found.words
    with pytest.raises(NoAnswerError, match="two strikes"):
        bounce_error(contact_mean([1.0], axis=Axis.FRONT_BACK))


def test_strong_takes_bounce_away_degree_for_degree():
    strong = loft_bend(-2.0, loft_deg=46.0, bounce_deg=8.0, radius_mm=50.0, contact_mm=1.0)
    assert (strong.loft_after_deg, strong.bounce_after_deg) == (44.0, 6.0)
    expected = 50 * math.tan(math.atan(0.02) - math.radians(2)) - 1
    assert strong.contact_shift_mm == pytest.approx(expected)
    assert "less bounce" in strong.words
    assert "leading edge" in strong.words
    weak = loft_bend(2.0, bounce_deg=8.0)
    assert weak.bounce_after_deg == 10.0
    assert weak.loft_after_deg is None
    assert weak.u_contact_shift_mm > 0.3
    assert "digs" in loft_bend(-3.0, bounce_deg=2.0).words
    assert loft_bend(0.0).contact_shift_mm == 0.0


def test_bad_input_is_named():
    with pytest.raises(ValueError, match="radius"):
        bounce_error(trail(1.0), radius_mm=-1.0)
    with pytest.raises(ValueError, match="radius"):
        loft_bend(1.0, radius_mm=0.0)
    with pytest.raises(ValueError, match="not a number"):
        loft_bend(math.nan)
    with pytest.raises(ValueError, match="confidence"):
        bounce_error(trail(1.0), confidence=0.0)
