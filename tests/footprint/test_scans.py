"""Scans taken cell by cell while the load comes and goes."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.footprint import AimPrior, SolePrior, StripSpec, fit_footprints
from analysis.footprint.scans import peak_profile

SOLE = SolePrior(300.0, 0.0, 78.0, 0.05, 0.0, ground_mm=0.01, ground_u_mm=0.01)
AIM = AimPrior(0.0, 6.0, 0.0)
KNOWN = {"cover_shape": 0.0, "cover_shape_u": 0.0, "neighbour_share": 0.0, "neighbour_u": 0.0}


def press(bench, rng, n, scan_us, pulse_us=900.0, depth=3.0, offset=20.0, gain_u=0.05):
    """Half-sine press read by back-to-back scans that begin at a random phase."""
    lie, centre = rng.normal(0, 1, n), rng.normal(0, 5, n)
    scans = int(np.ceil(pulse_us / scan_us)) + 3
    start = (np.arange(scans) - 1) * scan_us - rng.uniform(0, scan_us, n)[:, None]
    moment = start[:, :, None] + np.arange(32) * scan_us / 32
    load = np.sin(np.pi * np.clip(moment / pulse_us, 0, 1))
    gain = 1 + gain_u * rng.normal(size=(n, 32))
    counts = np.stack(
        [
            bench.pressure(centre, lie, depth, sag=depth * (1 - load[:, s])) * gain
            for s in range(scans)
        ],
        axis=1,
    )
    return lie, start, counts + offset * rng.normal(size=counts.shape)


@pytest.mark.parametrize("scan_us", [60.0, 150.0, 250.0])
def test_skewed_scans_do_not_tilt_the_sole(bench, scan_us):
    rng = np.random.default_rng(1)
    lie, start, counts = press(bench, rng, 300, scan_us)
    strip = StripSpec(
        4.0, 32, 1e6, scan_us=scan_us * 31 / 32, gain_u=0.05, offset_u_counts=20.0, **KNOWN
    )
    got = fit_footprints(counts, start, strip, SOLE, AIM)
    error = (got.lie_error_deg - lie)[got.ok]
    assert got.ok.mean() > 0.98
    # Half a millimetre of a bad tilt would be 0.1 deg.
    assert abs(np.mean(error)) < 0.05
    inside = (got.lie_low_deg < lie) & (lie < got.lie_high_deg)
    assert 0.84 < inside[got.ok].mean() < 0.97
    assert np.sqrt(np.mean(error**2)) < 0.3
    # Told that all cells are read at once, the same scans are off.
    blind = StripSpec(4.0, 32, 1e6, gain_u=0.05, offset_u_counts=20.0, **KNOWN)
    wrong = fit_footprints(counts, start, blind, SOLE, AIM)
    worse = np.nanmean((wrong.lie_error_deg - lie) ** 2) / np.mean(error**2)
    # A scan of 60 us is nearly at once: there is next to nothing to gain.
    assert worse > (0.95 if scan_us < 100 else 1.2)


def test_told_nothing_skewed_scans_leave_no_strike_unknown(bench):
    # The address mark alone says 6 mm at 300 mm, 1.15 deg; the load's course adds little to it.
    rng = np.random.default_rng(5)
    _, start, counts = press(bench, rng, 300, 100.0)
    strip = StripSpec(4.0, 32, 1e6, scan_us=97.0, gain_u=0.05, offset_u_counts=20.0)
    got = fit_footprints(counts, start, strip, SolePrior(300.0, 0.0, 78.0, 1.5, 0.0), AIM)
    assert got.ok.mean() > 0.98
    assert got.lie_sd_deg[got.ok].max() < 1.3


def test_one_scan_of_a_slow_strip_says_how_little_it_knows(bench):
    rng = np.random.default_rng(2)
    _, start, counts = press(bench, rng, 100, 600.0)
    strip = StripSpec(4.0, 32, 1e6, scan_us=581.0, gain_u=0.05, offset_u_counts=20.0, **KNOWN)
    heaviest = np.argmax(counts.sum(axis=2), axis=1)
    rows = np.arange(100)
    got = fit_footprints(
        counts[rows, heaviest][:, None], start[rows, heaviest][:, None], strip, SOLE, AIM
    )
    at_once = StripSpec(4.0, 32, 1e6, gain_u=0.05, offset_u_counts=20.0, **KNOWN)
    blind = fit_footprints(
        counts[rows, heaviest][:, None], start[rows, heaviest][:, None], at_once, SOLE, AIM
    )
    assert np.nanmedian(got.lie_sd_deg) > 3 * np.nanmedian(blind.lie_sd_deg)


def test_times_per_cell_are_the_same_as_times_per_scan(bench):
    rng = np.random.default_rng(3)
    _, start, counts = press(bench, rng, 20, 120.0)
    strip = StripSpec(4.0, 32, 1e6, scan_us=100.0, gain_u=0.05, offset_u_counts=20.0, **KNOWN)
    by_cell = start[:, :, None] + np.linspace(0, 100.0, 32)
    one = fit_footprints(counts, start, strip, SOLE, AIM)
    other = fit_footprints(counts, by_cell, strip, SOLE, AIM)
    np.testing.assert_allclose(one.lie_error_deg, other.lie_error_deg)


def test_missing_scans_are_padded_with_nan(bench):
    rng = np.random.default_rng(4)
    _, start, counts = press(bench, rng, 20, 120.0)
    strip = StripSpec(4.0, 32, 1e6, scan_us=116.0, gain_u=0.05, offset_u_counts=20.0, **KNOWN)
    padded = np.concatenate([counts, np.full((20, 4, 32), np.nan)], axis=1)
    late = np.concatenate([start, np.full((20, 4), np.nan)], axis=1)
    one = fit_footprints(counts, start, strip, SOLE, AIM)
    other = fit_footprints(padded, late, strip, SOLE, AIM)
    np.testing.assert_allclose(one.lie_error_deg, other.lie_error_deg)


def test_a_common_parabola_in_time_is_recovered_exactly():
    # Pressed cells that rise and fall together as a parabola in time: the value at the common
    # moment must be that of the parabola, whatever the skew.
    scans, cells, period = 7, 32, 100.0
    top = np.linspace(800.0, 1600.0, cells)
    moment = np.arange(scans)[:, None] * period + np.arange(cells) * period / cells
    counts = top - 400.0 * ((moment - 330.0) / 300.0) ** 2
    profile = peak_profile(
        counts[None], moment[None], np.zeros((1, scans, cells), bool), np.full(cells, 1e-6)
    )
    heaviest = np.argmax(counts.sum(axis=1))
    common = moment[heaviest].mean()
    want = top - 400.0 * ((common - 330.0) / 300.0) ** 2
    np.testing.assert_allclose(profile.counts[0] + profile.sag[0], want, atol=0.5)
