"""Clubs from strikes: gaps, level, and what the level rests on."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp

from analysis.conventions import Hand
from analysis.footprint import AimPrior, SolePrior, StripSpec, fit_footprints
from analysis.lie.given import StrikeNodes, given_offset
from analysis.lie.levels import combine_club, session_levels

AIM = AimPrior(0.0, scatter_mm=4.0, offset_u_mm=10.0)
SOLE = SolePrior(300.0, 0.0, 78.0, 0.05, 0.0, ground_mm=0.01, ground_u_mm=0.01)
KNOWN = {"cover_shape": 0.0, "cover_shape_u": 0.0, "neighbour_share": 0.0, "neighbour_u": 0.0}


def session(bench, rng, depth, lies, per, offset, scatter=0.6, delivery=4.0, **kwargs):
    """Strikes of a player with one delivery offset; fits, club numbers, toe of each strike."""
    club = np.repeat(np.arange(len(lies)), per)
    lie = np.asarray(lies)[club] + scatter * rng.normal(size=len(club))
    centre = offset + delivery * rng.normal(size=len(club))
    noise = 20.0 * depth
    counts = bench.noisy(rng, bench.pressure(centre, lie, depth), offset=noise)
    strip = StripSpec(4.0, 32, 1e6, gain_u=0.05, offset_u_counts=noise, **KNOWN)
    fits = fit_footprints(counts, np.zeros((len(club), 1)), strip, SOLE, AIM, **kwargs)
    return fits, club, -300 * np.tan(np.radians(lie))


def test_a_player_off_the_mark_with_perfect_lies(bench):
    # Every club 10 mm toward the toe of the board, sole ends in print: not a lie error.
    fits, club, _ = session(bench, np.random.default_rng(1), 3.2, [0.0] * 6, 12, 10.0)
    got = session_levels(fits, club)
    assert got.level_by == "both sole ends"
    assert got.level_claimed
    assert got.strikes.tolist() == [12] * 6
    assert np.abs(got.lie_error_deg).mean() < 0.3
    assert (np.abs(got.lie_error_deg) < 3 * got.lie_sd_deg).all()
    assert got.offset_mm == pytest.approx(10.0, abs=1.5)


def test_narrow_patch_without_marks_gives_gaps_and_claims_no_level(bench):
    lies = np.array([-0.8, -0.4, 0.0, 0.4, 1.8])
    rng = np.random.default_rng(2)
    fits, club, _ = session(bench, rng, 0.7, lies, 40, 9.0, 0.3, 2.0)
    got = session_levels(fits, club)
    assert got.level_by == "address only"
    assert not got.level_claimed
    # The level is wide, the gaps are not.
    assert got.lie_sd_deg.min() > 0.5
    assert got.gap_sd_deg[0, 4] < 0.2
    error = got.gap_deg - (lies[:, None] - lies)
    assert np.abs(error).max() < 0.3
    assert (np.abs(error) <= 3.5 * got.gap_sd_deg).all()


def test_marks_settle_the_level_of_a_narrow_patch(bench):
    lies = np.array([-0.5, 0.0, 0.5])
    rng = np.random.default_rng(3)
    fits, club, toe = session(bench, rng, 0.7, lies, 12, 9.0, 0.3, 2.0)
    marks = np.full(36, np.nan)
    marks[::4] = toe[::4] + 1.5 * rng.normal(size=9)
    bare = session_levels(fits, club)
    got = session_levels(fits, club, marks_toe_mm=marks, marks_u_mm=1.5)
    assert got.level_by == "marks"
    assert got.offset_mm == pytest.approx(9.0, abs=3 * got.offset_sd_mm)
    assert got.offset_sd_mm < 1.5
    assert got.lie_sd_deg.max() < 0.5 * bare.lie_sd_deg.min()
    assert (np.abs(got.lie_error_deg - lies) < 3 * got.lie_sd_deg).all()


def test_one_club_is_a_session_of_one(bench):
    fits, club, _ = session(bench, np.random.default_rng(4), 3.0, [0.7], 10, -3.0)
    one, many = combine_club(fits), session_levels(fits, club + 5)
    assert many.club.tolist() == [5]
    assert one.lie_error_deg == many.lie_error_deg
    assert one.lie_low_deg < 0.7 < one.lie_high_deg
    assert one.gap_sd_deg.tolist() == [[0.0]]


def test_mean_and_scatter_are_those_of_the_toe_when_both_ends_print(bench):
    # With ends in print each strike is nearly exact: the club is the plain mean with s/sqrt(n).
    fits, _, _ = session(bench, np.random.default_rng(5), 4.0, [0.3], 40, 2.0, scatter=1.0)
    got = combine_club(fits)
    assert got.toe_mm[0] == pytest.approx(fits.toe_mm.mean(), abs=0.2)
    scatter = fits.toe_mm.std(ddof=1)
    assert got.toe_scatter_mm == pytest.approx(scatter, rel=0.15)
    assert got.toe_sd_mm[0] == pytest.approx(scatter / np.sqrt(40), rel=0.2)


def test_left_hander_reads_the_same(bench):
    fits, club, _ = session(bench, np.random.default_rng(6), 3.0, [0.5, -0.5], 8, 4.0)
    got = session_levels(fits, club)
    assert got.lie_error_deg[0] - got.lie_error_deg[1] == got.gap_deg[0, 1]
    left, club, _ = session(
        bench, np.random.default_rng(6), 3.0, [0.5, -0.5], 8, 4.0, hand=Hand.LEFT
    )
    turned = session_levels(left, club)
    np.testing.assert_allclose(turned.lie_error_deg, -got.lie_error_deg, atol=0.05)
    assert turned.offset_mm == pytest.approx(-got.offset_mm, abs=0.2)


def test_shared_calibration_error_does_not_average_out(bench):
    rng = np.random.default_rng(7)
    counts = bench.noisy(rng, bench.pressure(4 * rng.normal(size=60), 0.0, 3.2))
    times = np.zeros((60, 1))
    kwargs = {"pitch_mm": 4.0, "cells": 32, "full_scale_counts": 1e6, "offset_u_counts": 20.0}
    kwargs |= KNOWN
    own = StripSpec(**kwargs, gain_u=0.1)
    shared = StripSpec(**kwargs, gain_u=0.01, gain_shared_u=0.1)
    a = combine_club(fit_footprints(counts, times, own, SOLE, AIM))
    b = combine_club(fit_footprints(counts, times, shared, SOLE, AIM))
    assert b.toe_sd_mm[0] > 1.3 * a.toe_sd_mm[0]


def test_strikes_without_a_number_are_left_out(bench):
    fits, club, _ = session(bench, np.random.default_rng(8), 3.0, [0.0, 0.0], 5, 0.0)
    assert session_levels(fits, club).strikes.tolist() == [5, 5]
    some = session_levels(fits.take(club == 1), club[club == 1])
    assert some.club.tolist() == [1]
    assert some.strikes.tolist() == [5]
    empty = fit_footprints(
        np.zeros((2, 1, 32)), np.zeros((2, 1)), StripSpec(4.0, 32, 1e6), SOLE, AIM
    )
    with pytest.raises(ValueError, match="no strike"):
        combine_club(empty)
    with pytest.raises(ValueError, match="one number per strike"):
        session_levels(fits, [0, 1])


def test_what_a_head_or_a_board_has_in_all_strikes_does_not_average_out(bench):
    # Sixty strikes of one lie, told nothing of ends and cover: a thousand would know no more.
    rng = np.random.default_rng(9)
    centre = 4 * rng.normal(size=120)
    counts = bench.noisy(rng, bench.pressure(centre, 0.6, 2.8))
    strip = StripSpec(4.0, 32, 1e6, gain_u=0.05, offset_u_counts=20.0)
    usual = SolePrior(300.0, 0.0, 78.0, 1.5, 0.0)
    fits = fit_footprints(counts, np.zeros((120, 1)), strip, usual, AIM)
    few, all_of_them = combine_club(fits.take(np.arange(30))), combine_club(fits)
    assert all_of_them.toe_sd_mm[0] > 0.75 * few.toe_sd_mm[0]
    assert all_of_them.lie_low_deg[0] < 0.6 < all_of_them.lie_high_deg[0]


@pytest.mark.parametrize(("scatter", "reach"), [(9.0, 8.0), (1.3, 8.0), (0.4, 80.0), (0.05, 300.0)])
def test_strikes_given_the_offset_are_sums_over_their_nodes(scatter, reach):
    # Against the sums written out with scipy.special.logsumexp, also where weights underflow.
    rng = np.random.default_rng(10)
    centre = np.sort(reach * rng.uniform(-1, 1, (9, 23)), axis=1)
    log_likelihood = -40 * rng.random((9, 23))
    toe, toe_var = 5 * rng.normal(size=(2, 9, 23)) ** 2
    nodes = StrikeNodes(centre, log_likelihood, toe, toe_var, np.zeros(9, dtype=np.intp), 1)
    offset = np.linspace(-reach, 0.9 * reach, 61)
    got = given_offset(nodes, offset, scatter)
    log = log_likelihood[:, :, None] - 0.5 * ((centre[:, :, None] - offset) / scatter) ** 2
    total = logsumexp(log, axis=1)
    share = np.exp(log - total[:, None, :])
    mean = (share * toe[:, :, None]).sum(axis=1)
    off = toe[:, :, None] - mean[:, None, :]
    variance = (share * (toe_var[:, :, None] + off**2)).sum(axis=1)
    for value, expected in zip(got, (total, mean, variance), strict=True):
        np.testing.assert_allclose(value, expected, rtol=1e-9, atol=1e-9)
