"""All that a session says: against brute force, by its own budget, and with all that can be odd."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm
from scipy.stats import t as student

from analysis.footprint import press
from analysis.footprint.press import StripCells, read_press
from analysis.lie.model import Places, Prints, Priors
from analysis.lie.session import HeadFacts, LieEngine, SetUp, session_lies
from analysis.lie.set_line import LEVEL_DEG, OWN_DEG, Camber

CELLS = StripCells(32, 4.0)
TOLD = SetUp(stance_u_mm=1.0, stance_told=True)
KNOWN = Camber(300.0, 6.0)


def heads(n=3, camber=KNOWN):
    return [HeadFacts(f"{i + 5}i", camber, length_mm=965.0 - 12.7 * i) for i in range(n)]


def swings(lies, per=6, *, seed=0, depth=3.0, delivery=0.0, saturate=None, cells=CELLS):
    """Prints of soles as the model has them, and the true contact of each press."""
    rng = np.random.default_rng(seed)
    head = np.repeat(np.arange(len(lies)), per)
    n = head.size
    theta = np.zeros((press.SIZE, 1, n))
    theta[press.T, 0] = -300 * np.tan(np.radians(np.asarray(lies)[head] + rng.normal(0, 0.4, n)))
    theta[press.C, 0] = delivery + rng.normal(0, 4, n)
    theta[press.LOG_H] = 0.5 * math.log(2 * 300 * depth)
    theta[press.LOG_A] = math.log(600.0)
    theta[press.HEEL], theta[press.TOE], theta[press.HALF] = 5.0, 5.0, 39.0
    theta[press.EDGE_HEEL], theta[press.EDGE_TOE] = -2.4, -2.4
    theta[press.SHARE], theta[press.REACH], theta[press.HANG] = 0.1, 1.4, 0.4
    y = read_press(theta, cells, 1)[0][0].astype(float)
    y = np.round(y * (1 + 0.02 * rng.normal(size=y.shape)) + rng.normal(0, 1, y.shape))
    full = np.zeros(y.shape, bool) if saturate is None else y >= saturate
    if saturate is not None:
        y = np.minimum(y, saturate)
    return Prints(cells, y, np.full(y.shape, 1.1), full, head, 0.0), theta[press.T, 0]


def marks(value, head, u=1.0, audits=None):
    n = len(value)
    return Places(
        np.asarray(value, float), np.full(n, u), np.asarray(head), np.ones(n, bool),
        np.full(n, -1) if audits is None else np.asarray(audits),
    )  # fmt: skip


def test_three_marks_of_one_club_are_what_quadrature_says():
    # One club, marks only: contact T flat, marks t(5) about it, what reading has in common normal.
    value, priors = (
        np.array([-4.0, -6.5, -5.2]),
        Priors(marks_u_mm=0.5, curves=(0.0,) * 4, curves_u=(1e-3,) * 4),
    )
    got = session_lies([], marks(value, [0, 0, 0]), heads(1), TOLD, priors=priors)
    # With the scatter that the fit found, and a sole that is a circle.
    scatter = got.together.scatter.value / math.degrees(1 / 300.0)
    x = np.linspace(-8, 10, 1601)
    touched = -300 * np.tan(np.radians(x))
    log = np.zeros_like(x)
    common = np.linspace(-2, 2, 81)
    inside = np.zeros((x.size, common.size))
    for one in value:
        inside += student(5, scale=math.hypot(1.0, scatter)).logpdf(one - touched[:, None] - common)
    inside += norm.logpdf(common, 0, 0.5)
    log = np.log(np.exp(inside).sum(axis=1))
    prior = sum(
        sd * math.exp(-0.5 * (sd / 0.3) ** 2) * norm.pdf(x, 0, math.hypot(LEVEL_DEG, sd))
        for sd in OWN_DEG
    )
    weight = np.exp(log - log.max()) * prior
    weight /= weight.sum()
    mean = float(weight @ x)
    sd = math.sqrt(float(weight @ (x - mean) ** 2))
    lie = got.clubs[0].lie
    assert lie.lie_error_deg == pytest.approx(mean, abs=0.15 * sd)
    stance, camber = lie.components_deg["stance"], lie.components_deg["camber"]
    assert math.sqrt(lie.u_deg**2 - stance**2 - camber**2) == pytest.approx(sd, rel=0.2)


@pytest.fixture(scope="module")
def deep():
    prints, contact = swings([0.6, 0.0, -0.5], delivery=5.0)
    return session_lies([prints], None, heads(), TOLD), contact


def test_contact_and_lie_are_told_apart_where_ends_print(deep):
    got, contact = deep
    lies = np.array([club.lie.lie_error_deg for club in got.clubs])
    assert np.all(np.abs(lies - [0.6, 0.0, -0.5]) < 2.6 * got.together.lie.sd)
    assert got.together.offset_mm.value == pytest.approx(5.0, abs=3.0)
    off = got.strike_toe_mm - contact
    assert np.all(np.abs(off) < 4 * np.hypot(got.strike_toe_u_mm, 1.0))
    assert got.level_source.value == "both sole ends"


def test_budget_adds_up_to_the_interval_in_print(deep):
    got, _ = deep
    for place, club in enumerate(got.clubs):
        budget, interval = club.lie.budget, club.lie.interval_deg
        assert math.hypot(*(line.u_result for line in budget.lines)) == pytest.approx(budget.u)
        assert budget.factor * budget.u == pytest.approx((interval.high - interval.low) / 2)
        assert budget.value == club.lie.lie_error_deg
        assert sum(line.share for line in budget.lines) == pytest.approx(1)
        # One maker: what the set says is what the club says.
        assert club.lie.lie_error_deg == got.together.mean_deg[place]
        assert interval.low == got.together.low_deg[place]
        assert club.lie.u_deg == pytest.approx(got.together.lie.sd[place])


def test_more_swings_take_away_only_what_is_the_clubs_own(deep):
    got, _ = deep
    now, some, many = (got.u_after(1, n) for n in (0, 10, 10_000))
    assert now == pytest.approx(got.together.lie.sd[1], rel=0.01)
    assert many < some < now
    assert many > 0.3 * now


def test_offers_never_make_it_worse_and_stand_best_first(deep):
    got, _ = deep
    gains = [one.gain_deg for one in got.offers]
    assert gains == sorted(gains, reverse=True)
    assert min(gains) >= 0
    assert {"marks", "hit"} <= {one.what for one in got.offers}
    wide = session_lies(
        [], marks([-9.0] * 4, [0, 0, 1, 1]), heads(2, Camber()), SetUp(), priors=None
    )
    assert wide.offers[0].what == "stance"
    assert "rock" in {one.what for one in wide.offers}


def test_no_answer_on_the_stance_claims_no_level():
    prints, _ = swings([0.5, 0.5], per=4)
    told = session_lies([prints], None, heads(2), TOLD)
    untold = session_lies([prints], None, heads(2), SetUp())
    assert told.level_claimed
    assert not untold.level_claimed
    assert "feet" in untold.level_words
    assert untold.level_u_deg > told.level_u_deg + 0.4
    # Gaps are as good.
    gap = [np.diff(one.together.mean_deg)[0] for one in (told, untold)]
    assert gap[0] == pytest.approx(gap[1], abs=0.05)


def test_a_narrow_print_leaves_the_level_to_the_aim_and_marks_settle_it():
    prints, contact = swings([0.0, 0.0], per=4, depth=0.6, delivery=8.0)
    wide = session_lies([prints], None, heads(2), TOLD)
    assert not wide.level_claimed
    some = [0, 1, 4, 5]
    audited = marks(contact[some], prints.head[some], 0.7, some)
    settled = session_lies([prints], audited, heads(2), TOLD)
    assert settled.level_claimed
    assert settled.level_u_deg < 0.5 * wide.level_u_deg
    assert np.all(np.abs(settled.together.mean_deg) < 2.6 * settled.together.lie.sd)


def test_marks_put_right_what_prints_get_wrong_for_all_clubs():
    # What is shared by presses is not told by more of them; marks that all lie 2 mm beyond what
    # prints say measure it, and with it the other clubs: normal prior and normal data (Gelman et
    # al., Bayesian Data Analysis, 3rd ed., 2.5; formula from memory).
    prints, _ = swings([0.6, 0.0, -0.5], delivery=5.0)
    before = session_lies([prints], None, heads(), TOLD)
    some = np.arange(4)
    audited = marks(before.strike_toe_mm[some] + 2.0, prints.head[some], 1.0, some)
    after = session_lies([prints], audited, heads(), TOLD)
    p = Priors()
    told = 1.0**2 / 4 + p.marks_u_mm**2
    whole = before.clubs[0].contact_u_mm ** 2 - before.clubs[0].own_contact_u_mm ** 2
    shared = whole - p.head_floor_u_mm**2
    assert shared > p.floor_u_mm**2
    moved = [b.contact_mm - a.contact_mm for a, b in zip(before.clubs, after.clubs, strict=True)]
    assert moved[0] == pytest.approx(2 * whole / (whole + told), abs=0.2)
    # Of what the model gets wrong all is shared but the heads' own part; of the rest, some.
    low, high = 2 * p.floor_u_mm**2 / (whole + told), 2 * shared / (whole + told)
    less = before.clubs[1].contact_u_mm ** 2 - after.clubs[1].contact_u_mm ** 2
    assert all(low < one < high for one in moved[1:])
    assert less == pytest.approx(shared**2 / (whole + told), rel=0.2)
    second = np.asarray(prints.head) == 1
    places = (after.strike_toe_mm - before.strike_toe_mm)[second]
    assert places == pytest.approx(np.full(second.sum(), moved[1]), abs=0.3)


def test_the_order_of_arrival_does_not_matter():
    prints, _ = swings([0.4, -0.4], per=4, seed=3)
    order = np.random.default_rng(0).permutation(8)
    mixed = Prints(
        CELLS, prints.counts[order], prints.variance[order], prints.saturated[order],
        prints.head[order], 0.0,
    )  # fmt: skip
    one, other = (session_lies([p], None, heads(2), TOLD) for p in (prints, mixed))
    np.testing.assert_allclose(one.strike_toe_mm[order], other.strike_toe_mm, atol=0.15)
    np.testing.assert_allclose(one.together.mean_deg, other.together.mean_deg, atol=0.03)


def test_a_press_more_says_what_fitting_all_again_says():
    prints, _ = swings([0.5, 0.1, -0.4, 0.0], per=7, delivery=3.0, seed=5)
    # In the order struck: round and round the clubs.
    order = np.argsort(np.tile(np.arange(7), 4), kind="stable")

    def first(n):
        some = order[:n]
        return [Prints(CELLS, prints.counts[some], prints.variance[some], prints.saturated[some],
                       prints.head[some], 0.0)]  # fmt: skip

    engine = LieEngine()
    engine.lies(first(26), None, heads(4), TOLD)
    whole = engine._known.fitted
    engine.lies(first(27), None, heads(4), TOLD)
    more = engine.lies(first(28), None, heads(4), TOLD)
    assert engine._known.fitted == whole == 26
    again = session_lies(first(28), None, heads(4), TOLD)
    sd = again.together.lie.sd
    assert np.all(np.abs(more.together.mean_deg - again.together.mean_deg) < 0.4 * sd)
    np.testing.assert_allclose(more.together.lie.sd, sd, rtol=0.2)
    u = np.hypot(again.strike_toe_u_mm, 0.5)
    assert np.all(np.abs(more.strike_toe_mm - again.strike_toe_mm) < u)
    assert [club.strikes for club in more.clubs] == [7, 7, 7, 7]
    # Anything else than a press more is fitted whole: a press taken back, another aim.
    engine.lies(first(27), None, heads(4), TOLD)
    assert engine._known.fitted == 27
    aim = SetUp(delivery_mm=9.0, delivery_u_mm=1.0, stance_told=True)
    other = engine.lies(first(28), None, heads(4), aim)
    assert engine._known.fitted == 28
    assert other.together.offset_mm.value > more.together.offset_mm.value


def one_strike():
    return [swings([0.3], per=1)[0]], None, 1


def only_readings():
    q = Places(np.array([2.0, 5.0, 3.0]), np.ones(3), np.array([0, 0, 1]), np.zeros(3, bool),
               np.full(3, -1))  # fmt: skip
    return [], q, 2


def several_boards():
    other = StripCells(24, 5.0)
    return [swings([0.3, 0.1], 3)[0], swings([0.3, 0.1], 3, cells=other, seed=1)[0]], None, 2


def dead_cell():
    prints, _ = swings([0.3, 0.0], 3)
    prints.variance[:, 9] = np.inf
    prints.counts[:, 9] = 0.0
    return [prints], None, 2


def saturated():
    return [swings([0.3, 0.0], 3, saturate=450.0)[0]], None, 2


def noise_only():
    prints, _ = swings([0.3, 0.0], 3)
    prints.counts[0] = np.random.default_rng(0).uniform(0, 600, 32).round()
    return [prints], None, 2


def marks_that_contradict():
    prints, contact = swings([0.0, 0.0], per=4)
    return [prints], marks(contact[:3] + 8.0, prints.head[:3], 1.0, [0, 1, 2]), 2


@pytest.mark.parametrize(
    "make",
    [
        one_strike, only_readings, several_boards, dead_cell, saturated, noise_only,
        marks_that_contradict,
    ],
)  # fmt: skip
def test_whatever_comes_gives_numbers_with_doubt(make):
    prints, places, n = make()
    got = session_lies(prints, places, heads(n), TOLD)
    post = got.together
    for values in (post.mean_deg, post.low_deg, post.high_deg, post.shown_cov, post.new_u_deg):
        assert np.isfinite(values).all()
    assert np.all(post.low_deg < post.mean_deg)
    assert np.all(post.mean_deg < post.high_deg)
    assert np.all(post.lie.sd > 0.05)


def test_nothing_struck_is_the_prior_and_a_cell_pattern_of_no_sole_is_named():
    got = session_lies([], None, heads(2), TOLD)
    assert [club.lie for club in got.clubs] == [None, None]
    assert got.together.lie.sd.min() > 2
    prints, places, n = noise_only()
    odd = session_lies(prints, places, heads(n), TOLD)
    assert "not that of a sole" in odd.strike_reason[0]
    assert odd.strike_reason[1:] == ("",) * 5


@pytest.mark.parametrize(
    ("change", "words"),
    [({"confidence": 1.0}, "confidence"), ({"set_up": SetUp(delivery_u_mm=0.0)}, "uncertainties")],
)
def test_what_makes_no_sense_is_one_line(change, words):
    with pytest.raises(ValueError, match=words):
        session_lies([], None, heads(1), **change)
