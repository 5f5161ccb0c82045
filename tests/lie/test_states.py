"""The algebra of the set against dense matrices, restricted likelihood and published shrinkage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.lie.club import Level, SoleArc, Stance
from analysis.lie.design import design
from analysis.lie.set_types import SetClub, SetPrior, SetStrikes
from analysis.lie.sites import fit_sites
from analysis.lie.states import _Core, posterior

PLAIN = SetPrior(
    level_deg=1e4, drift_deg=0.0, outlier_share=0.0, stray_share=0.0, family_step_deg=1e-3
)


def one_way(irons, strikes_of, sure, groups, values):
    """A one-way layout as clubs of one length whose radius, level and stance are known."""
    names = list(dict.fromkeys(groups))
    clubs = irons(len(names), length_mm=900.0)
    clubs = [SetClub(str(n), 900.0, sole=c.sole) for n, c in zip(names, clubs, strict=True)]
    strikes = strikes_of([names.index(g) for g in groups], values)
    return design(clubs, strikes, sure["level"], sure["stance"], None, PLAIN)


def at(model, scatter, own):
    """Posterior with both spreads known."""
    own_var = np.full((1, model.clubs), own**2)
    sites = fit_sites(model, np.array([scatter]), own_var, stray_share=0.0, stray_width=5.0)
    return posterior(
        model, sites, np.array([own]), np.zeros(model.clubs), np.zeros((1, 1)),
        outlier_share=0.0, outlier_deg=2.0,
    )  # fmt: skip


def restricted(y, groups, scatter, own):
    """-2 log restricted likelihood by dense matrices (Harville 1977)."""
    same = np.array(groups)[:, None] == np.array(groups)
    V = scatter**2 * np.eye(len(y)) + own**2 * same
    X = np.ones((len(y), 1))
    inverse = np.linalg.inv(V)
    normal = X.T @ inverse @ X
    rest = y - X @ np.linalg.solve(normal, X.T @ inverse @ y)
    return np.linalg.slogdet(V)[1] + np.linalg.slogdet(normal)[1] + rest @ inverse @ rest


def test_with_nothing_but_a_level_the_evidence_is_the_restricted_likelihood(
    irons, strikes_of, sure, table
):
    data = table("dyestuff")
    y = (np.array(data["Yield"], dtype=float) - 1500) / 100
    model = one_way(irons, strikes_of, sure, data["Batch"], y)
    shift = []
    for scatter, own in ((0.5, 0.42), (0.4, 0.2), (0.7, 0.9), (0.495, 0.05)):
        mine = -2 * at(model, scatter, own).log_evidence
        shift.append(mine - restricted(y, data["Batch"], scatter, own))
    assert shift == pytest.approx([shift[0]] * 4, abs=1e-6)


def test_at_the_restricted_estimates_dyestuff_batches_are_the_published_ones(
    irons, strikes_of, sure, table
):
    data = table("dyestuff")
    y = (np.array(data["Yield"], dtype=float) - 1500) / 100
    model = one_way(irons, strikes_of, sure, data["Batch"], y)
    # Variances as lme4 prints them: 2451.25 within batches, 1764.05 between.
    parts = at(model, np.sqrt(0.245125), np.sqrt(0.176405))
    # lme4: shrink factor 1764.05 / (1764.05 + 2451.25 / 5) = 0.7825 about 1527.5.
    means = np.array([1505, 1528, 1564, 1498, 1600, 1470])
    published = 1527.5 + 0.7825 * (means - 1527.5)
    assert 1500 + 100 * parts.lie[0] == pytest.approx(published, abs=5e-3)
    # Standard error of the mean: 19.383.
    assert 100 * np.sqrt(parts.beta_cov[0, 0, 0]) == pytest.approx(19.383, abs=5e-4)


def test_efron_and_morris(irons, strikes_of, sure, table):
    # Efron & Morris, Sci. Am. 236(5) (1977) 119-127: mean .265, c = .212, .400 becomes .294 and the
    # lowest .242; squared error .077 against .022 of the season's averages.
    data = table("efron_morris")
    y, season = (np.array(data[key], dtype=float) for key in ("y", "p"))
    mean = y.mean()
    assert mean == pytest.approx(0.265, abs=5e-4)
    var = mean * (1 - mean) / 45
    c = 1 - (y.size - 3) * var / ((y - mean) ** 2).sum()
    assert c == pytest.approx(0.212, abs=5e-4)
    model = one_way(irons, strikes_of, sure, range(y.size), y)
    parts = at(model, np.sqrt(var), np.sqrt(var * c / (1 - c)))
    assert parts.lie[0, 0] == pytest.approx(0.294, abs=5e-4)
    assert parts.lie[0, -1] == pytest.approx(0.242, abs=5e-4)
    assert ((parts.lie[0] - season) ** 2).sum() == pytest.approx(0.022, abs=1e-3)
    assert ((y - season) ** 2).sum() == pytest.approx(0.077, abs=2e-3)


def everything():
    """A set with every source of doubt there is."""
    rng = np.random.default_rng(3)
    clubs = [
        SetClub(f"{i}", 980 - 12.7 * i, "iron" if i < 4 else "wedge", SoleArc(250 + 20 * i, 15.0))
        for i in range(6)
    ]
    club = np.repeat([0, 1, 2, 3, 4], [3, 1, 4, 2, 3])
    strikes = SetStrikes.of(
        club,
        rng.normal(0, 5, club.size),
        u_mm=rng.uniform(0.2, 1.5, club.size),
        per_offset=rng.choice([0.0, 0.5, 1.0], club.size),
    )
    return clubs, strikes


@pytest.mark.parametrize("off", [(), (2,), (0, 4)])
def test_posterior_and_evidence_against_dense_normal_conditioning(off):
    clubs, strikes = everything()
    prior = SetPrior(stray_share=0.0, outlier_share=0.1)
    model = design(clubs, strikes, Level(1.0, 3.0), Stance(4.0, 1.5), "2", prior)
    scatter, own, camber = 0.7, 0.4, np.array([0.1, 0.02, 0.0, 0.05, 0.1, 0.2]) ** 2
    sites = fit_sites(model, np.array([scatter]), np.ones((1, 6)), stray_share=0, stray_width=5)
    core = _Core(model, sites, np.array([own]), camber, prior.outlier_deg)
    which = np.zeros((1, 6))
    which[0, list(off)] = 1
    zero = np.zeros(1, dtype=int)
    parts = core.parts(zero, zero, which, np.ones(1), 0.0)

    # The same, all at once: (lie errors, what next strikes show, strikes) are jointly normal.
    d = own**2 + which[0] * prior.outlier_deg**2
    start = np.diag(1 / model.precision)
    n, k = len(model.y), 6
    rows = np.concatenate((model.line, model.shown, model.X))
    joint = rows @ start @ rows.T
    to_own = np.concatenate((np.eye(k), np.eye(k), model.member))
    joint += to_own @ np.diag(d) @ to_own.T
    to_camber = np.concatenate((np.zeros((k, k)), np.eye(k), model.member))
    joint += to_camber @ np.diag(camber) @ to_camber.T
    seen = np.arange(2 * k, 2 * k + n)
    joint[seen, seen] += scatter**2 + model.u**2
    V = joint[np.ix_(seen, seen)]
    gain = np.linalg.solve(V, joint[seen]).T
    mean = gain @ model.y
    cov = joint - gain @ joint[seen]
    assert parts.lie[0] == pytest.approx(mean[:k], abs=1e-8)
    assert parts.lie_cov[0] == pytest.approx(cov[:k, :k], abs=1e-8)
    assert parts.shown[0] == pytest.approx(mean[k : 2 * k], abs=1e-8)
    assert parts.shown_var[0] == pytest.approx(np.diag(cov)[k : 2 * k], abs=1e-8)
    assert parts.lie_shown[0] == pytest.approx(cov[:k, k : 2 * k], abs=1e-8)
    evidence = core.evidence(which)[0, 0, 0]
    assert evidence == pytest.approx(multivariate_normal(np.zeros(n), V).logpdf(model.y), abs=1e-8)
