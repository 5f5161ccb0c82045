"""Variance components against published fits of mixed models.

Davies & Goldsmith's dyestuff and pastes, Box & Tiao's generated dyestuff with its zero variance and
the sleep study: Bates, Mächler, Bolker, Walker, J. Stat. Softw. 67(1) (2015), and the printed
examples of the R package lme4. Rail: Pinheiro & Bates (2000), 1.1.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.set_model_reml import Factor, fit_mixed


def one_way(table, name, group, value, **settings):
    data = table(name)
    y = np.array(data[value], dtype=float)
    return fit_mixed(y, np.ones((y.size, 1)), [Factor("group", data[group])], **settings)


def test_dyestuff_restricted(table):
    fit = one_way(table, "dyestuff", "Batch", "Yield")
    assert fit.beta[0] == pytest.approx(1527.5, abs=1e-6)
    assert np.sqrt(fit.beta_cov[0, 0]) == pytest.approx(19.383, abs=5e-4)
    assert fit.sd("group") == pytest.approx(42.00, abs=5e-3)
    assert fit.covariance["group"][0, 0] == pytest.approx(1764.05, rel=1e-4)
    assert fit.residual_var == pytest.approx(2451.25, rel=1e-4)
    assert fit.deviance == pytest.approx(319.654, abs=5e-4)


def test_dyestuff_predictions_are_shrunk_by_the_balanced_formula(table):
    data = table("dyestuff")
    fit = one_way(table, "dyestuff", "Batch", "Yield")
    shrink = 1764.05 / (1764.05 + 2451.25 / 5)
    assert shrink == pytest.approx(0.7825, abs=5e-5)
    for batch, mean in zip("ABCDEF", (1505, 1528, 1564, 1498, 1600, 1470), strict=True):
        own = [float(y) for b, y in zip(data["Batch"], data["Yield"], strict=True) if b == batch]
        assert np.mean(own) == mean
        assert fit.effects["group"][batch][0] == pytest.approx(shrink * (mean - 1527.5), rel=1e-4)


def test_dyestuff_full_likelihood(table):
    fit = one_way(table, "dyestuff", "Batch", "Yield", restricted=False)
    assert fit.sd("group") == pytest.approx(37.26, abs=5e-3)
    assert fit.deviance == pytest.approx(327.327, abs=5e-4)
    assert np.sqrt(fit.beta_cov[0, 0]) == pytest.approx(17.694, abs=1e-3)


def test_dyestuff2_has_no_variance_between_and_says_so_plainly(table):
    fit = one_way(table, "dyestuff2", "Batch", "Yield")
    assert fit.sd("group") == 0.0
    assert fit.residual_sd == pytest.approx(3.716, abs=5e-4)
    assert fit.residual_var == pytest.approx(13.806, abs=5e-4)
    assert fit.beta[0] == pytest.approx(5.6656, abs=1e-4)
    assert np.sqrt(fit.beta_cov[0, 0]) == pytest.approx(0.6784, abs=1e-4)
    assert fit.deviance == pytest.approx(161.828, abs=5e-4)
    full = one_way(table, "dyestuff2", "Batch", "Yield", restricted=False)
    assert full.deviance == pytest.approx(162.873, abs=5e-4)


def test_rail(table):
    fit = one_way(table, "rail", "Rail", "travel")
    assert fit.beta[0] == pytest.approx(66.5, abs=1e-9)
    assert np.sqrt(fit.beta_cov[0, 0]) == pytest.approx(10.171, abs=5e-4)
    assert fit.sd("group") == pytest.approx(24.805, abs=1e-3)
    assert fit.residual_sd == pytest.approx(4.0208, abs=1e-4)
    assert fit.deviance == pytest.approx(2 * 61.0885, abs=2e-4)


def test_pastes_nested(table):
    data = table("pastes")
    cask = [b + c for b, c in zip(data["batch"], data["cask"], strict=True)]
    y = np.array(data["strength"], dtype=float)
    factors = [Factor("batch", data["batch"]), Factor("cask", cask)]
    fit = fit_mixed(y, np.ones((60, 1)), factors)
    assert fit.beta[0] == pytest.approx(60.0533, abs=5e-5)
    assert np.sqrt(fit.beta_cov[0, 0]) == pytest.approx(0.6769, abs=5e-5)
    assert fit.covariance["cask"][0, 0] == pytest.approx(8.434, abs=1e-3)
    assert fit.covariance["batch"][0, 0] == pytest.approx(1.657, abs=1e-3)
    assert fit.residual_var == pytest.approx(0.678, abs=5e-4)
    assert fit.deviance == pytest.approx(246.99, abs=5e-3)
    full = fit_mixed(y, np.ones((60, 1)), factors, restricted=False)
    assert full.covariance["batch"][0, 0] == pytest.approx(1.199, abs=1e-3)
    assert full.deviance == pytest.approx(247.994, abs=1e-3)


@pytest.mark.timeout(120)
def test_sleepstudy_slopes(table):
    data = table("sleepstudy")
    y, days = (np.array(data[key], dtype=float) for key in ("Reaction", "Days"))
    X = np.stack([np.ones_like(days), days], axis=1)
    fit = fit_mixed(y, X, [Factor("subject", data["Subject"], X)])
    assert fit.beta == pytest.approx([251.405, 10.467], abs=5e-4)
    assert np.sqrt(np.diag(fit.beta_cov)) == pytest.approx([6.825, 1.546], abs=1e-3)
    cov = fit.covariance["subject"]
    assert cov[0, 0] == pytest.approx(612.10, rel=1e-4)
    assert cov[1, 1] == pytest.approx(35.07, abs=5e-3)
    assert cov[0, 1] / np.sqrt(cov[0, 0] * cov[1, 1]) == pytest.approx(0.066, abs=5e-4)
    assert fit.residual_var == pytest.approx(654.94, abs=5e-3)
    assert fit.deviance == pytest.approx(1743.628, abs=5e-4)


def test_a_large_constant_eats_no_digits(table):
    data = table("dyestuff")
    y = np.array(data["Yield"], dtype=float) + 1e7
    fit = fit_mixed(y, np.ones((30, 1)), [Factor("b", data["Batch"])])
    assert fit.covariance["b"][0, 0] == pytest.approx(1764.05, rel=1e-4)


def test_what_cannot_be_fitted_is_refused():
    one = [Factor("g", ["a", "a", "b"])]
    with pytest.raises(NoAnswerError, match="measure more"):
        fit_mixed([1.0, 2.0], np.ones((2, 1)), [Factor("g", ["a", "b"])])
    with pytest.raises(NoAnswerError, match="no scatter"):
        fit_mixed([1.0, 1.0, 1.0], np.ones((3, 1)), one)
    with pytest.raises(ValueError, match="not a number"):
        fit_mixed([1.0, np.nan, 1.0], np.ones((3, 1)), one)
    with pytest.raises(ValueError, match="group for each"):
        fit_mixed([1.0, 2.0, 4.0, 3.0], np.ones((4, 1)), one)
    with pytest.raises(ValueError, match="independent"):
        fit_mixed([1.0, 2.0, 4.0, 3.0], np.ones((4, 2)), [Factor("g", list("abab"))])
