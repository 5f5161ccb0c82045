"""The player's miss pattern: published beta-binomial figures, and when a bias may be proposed."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from analysis.plan.misses import (
    ClubMisses,
    MissRules,
    p_share_above_half,
    propose_bias,
    shrink_shares,
)

# Tumours among groups of rats: Tarone, Biometrics 38 (1982) 215-220; Gelman et al., Bayesian Data
# Analysis, table 5.1, both from memory. That mean and sd below are the printed 0.136 and 0.103
# speaks for every entry.
RATS = """
0/20 0/20 0/20 0/20 0/20 0/20 0/20 0/19 0/19 0/19 0/19 0/18 0/18 0/17 1/20 1/20 1/20 1/20 1/19 1/19
1/18 1/18 2/25 2/24 2/23 2/20 2/20 2/20 2/20 2/20 2/20 1/10 5/49 2/19 5/46 3/27 2/17 7/49 7/47 3/20
3/20 2/13 9/48 10/50 4/20 4/20 4/20 4/20 4/20 4/20 4/20 10/48 4/19 4/19 4/19 5/22 11/46 12/49 5/20
5/20 6/23 5/19 6/22 6/20 6/20 6/20 16/52 15/47 15/46 9/24
"""


def rats():
    pairs = [entry.split("/") for entry in RATS.split()]
    return [int(a) for a, _ in pairs], [int(b) for _, b in pairs]


def test_the_table_is_the_printed_one():
    hits, trials = rats()
    share = [a / b for a, b in zip(hits, trials, strict=True)]
    mean = sum(share) / len(share)
    assert len(share) == 70
    assert mean == pytest.approx(0.136, abs=5e-4)
    spread = math.sqrt(sum((s - mean) ** 2 for s in share) / (len(share) - 1))
    assert spread == pytest.approx(0.103, abs=5e-4)


def test_beta_binomial_shares_of_the_rats():
    # BDA 5.3: with the current group 4/14, posterior means of alpha and beta about 2.4 and 14.3.
    hits, trials = rats()
    fit = shrink_shares([*hits, 4], [*trials, 14])
    assert fit.alpha == pytest.approx(2.4, abs=0.15)
    assert fit.beta == pytest.approx(14.3, abs=0.9)
    # A raw 0/20 is drawn up and 4/14 = 0.286 down, toward 0.14.
    assert 0.04 < fit.mean[0] < 0.09
    assert 0.17 < fit.mean[-1] < 0.24


def test_one_share_is_the_betas_tail():
    for hits, trials in ((3, 10), (9, 10), (5, 10), (0, 0)):
        expected = stats.beta.sf(0.5, hits + 1, trials - hits + 1)
        assert p_share_above_half(hits, trials) == pytest.approx(expected, abs=1e-12)


def irons(pairs, per_deg=-1.5):
    return [
        ClubMisses(f"{i + 3}i", left, right, 980 - 12.7 * i, per_deg, 12.0)
        for i, (left, right) in enumerate(pairs)
    ]


def test_a_player_who_misses_left_gets_a_bias_right_that_grows_from_the_pivot():
    pairs = [(16, 3), (15, 4), (14, 3), (13, 5), (12, 4), (11, 4)]
    found = propose_bias(irons(pairs), pivot="6i", rules=MissRules(most_deg=3.0))
    assert found.p_right < 0.02
    assert found.is_proposed
    biases = [club.bias_m for club in found.clubs]
    assert biases[0] > biases[1] > 0
    assert biases[3:] == [0.0, 0.0, 0.0]
    # Right of the target for a right-hander is too flat.
    assert all(club.bias_deg < 0 for club in found.clubs[:2])
    assert found.clubs[0].bias_deg * -1.5 == pytest.approx(biases[0])
    assert "unless you ask" in found.why


def test_for_a_left_hander_the_same_miss_asks_for_the_other_bend():
    pairs = [(16, 3), (15, 4), (14, 3), (13, 5), (12, 4), (11, 4)]
    right = propose_bias(irons(pairs, -1.5), pivot="6i").clubs[0]
    left = propose_bias(irons(pairs, 1.5), pivot="6i").clubs[0]
    assert right.bias_m == pytest.approx(left.bias_m)
    assert right.bias_deg == pytest.approx(-left.bias_deg)
    assert "flat" in right.why
    assert "upright" in left.why


def test_no_side_no_proposal():
    even = propose_bias(irons([(8, 9), (7, 6), (9, 9), (5, 6)]))
    assert not even.is_proposed
    assert "are needed" in even.why
    few = propose_bias(irons([(3, 0), (4, 0), (3, 0)]))
    assert not few.is_proposed
    assert "20 are the least" in few.why


def test_nobody_without_a_side_is_often_told_to_bend():
    # 200 players whose misses have no side: at 95 % a proposal comes to few of them.
    rng = stats.binom(18, 0.5)
    draws = rng.rvs((200, 6), random_state=3)
    told = sum(
        propose_bias(irons([(18 - int(r), int(r)) for r in row])).is_proposed for row in draws
    )
    assert told / 200 < 0.12


def test_the_bias_is_capped_and_small_ones_are_left_out():
    strong = [(30, 0)] * 6
    capped = propose_bias(irons(strong, per_deg=-1.0), pivot="6i").clubs[0]
    assert capped.bias_deg == pytest.approx(-1.0)
    assert "held at" in capped.why
    mild = propose_bias(irons([(20, 12)] * 6), rules=MissRules(least_m=5.0), pivot="6i")
    assert not mild.is_proposed


def test_without_loft_metres_stay_metres():
    clubs = [ClubMisses(f"{i}", 20, 4) for i in range(5)]
    found = propose_bias(clubs)
    assert found.is_proposed
    assert found.clubs[0].bias_deg is None
    assert "without its loft" in found.clubs[0].why


def test_one_length_and_one_club():
    same = [ClubMisses(f"{i}", 20, 2, 940.0, -1.5) for i in range(4)]
    assert [c.taper for c in propose_bias(same).clubs] == [1.0] * 4
    alone = propose_bias([ClubMisses("7i", 30, 2, 940.0, -1.5)])
    assert alone.is_proposed


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ClubMisses("7i", -1, 2), "negative"),
        (lambda: ClubMisses("7i", 1, 2, miss_m=0.0), "miss_m"),
        (lambda: propose_bias([]), "at least one"),
        (lambda: propose_bias([ClubMisses("a", 1, 1)], pivot="7i"), "pivot"),
        (lambda: shrink_shares([3], [2]), "between 0"),
        (lambda: MissRules(p_needed=1.0), "p_needed"),
    ],
)
def test_bad_input_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
