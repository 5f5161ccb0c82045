"""A strike that cannot be read gives no number and one clear reason."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.footprint import AimPrior, Reason, SolePrior, StripSpec, fit_footprints

STRIP = StripSpec(4.0, 32, 4095.0, gain_u=0.05, offset_u_counts=20.0)
SOLE = SolePrior(300.0, 15.0, 78.0, 1.5)


@pytest.fixture
def good(bench):
    return bench.noisy(np.random.default_rng(1), bench.pressure(1.0, 0.5, 3.0))


def fit(counts, strip=STRIP, **kwargs):
    return fit_footprints(counts, np.zeros(counts.shape[:2]), strip, SOLE, AimPrior(), **kwargs)


def assert_no_number(got, reason):
    assert [Reason(code) for code in got.reason] == [reason]
    assert got.reasons[0] == reason.words
    assert len(reason.words) > 20
    for name in ("lie_error_deg", "lie_sd_deg", "lie_low_deg", "centre_mm", "toe_mm", "depth_mm"):
        assert np.isnan(getattr(got, name)).all()
    assert got.ends_seen == [""]


def test_a_good_strike_has_numbers_and_no_reason(good):
    got = fit(good)
    assert got.ok.all()
    assert got.reasons == [""]
    assert 0.001 < got.p_value[0] <= 1


def test_nothing_pressed():
    rest = 20 * np.random.default_rng(2).normal(size=(1, 3, 32))
    assert_no_number(fit(rest), Reason.NO_LOAD)


def test_falling_cells(good):
    assert_no_number(fit(-good), Reason.NEGATIVE)


def test_missing_values(good):
    assert_no_number(fit(np.full_like(good, np.nan)), Reason.NOT_NUMBERS)
    times = np.full((1, 1), np.nan)
    assert_no_number(fit_footprints(good, times, STRIP, SOLE), Reason.NOT_NUMBERS)
    assert_no_number(fit(np.where(good > 500, np.inf, good)), Reason.NOT_NUMBERS)


@pytest.mark.parametrize("bad", [0.0, -1.0, np.inf])
def test_bad_gain(good, bad):
    gain = np.ones(32)
    gain[4] = bad
    strip = StripSpec(4.0, 32, 4095.0, gain=gain)
    assert_no_number(fit(good, strip), Reason.BAD_GAIN)


def test_a_dead_cell_known_from_calibration_is_left_out(good):
    gain = np.ones(32)
    gain[14] = np.nan
    spoilt = good.copy()
    spoilt[:, :, 14] = 4095.0
    strip = StripSpec(4.0, 32, 1e5, gain=gain, gain_u=0.05, offset_u_counts=20.0)
    got = fit(spoilt, strip)
    assert got.ok.all()
    assert abs(got.lie_error_deg[0] - 0.5) < 4 * got.lie_sd_deg[0]


def test_too_few_cells():
    counts = np.zeros((1, 1, 32))
    counts[0, 0, 15:17] = 1500.0
    assert_no_number(fit(counts), Reason.TOO_FEW_CELLS)


def test_all_saturated(good):
    assert_no_number(fit(np.where(good > 300, 4095.0, good)), Reason.SATURATED)


@pytest.mark.parametrize("centre", [-85.0, 85.0])
def test_off_the_end(bench, centre):
    counts = bench.noisy(np.random.default_rng(3), bench.pressure(centre, 0.0, 3.0))
    assert_no_number(fit(counts), Reason.OFF_STRIP)


def test_a_ball_beside_the_sole(bench):
    rng = np.random.default_rng(4)
    sole = bench.pressure(-22.0, 0.3, 2.0)
    ball = bench.pressure(45.0, 0.0, 1.2, radius=40.0)
    assert_no_number(fit(bench.noisy(rng, sole + ball)), Reason.TWO_PATCHES)


def test_not_a_sole():
    rng = np.random.default_rng(5)
    comb = np.where(np.arange(32) % 4 < 2, 3000.0, 900.0) * (np.abs(np.arange(32) - 16) < 12)
    counts = comb + 20 * rng.normal(size=(1, 1, 32))
    assert_no_number(fit(counts), Reason.NOT_A_SOLE)


def test_a_bad_strike_leaves_its_neighbours_alone(good):
    both = np.concatenate([good, -good, good])
    got = fit(both)
    assert got.ok.tolist() == [True, False, True]
    np.testing.assert_allclose(got.lie_error_deg[[0, 2]], fit(good).lie_error_deg[0], atol=1e-6)


def test_more_scatter_than_stated_widens(bench):
    rng = np.random.default_rng(6)
    lie, centre = rng.normal(0, 1, 300), rng.normal(0, 5, 300)
    counts = bench.noisy(rng, bench.pressure(centre, lie, 3.2), gain_u=0.1)
    got = fit(counts)
    ok = got.ok
    assert ok.mean() > 0.9
    assert 1.3 < got.noise_factor[ok].mean() < 2.2
    assert np.median(got.p_value[ok]) < 0.01
    inside = (got.lie_low_deg < lie) & (lie < got.lie_high_deg)
    assert inside[ok].mean() > 0.78


def test_misuse_is_said_at_once(good):
    with pytest.raises(ValueError, match="shape"):
        fit(good[0])
    with pytest.raises(ValueError, match="shape"):
        fit(good[:, :, :31])
    with pytest.raises(ValueError, match="t_us"):
        fit_footprints(good, np.zeros((1, 5)), STRIP, SOLE)
    with pytest.raises(ValueError, match="one per strike"):
        fit_footprints(good, np.zeros((1, 1)), STRIP, SolePrior([300.0, 301.0, 302.0], 5, 78.0))
    with pytest.raises(ValueError, match="cells"):
        StripSpec(4.0, 3, 4095.0)
    with pytest.raises(ValueError, match="pitch"):
        StripSpec(4.0, 32, 4095.0, cell_width_mm=5.0)
    with pytest.raises(ValueError, match="gain must"):
        StripSpec(4.0, 32, 4095.0, gain=[1.0, 2.0])
    with pytest.raises(ValueError, match="camber"):
        SolePrior(-1.0, 1.0, 78.0)
    with pytest.raises(ValueError, match="scatter"):
        AimPrior(0.0, 0.0)


def test_rest_level_is_taken_off(bench, good):
    rest = 200.0 + np.arange(32)
    plain = fit(good)
    raised = fit(good + rest, rest_counts=rest)
    np.testing.assert_allclose(raised.lie_error_deg, plain.lie_error_deg, atol=1e-9)
