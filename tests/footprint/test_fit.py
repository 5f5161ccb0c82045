"""The fit against scipy's least squares, importance sampling and the Cramer-Rao bound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares, minimize

from analysis.conventions import Hand
from analysis.footprint import AimPrior, SolePrior, StripSpec, fit_footprints
from analysis.footprint.model import Cells, given_ground, predict

# Sharp ends on an elastic foundation, known to be so.
SHARP = {"ground_mm": 0.01, "ground_u_mm": 0.01}
KNOWN = {"cover_shape": 0.0, "cover_shape_u": 0.0, "neighbour_share": 0.0, "neighbour_u": 0.0}
SOLE = SolePrior(300.0, 0.0, 78.0, 1.5, 0.0, **SHARP)
# What is believed of a sole and a cover when nothing is said.
USUAL_SOLE = SolePrior(300.0, 0.0, 78.0, 1.5, 0.0)
AIM = AimPrior(0.0, scatter_mm=6.0, offset_u_mm=0.0)


def strip(offset=20.0, gain_u=0.05, **known):
    known = known or KNOWN
    return StripSpec(4.0, 32, 1e6, gain_u=gain_u, offset_u_counts=offset, **known)


def usual_strip(offset=20.0, gain_u=0.05):
    return StripSpec(4.0, 32, 1e6, gain_u=gain_u, offset_u_counts=offset)


def fit(counts, spec=None, sole=SOLE, **kwargs):
    kwargs.setdefault("aim", AIM)
    return fit_footprints(counts, np.zeros(counts.shape[:2]), spec or strip(), sole, **kwargs)


@pytest.mark.parametrize(("lie", "centre"), [(0.0, 1.3), (0.7, -6.0), (-1.1, 8.2)])
def test_mode_agrees_with_scipy_least_squares(bench, lie, centre):
    rng = np.random.default_rng(7)
    counts = bench.noisy(rng, bench.pressure(centre, lie, 3.2), gain_u=0.0)
    got = fit(counts, strip(gain_u=0.0))
    fine = replace(bench, points=500)
    log_h = np.log(np.sqrt(2 * 300 * 2.0))

    def residual(p):
        c, slope, d, k, length = p[0], p[1] / 100, p[2], 1000 * p[3], 78 + p[4]
        model = fine.pressure(c, np.degrees(np.arctan(slope)), d, k, 300.0, length)[0]
        h = np.sqrt(600 * d + (300 * slope) ** 2)
        prior = [c / 6.0, p[4] / 1.5, (np.log(h) - log_h) / (np.log(2.7) / 2)]
        return np.concatenate([(counts[0, 0] - model) / np.hypot(20.0, np.sqrt(1 / 12)), prior])

    start = np.array([centre, 100 * np.tan(np.radians(lie)), 3.2, 1.0, 0.0])
    # The cost has a kink wherever an end meets the border of a cell: several starts, each finished
    # without derivatives.
    found = []
    for i in range(10):
        shake = 0.15 * i * rng.normal(size=5) * [1, 0.3, 0.1, 0.03, 1]
        best = least_squares(residual, start + shake, diff_step=0.01)
        found.append(
            minimize(
                lambda p: (residual(p) ** 2).sum(),
                best.x,
                method="Nelder-Mead",
                options={"xatol": 1e-4, "fatol": 1e-5, "maxiter": 3000},
            )
        )
    want = min(found, key=lambda r: r.fun).x
    log_posterior = got.node_log_likelihood[0] - 0.5 * (got.node_centre_mm[0] / 6.0) ** 2
    top = np.argmax(log_posterior)
    assert got.node_centre_mm[0, top] == pytest.approx(want[0], abs=0.1 * got.centre_sd_mm[0])
    assert got.node_toe_mm[0, top] == pytest.approx(-3 * want[1], abs=0.1 * got.toe_sd_mm[0])
    assert got.depth_mm[0] == pytest.approx(want[2], abs=0.2 * got.depth_sd_mm[0])


def sharp_parabola(theta):
    """Cell means of A (1 - ((x - v)/h)^2) between sharp ends, (32, n); written out again here."""
    log_a, v, log_h, c, length = theta[:, :5].T
    h = np.exp(log_h)
    low = np.maximum(-1, (c - length / 2 - v) / h)
    high = np.maximum(np.minimum(1, (c + length / 2 - v) / h), low)
    z = np.clip((np.linspace(-64, 64, 33)[:, None] - v) / h, low, high)
    return np.diff(z - z**3 / 3, axis=0) * h * np.exp(log_a) / 4.0


@pytest.mark.parametrize(
    ("lie", "centre", "depth", "told"),
    [
        (0.4, 3.0, 2.0, True),
        (-1.0, -2.0, 2.2, True),
        (0.3, 1.0, 1.2, True),
        (0.4, 2.0, 3.4, False),
        (-0.5, -2.0, 1.6, False),
    ],
)
def test_posterior_agrees_with_importance_sampling(bench, lie, centre, depth, told):
    # Draws and the likelihood, no Hessian and no nodes: first wide, then from the normal shape of
    # the first weights widened, over and over. Told of sharp ends and the cover, five unknowns;
    # told nothing, ten.
    rng = np.random.default_rng(11)
    cover = {} if told else {"shape": 0.4, "heel": 4.0, "toe": 6.0, "share": 0.1}
    clean = bench.pressure(centre, lie, depth, **cover)
    counts = bench.noisy(rng, clean, offset=30.0, gain_u=0.0)
    spec = strip(30.0, 0.0) if told else usual_strip(30.0, 0.0)
    sole = SOLE if told else USUAL_SOLE
    got = fit(counts, spec, sole)
    cells, n = Cells.of(32, 4.0, 4.0), 200_000 if told else 60_000
    slope = np.tan(np.radians(lie))
    h0 = np.sqrt(600 * depth + (300 * slope) ** 2)
    ground = given_ground(sole.ground_mm)
    prior_mean = np.array(
        [0, 0, np.log(np.sqrt(1200.0)), 0.0, 78.0, spec.cover_shape, ground, ground,
         spec.neighbour_share, np.log(25.0 / 300.0)]
    )  # fmt: skip
    prior_sd = np.array(
        [np.inf, np.inf, np.log(2.7) / 2, 6.0, 1.5, spec.cover_shape_u, sole.ground_u_mm,
         sole.ground_u_mm, spec.neighbour_u, np.log(sole.ground_radius_factor)]
    )  # fmt: skip
    free = np.arange(5 if told else 10)
    middle = prior_mean.copy()
    middle[:3] = np.log(1000 * h0**2 / 600), centre - 300 * slope, np.log(h0)
    wide = np.array([0.05, 2.0, 0.07, 6.0, 1.5, 0.4, 4.0, 4.0, 0.08, 0.45])
    scatter = np.diag(wide[free] ** 2)
    at = middle[free]
    for step in range(6 if told else 8):
        # Student's t of 5 degrees of freedom: tails that cover those of the posterior.
        root = np.linalg.cholesky(scatter)
        size = len(free)
        z = rng.normal(size=(n, size)) / np.sqrt(rng.chisquare(5, (n, 1)) / 5)
        theta = np.tile(middle, (n, 1))
        theta[:, free] = at + z @ root.T
        log_w = (5 + size) / 2 * np.log1p((z**2).sum(axis=1) / 5)
        off = (theta[:, free] - prior_mean[free]) / prior_sd[free]
        log_w -= 0.5 * (off**2).sum(axis=1)
        for part in np.array_split(np.arange(n), n // 1000):
            model = sharp_parabola(theta[part]) if told else predict(theta[part].T, cells).counts
            log_w[part] -= 0.5 * (((counts[0].T - model) / 30.0) ** 2).sum(axis=0)
        # Tempered at first, so that a few lucky draws do not say it all.
        log_w -= log_w.max()
        w = np.exp(log_w * min(1.0, (0.1 if told else 0.05) * 2.0**step))
        w /= w.sum()
        at = w @ theta[:, free]
        centred = theta[:, free] - at
        scatter = 1.5 * centred.T @ (centred * w[:, None]) + 1e-8 * np.eye(size)
    assert 1 / (w**2).sum() > (2000 if told else 400)
    sample = np.degrees(np.arctan((theta[:, 3] - theta[:, 1]) / 300))
    order = np.argsort(sample)
    running = np.cumsum(w[order])
    mean = w @ sample
    sd = np.sqrt(w @ (sample - mean) ** 2)
    near = 0.15 if told else 0.4
    assert got.lie_error_deg[0] == pytest.approx(mean, abs=near * sd)
    assert got.lie_sd_deg[0] == pytest.approx(sd, rel=near)
    inside = (got.lie_low_deg[0] < sample) & (sample < got.lie_high_deg[0])
    assert w @ inside == pytest.approx(0.9, abs=0.09)
    if told:
        # With ten unknowns it is skewed more than Laplace's method can tell.
        for q, end in ((0.05, got.lie_low_deg[0]), (0.95, got.lie_high_deg[0])):
            assert end == pytest.approx(np.interp(q, running, sample[order]), abs=0.25 * sd)


def fisher_lie_sd_deg(bench, centre, lie, depth):
    """Cramer-Rao bound of the lie error by finite differences; c, tan(lie), d and k unknown."""

    def model(p):
        return bench.pressure(p[0], np.degrees(np.arctan(p[1])), p[2], p[3])[0]

    point = np.array([centre, np.tan(np.radians(lie)), depth, 1000.0])
    # An end moves through cells: its step is a few points of the midpoint rule.
    steps = np.diag([0.25, 1e-4, 1e-3, 1.0])
    jacobian = np.array([(model(point + s) - model(point - s)) / (2 * s.max()) for s in steps])
    mean = model(point)
    weight = 1 / ((0.02 * mean.max()) ** 2 + (0.05 * mean) ** 2)
    information = (jacobian * weight) @ jacobian.T
    if np.linalg.cond(information / np.sqrt(np.outer(*[np.diag(information)] * 2))) > 1e10:
        return np.inf
    return np.degrees(np.sqrt(np.linalg.inv(information)[1, 1]))


def test_bound_of_the_design_page(bench):
    # Our reference numbers (32 cells of 4 mm, R 300, L 78, 2 % offset and 5 % gain noise): 0.12 deg
    # at a press of 2 mm, 0.09 at 3 mm, undetermined at 1 mm. The bound depends on where in its cell
    # an end lies, so they must lie within its span over a cell.
    at = [1.0 + 0.5 * i for i in range(8)]
    deep = [fisher_lie_sd_deg(bench, c, 1.0, 3.0) for c in at]
    middle = [fisher_lie_sd_deg(bench, c, 1.5, 2.0) for c in at]
    shallow = [fisher_lie_sd_deg(bench, c, 0.5, 1.0) for c in at]
    assert min(deep) < 0.091
    assert max(deep) < 0.18
    assert min(middle) < 0.12 < max(middle) < 0.2
    # Only what a midpoint rule takes for an end: no better than any guess.
    assert min(shallow) > 2.0


@pytest.mark.parametrize(("lie", "depth"), [(0.0, 3.0), (1.0, 3.0), (2.0, 2.5)])
def test_stated_sd_is_near_the_bound_where_an_end_prints(bench, lie, depth):
    rng = np.random.default_rng(3)
    centre = rng.uniform(-6, 6, 300)
    peak = bench.pressure(0.0, lie, depth).max()
    counts = bench.noisy(rng, bench.pressure(centre, lie, depth), offset=0.02 * peak)
    sure = SolePrior(300.0, 0.0, 78.0, 0.05, 0.0, **SHARP)
    got = fit_footprints(counts, np.zeros((300, 1)), strip(0.02 * peak), sure, AIM)
    bound = np.sqrt(np.mean([fisher_lie_sd_deg(bench, c, lie, depth) ** 2 for c in centre[:60]]))
    error = np.sqrt(np.mean((got.lie_error_deg - lie) ** 2))
    assert 0.8 * bound < error < 1.25 * bound
    assert np.sqrt(np.mean(got.lie_sd_deg**2)) == pytest.approx(bound, rel=0.25)


def test_narrow_patch_stays_wide(bench):
    rng = np.random.default_rng(5)
    counts = bench.noisy(rng, bench.pressure(0.0, 0.0, 0.8), offset=16.0)
    got = fit(counts, strip(16.0))
    # All that is known of the place is the address mark: 6 mm at 300 mm, 1.15 deg.
    assert got.ends_seen == ["none"]
    assert got.lie_sd_deg[0] > 0.8
    assert got.correlation[0] > 0.9
    # The lowest point itself is well known.
    assert got.toe_mm[0] + got.centre_mm[0] == pytest.approx(0.0, abs=1.0)


def test_ends_seen(bench):
    rng = np.random.default_rng(6)
    # A toe in the air digs the heel end in: lie positive.
    lies, depths = [0.0, 2.0, -2.0], [4.0, 2.0, 2.0]
    counts = bench.noisy(rng, bench.pressure([1.0, 1.0, 1.0], lies, depths))
    assert fit(counts).ends_seen == ["both", "heel", "toe"]
    assert fit(counts, hand=Hand.LEFT).ends_seen == ["both", "toe", "heel"]


def test_camber_uncertainty_goes_into_the_degree(bench):
    counts = bench.noisy(np.random.default_rng(8), bench.pressure(0.0, 2.0, 3.0))
    times = np.zeros((1, 1))
    known = fit_footprints(counts, times, strip(), SOLE, AIM)
    unsure = fit_footprints(
        counts, times, strip(), SolePrior(300.0, 30.0, 78.0, 1.5, 0.0, **SHARP), AIM
    )
    more = np.sqrt(unsure.lie_sd_deg[0] ** 2 - known.lie_sd_deg[0] ** 2)
    # 10 % of R is 10 % of the lie error.
    assert more == pytest.approx(0.1 * known.lie_error_deg[0], rel=0.1)


def test_an_uncertain_middle_widens_only_what_the_ends_tell(bench):
    rng = np.random.default_rng(14)
    counts = bench.noisy(rng, bench.pressure([0.0, 0.0], 0.0, [4.0, 0.7]))
    times = np.zeros((2, 1))
    sure = fit_footprints(counts, times, strip(), SOLE, AIM)
    unsure = fit_footprints(
        counts, times, strip(), SolePrior(300.0, 0.0, 78.0, 1.5, 2.0, **SHARP), AIM
    )
    more = np.sqrt(unsure.toe_sd_mm**2 - sure.toe_sd_mm**2)
    assert more[0] == pytest.approx(2.0, rel=0.05)
    assert more[1] < 0.5


def cover_90(got, lie):
    return ((got.lie_low_deg < lie) & (lie < got.lie_high_deg))[got.ok].mean()


def rms(x):
    return np.sqrt(np.mean(np.square(x)))


@pytest.mark.parametrize(
    "fault",
    [
        {"shape": 1.0},
        {"heel": 10.0, "toe": 10.0, "edge": 25.0},
        {"heel": 7.0, "toe": 4.0, "edge": 15.0},
        {"share": 0.2},
        {"shape": 0.5, "heel": 6.0, "toe": 6.0, "share": 0.1},
    ],
)
def test_told_nothing_of_cover_and_ends_it_stays_honest(bench, fault):
    # Half-space, ground-off ends, neighbours that share: whoever takes them for sharp ends on a
    # foundation is sure of what is not so.
    rng = np.random.default_rng(15)
    lie, centre = rng.normal(0, 1, 300), rng.normal(0, 5, 300)
    counts = bench.noisy(rng, bench.pressure(centre, lie, rng.uniform(2, 3.6, 300), **fault))
    told_wrong = fit(counts)
    got = fit(counts, usual_strip(), USUAL_SOLE)
    assert got.ok.mean() > 0.98
    assert cover_90(got, lie) > 0.8
    assert cover_90(got, lie) > cover_90(told_wrong, lie) + 0.05
    assert rms((got.lie_error_deg - lie)[got.ok]) < 0.5


def test_knowing_the_head_and_the_cover_pays(bench):
    rng = np.random.default_rng(16)
    lie, centre = rng.normal(0, 1, 300), rng.normal(0, 5, 300)
    counts = bench.noisy(rng, bench.pressure(centre, lie, 3.2))
    known, unknown = fit(counts), fit(counts, usual_strip(), USUAL_SOLE)
    assert rms(known.lie_sd_deg) < 0.8 * rms(unknown.lie_sd_deg)
    assert rms(known.lie_error_deg - lie) < rms(unknown.lie_error_deg - lie)


def test_one_dead_cell_is_found_and_forgiven(bench):
    rng = np.random.default_rng(9)
    lie, centre = rng.normal(0, 1, 60), rng.normal(0, 5, 60)
    counts = bench.noisy(rng, bench.pressure(centre, lie, 3.2))
    counts[:, :, 15] = 0.0
    got = fit(counts)
    assert got.ok.mean() > 0.95
    assert (got.bad_cell[got.ok] == 15).mean() > 0.9
    error = (got.lie_error_deg - lie)[got.ok]
    assert np.sqrt(np.mean((error / got.lie_sd_deg[got.ok]) ** 2)) < 1.4


def test_a_saturated_top_is_a_lower_limit(bench):
    rng = np.random.default_rng(10)
    lie, centre = rng.normal(0, 1, 60), rng.normal(0, 5, 60)
    full = 2600.0
    counts = np.minimum(bench.noisy(rng, bench.pressure(centre, lie, 3.0)), full)
    spec = StripSpec(4.0, 32, full, gain_u=0.05, offset_u_counts=20.0)
    got = fit(counts, spec)
    assert (counts >= full).sum(axis=2).mean() > 3
    assert got.ok.all()
    assert np.sqrt(np.mean(((got.lie_error_deg - lie) / got.lie_sd_deg) ** 2)) < 1.4


@settings(deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 10_000),
    lie=st.floats(-2, 2),
    centre=st.floats(-12, 12),
    depth=st.floats(0.8, 4),
    usual=st.booleans(),
)
def test_mirror_image(bench, seed, lie, centre, depth, usual):
    rng = np.random.default_rng(seed)
    counts = bench.noisy(rng, bench.pressure(centre, lie, depth))
    told = (usual_strip(), USUAL_SOLE) if usual else (strip(), SOLE)
    right = fit(counts, *told, aim=AimPrior(2.0, 6.0, 0.0))
    # The same board seen from the other side: cells and mark flip, toe points the other way.
    left = fit(counts[:, :, ::-1], *told, aim=AimPrior(-2.0, 6.0, 0.0), hand=Hand.LEFT)
    np.testing.assert_allclose(left.lie_error_deg, right.lie_error_deg, atol=1e-9)
    np.testing.assert_allclose(left.centre_mm, -right.centre_mm, atol=1e-9)
    np.testing.assert_allclose(left.correlation, -right.correlation, atol=1e-9)
    # The same player on a mirrored board, toe still to the right: heel and toe change places.
    other = fit(counts[:, :, ::-1], *told, aim=AimPrior(-2.0, 6.0, 0.0))
    if right.ok[0] and other.ok[0]:
        assert other.lie_error_deg[0] == pytest.approx(
            -right.lie_error_deg[0], abs=0.1 * right.lie_sd_deg[0]
        )
        assert other.centre_mm[0] == pytest.approx(
            -right.centre_mm[0], abs=0.1 * right.centre_sd_mm[0]
        )


def test_one_strike_alone_is_the_same_as_in_a_batch(bench):
    rng = np.random.default_rng(12)
    lie, centre = rng.normal(0, 1.5, 700), rng.normal(0, 5, 700)
    counts = bench.noisy(rng, bench.pressure(centre, lie, rng.uniform(0.8, 4, 700)))
    many = fit(counts)
    for i in (0, 511, 512, 699):
        one = fit(counts[i : i + 1])
        np.testing.assert_allclose(one.lie_error_deg[0], many.lie_error_deg[i], atol=1e-6)


@pytest.mark.parametrize("told", [True, False])
def test_intervals_cover(bench, told):
    # 1,500 strikes of all kinds under the fit's own model, its unknowns drawn from its priors.
    rng = np.random.default_rng(13)
    n = 1500
    lie, centre = rng.normal(0, 1.5, n), rng.normal(0, 6, n)
    depth, length = rng.uniform(0.8, 4, n), 78 + 1.5 * rng.normal(size=n)
    if told:
        got = fit(bench.noisy(rng, bench.pressure(centre, lie, depth, length=length)))
    else:
        heel, toe = (
            (given + np.hypot(given, 3.0)) / 2 for given in 4.55 + 5 * rng.normal(size=(2, n))
        )
        clean = bench.pressure(
            centre, lie, depth, length=length, heel=heel, toe=toe,
            shape=np.maximum(0.5 + 0.45 * rng.normal(size=n), 0),
            share=np.maximum(0.12 + 0.08 * rng.normal(size=n), 0),
            edge=25 * np.exp(np.log(1.6) * rng.normal(size=n)),
        )  # fmt: skip
        got = fit(bench.noisy(rng, clean), usual_strip(), USUAL_SOLE)
    assert got.ok.mean() > 0.99
    assert cover_90(got, lie) == pytest.approx(0.9, abs=0.025 if told else 0.04)
