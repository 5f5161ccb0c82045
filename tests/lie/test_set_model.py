"""The whole set: borrowing, the odd club, what is shared, and sets that lack something."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.lie import set_model
from analysis.lie.club import Level, SoleArc, Stance
from analysis.lie.set_model import fit_set
from analysis.lie.set_types import SetClub, SetPrior, SetStrikes
from analysis.statistics.estimation import robust_mean


def scene(seed, n=8, per=4, level=0.8, slope=0.15, own=0.2, scatter=0.8):
    """Truth, clubs of strikes and what each shows, degrees."""
    rng = np.random.default_rng(seed)
    truth = level + slope * (np.arange(n) - n // 2) + rng.normal(0, own, n)
    club = np.repeat(np.arange(n), per)
    return rng, truth, club, truth[club] + rng.normal(0, scatter, club.size)


def test_clubs_with_few_strikes_lean_on_the_set(irons, strikes_of, sure):
    own, together = [], []
    for seed in range(12):
        _, truth, club, y = scene(seed, per=3)
        fit = fit_set(irons(8), strikes_of(club, y), **sure)
        own.append(np.array([y[club == i].mean() for i in range(8)]) - truth)
        together.append(fit.mean_deg - truth)
    assert np.sqrt(np.mean(np.square(together))) < 0.8 * np.sqrt(np.mean(np.square(own)))


def test_one_odd_club_is_named_and_does_not_drag_the_line(irons, strikes_of, sure):
    _, truth, club, y = scene(1, per=5)
    clean = fit_set(irons(8), strikes_of(club, y), **sure)
    assert clean.outliers() == ()
    bent = fit_set(irons(8), strikes_of(club, y + 3.0 * (club == 1)), **sure)
    assert bent.outliers() == ("4i",)
    assert bent.p_outlier[1] > 0.95
    assert np.all(np.delete(bent.p_outlier, 1) < 0.3)
    assert bent.own.mean[1] == pytest.approx(3.0, abs=0.6)
    assert bent.mean_deg[1] == pytest.approx(truth[1] + 3.0, abs=0.7)
    assert bent.level.value == pytest.approx(clean.level.value, abs=0.15)
    assert bent.slope.value == pytest.approx(clean.slope.value, abs=0.06)


def test_two_odd_clubs_are_both_named(irons, strikes_of, sure):
    _, _, club, y = scene(2, n=9, per=5)
    y = y + 2.6 * (club == 2) - 2.8 * (club == 6)
    fit = fit_set(irons(9), strikes_of(club, y), **sure)
    assert fit.outliers() == ("5i", "9i")
    assert np.delete(fit.p_outlier, [2, 6]).max() < 0.2


def test_mishits_are_called_and_hardly_move_their_club(irons, strikes_of, sure):
    _, _, club, y = scene(3, per=5)
    before = fit_set(irons(8), strikes_of(club, y), **sure)
    y = y.copy()
    y[7] += 8.0
    after = fit_set(irons(8), strikes_of(club, y), **sure)
    assert after.p_stray[7] > 0.95
    assert abs(after.mean_deg[1] - before.mean_deg[1]) < before.lie.sd[1]


def test_fatigue_is_told_from_the_clubs(irons, strikes_of, sure):
    rng, truth, club, _ = scene(4, per=12)
    order = rng.permutation(club.size)
    club = club[order]
    count = np.arange(club.size)
    tired = 1.0 * (count - count.mean()) / 50
    y = truth[club] + tired + rng.normal(0, 0.5, club.size)
    fit = fit_set(irons(8), strikes_of(club, y), **sure)
    assert fit.drift.value == pytest.approx(1.0, abs=3 * fit.drift.u)
    assert fit.drift.u < 0.25
    assert fit.drift.interval.low > 0


def test_a_shared_level_widens_the_clubs_but_not_the_gaps(irons, strikes_of, sure):
    _, _, club, y = scene(5, per=6)
    known = fit_set(irons(8), strikes_of(club, y), **sure)
    vague = fit_set(irons(8), strikes_of(club, y), level=Level(0.0, 6.0), stance=sure["stance"])
    # 6 mm on a radius of 300 mm are 1.146 degrees.
    assert vague.lie.sd[3] == pytest.approx(math.hypot(known.lie.sd[3], 1.146), rel=0.03)
    gap = np.zeros(8)
    gap[[2, 5]] = 1, -1
    for fit in (known, vague):
        assert math.sqrt(gap @ fit.covariance_deg2 @ gap) < 0.6
    assert vague.own.sd == pytest.approx(known.own.sd, rel=0.1)


def test_a_few_marks_settle_the_level_of_all_clubs(irons, strikes_of, sure):
    _, truth, club, y = scene(6, per=5)
    offset_mm = 7.0
    marked = np.isin(np.arange(club.size), [3, 11, 17, 22, 30, 36])
    toe = -300.0 * np.tan(np.radians(y)) + np.where(marked, 0.0, offset_mm)
    bare = SetStrikes.of(club, toe, u_mm=0.5)
    with_marks = SetStrikes.of(club, toe, u_mm=0.5, per_offset=np.where(marked, 0.0, 1.0))
    settings = {"level": Level(0.0, 6.0), "stance": sure["stance"]}
    blind, seeing = fit_set(irons(8), bare, **settings), fit_set(irons(8), with_marks, **settings)
    assert seeing.lie.sd.mean() < 0.7 * blind.lie.sd.mean()
    assert seeing.offset_mm.value == pytest.approx(offset_mm, abs=2.5 * seeing.offset_mm.u)
    assert np.abs(seeing.mean_deg - truth).mean() < np.abs(blind.mean_deg - truth).mean()


def test_covariance_with_the_offset_is_the_loading():
    # Joint normal of (toe, offset): var 9 + 4, cov -9, var 9: own variance 4, loading 1.
    strikes = SetStrikes.of([0], [2.0], u_mm=math.sqrt(13), offset_cov_mm2=-9.0, u_level_mm=3.0)
    assert strikes.per_offset[0] == pytest.approx(1.0)
    assert strikes.u_mm[0] == pytest.approx(2.0)
    with pytest.raises(ValueError, match="exceeds"):
        SetStrikes.of([0], [2.0], u_mm=1.0, offset_cov_mm2=-9.0, u_level_mm=3.0)


def test_one_club_alone_is_the_robust_mean(irons, strikes_of, sure):
    rng = np.random.default_rng(7)
    y = np.append(rng.normal(1.0, 0.8, 14), 7.0)
    fit = fit_set(irons(1), strikes_of(np.zeros(15, int), y), prior=SetPrior(drift_deg=0), **sure)
    alone = robust_mean(y, resolution=0.01)
    assert fit.mean_deg[0] == pytest.approx(alone.estimate, abs=0.1 * alone.u)
    assert fit.lie.sd[0] == pytest.approx(alone.u, rel=0.15)
    assert np.isnan(fit.p_outlier[0])
    assert fit.labels == ("3i",)


def test_two_clubs_and_three_say_that_no_odd_one_can_be_told(irons, strikes_of, sure):
    for n in (2, 3):
        fit = fit_set(irons(n), strikes_of([0, 0, 1, 1], [0.0, 0.2, 3.0, 3.3]), **sure)
        assert np.all(np.isnan(fit.p_outlier))
        assert any("cannot be told" in note for note in fit.notes)
        assert fit.mean_deg[1] - fit.mean_deg[0] > 1.0


def test_clubs_all_of_one_length_have_a_level_and_no_slope(irons, strikes_of, sure):
    _, truth, club, y = scene(8, slope=0.0)
    fit = fit_set(irons(8, length_mm=940.0), strikes_of(club, y), **sure)
    assert any("one length" in note for note in fit.notes)
    assert fit.slope.value == 0.0
    assert np.sqrt(np.mean((fit.mean_deg - truth) ** 2)) < 0.5


def test_a_club_that_was_not_hit_is_told_from_the_line_and_wide(irons, strikes_of, sure):
    _, truth, club, y = scene(9, per=6, own=0.05)
    keep = club != 5
    fit = fit_set(irons(8), strikes_of(club[keep], y[keep]), **sure)
    assert fit.strikes[5] == 0
    assert fit.mean_deg[5] == pytest.approx(truth[5], abs=2.5 * fit.lie.sd[5])
    # Wider than its neighbours, which were hit.
    assert fit.lie.sd[5] > 1.05 * max(fit.lie.sd[4], fit.lie.sd[6])
    assert any("no strike of 8i" in note for note in fit.notes)


def test_no_strike_at_all_gives_the_prior(irons, strikes_of, sure):
    fit = fit_set(irons(4), strikes_of([], []), **sure)
    assert np.all(np.abs(fit.mean_deg) < 1e-9)
    assert np.all(fit.lie.sd > 5)


def test_missing_lengths_are_filled_in_along_the_set(strikes_of, sure):
    _, truth, club, y = scene(10, n=5, per=6)
    sole = SoleArc(300.0, 0.0, measured=True)
    lengths = [980.0, None, 954.6, None, None]
    clubs = [SetClub(f"{i}", length, sole=sole) for i, length in enumerate(lengths)]
    fit = fit_set(clubs, strikes_of(club, y), **sure)
    full = [SetClub(f"{i}", 980 - 12.7 * i, sole=sole) for i in range(5)]
    assert fit.mean_deg == pytest.approx(fit_set(full, strikes_of(club, y), **sure).mean_deg)
    assert any("1, 3, 4" in note for note in fit.notes)
    none = [SetClub(f"{i}", sole=sole) for i in range(5)]
    fit = fit_set(none, strikes_of(club, y), **sure)
    assert any("no length is known" in note for note in fit.notes)
    assert np.abs(fit.mean_deg - truth).max() < 1.2


def test_wedges_have_a_line_of_their_own(strikes_of, sure):
    rng = np.random.default_rng(11)
    sole = SoleArc(300.0, 0.0, measured=True)
    clubs = [SetClub(f"{i}", 980 - 12.7 * i, "iron" if i < 7 else "wedge", sole) for i in range(10)]
    truth = np.where(np.arange(10) < 7, 0.5, 2.0)
    club = np.repeat(np.arange(10), 5)
    strikes = strikes_of(club, truth[club] + rng.normal(0, 0.5, 50))
    fit = fit_set(clubs, strikes, **sure)
    assert fit.outliers() == ()
    assert fit.mean_deg[:7].mean() == pytest.approx(0.5, abs=0.25)
    assert fit.mean_deg[7:].mean() == pytest.approx(2.0, abs=0.4)
    assert abs(fit.slope.value) < 0.2


def test_fourteen_clubs_with_radius_and_stance_in_doubt(strikes_of):
    _, _truth, club, y = scene(12, n=14, per=3)
    clubs = [SetClub(f"{i}", 1000 - 12.7 * i, "iron" if i < 9 else "wedge") for i in range(14)]
    fit = fit_set(clubs, strikes_of(club, y), level=Level(0.0, 2.0), stance=Stance(0.0, 2.0))
    assert fit.covariance_deg2.shape == (14, 14)
    assert np.linalg.eigvalsh(fit.covariance_deg2)[0] > -1e-12
    assert np.all(fit.low_deg < fit.mean_deg)
    assert np.all(fit.mean_deg < fit.high_deg)


def test_strikes_that_are_not_numbers_are_set_aside(irons, strikes_of, sure):
    _, _, club, y = scene(13)
    whole = fit_set(irons(8), strikes_of(club, y), prior=SetPrior(drift_deg=0), **sure)
    holed = np.append(y, np.nan)
    fit = fit_set(
        irons(8), strikes_of(np.append(club, 2), holed), prior=SetPrior(drift_deg=0), **sure
    )
    assert fit.mean_deg == pytest.approx(whole.mean_deg)
    assert np.isnan(fit.p_stray[-1])
    assert fit.strikes[2] == 4


def test_a_strike_without_a_number_needs_no_uncertainty_either():
    strikes = SetStrikes.of([0, 0], [1.0, np.nan], u_mm=[0.5, np.nan])
    assert fit_set([SetClub("7i")], strikes).strikes.tolist() == [1]


def test_finer_grids_change_nothing_that_matters(irons, strikes_of, sure, monkeypatch):
    _, _, club, y = scene(14, per=3)
    y = y + 2.2 * (club == 4)
    usual = fit_set(irons(8), strikes_of(club, y), **sure)
    monkeypatch.setattr(set_model, "_SCATTERS", 15)
    monkeypatch.setattr(set_model, "_OWN_SDS", np.geomspace(0.02, 2.4, 17))
    fine = fit_set(irons(8), strikes_of(club, y), **sure)
    sd = usual.lie.sd
    assert np.all(np.abs(fine.mean_deg - usual.mean_deg) < 0.06 * sd)
    assert np.all(np.abs(fine.low_deg - usual.low_deg) < 0.15 * sd)
    assert np.all(np.abs(fine.high_deg - usual.high_deg) < 0.15 * sd)


def test_intervals_hold_the_truth_as_often_as_they_say(irons, strikes_of, sure):
    inside = []
    for seed in range(40):
        _, truth, club, y = scene(100 + seed, per=4)
        fit = fit_set(irons(8), strikes_of(club, y), **sure)
        inside.append((fit.low_deg < truth) & (truth < fit.high_deg))
    # 320 intervals of which those of one set hang together: within 5 points of 90.
    assert np.mean(inside) == pytest.approx(0.90, abs=0.05)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: SetClub("7i", length_mm=-1.0), "7i: length_mm"),
        (lambda: SetClub("7i", sole=SoleArc(0.0, 1.0)), "radius"),
        (lambda: SetStrikes.of([0, 1], [1.0]), "toe_mm needs"),
        (lambda: SetStrikes.of([0], [1.0], u_mm=-1.0), "negative"),
        (lambda: SetStrikes.of([0], [1.0], offset_cov_mm2=-1.0), "u_level_mm"),
        (lambda: SetPrior(outlier_share=0.7), "shares"),
        (lambda: SetPrior(own_scale_deg=0.0), "positive"),
        (lambda: fit_set([], SetStrikes.of([], [])), "at least one club"),
        (lambda: fit_set([SetClub("a"), SetClub("a")], SetStrikes.of([], [])), "each label once"),
        (lambda: fit_set([SetClub("a")], SetStrikes.of([1], [0.0])), "no club of the set"),
        (lambda: fit_set([SetClub("a")], SetStrikes.of([], []), pivot="7i"), "pivot"),
        (lambda: fit_set([SetClub("a")], SetStrikes.of([], []), confidence=1.0), "confidence"),
    ],
)
def test_bad_input_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
