"""The chain's optimum and its smallest clash, against trying everything."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from analysis.plan.chain import Limit, best_chain, smallest_clash


def random_limits(rng, n, m, tight):
    limits = []
    for i in range(n):
        limits.append(Limit(f"own {i}", i, rng.random(m) < tight))
        if rng.random() < 0.3:
            limits.append(Limit(f"wish {i}", i, rng.random(m) < tight))
        if i + 1 < n:
            limits.append(Limit(f"pair {i}", i, rng.random((m, m)) < tight))
    return limits


def holds(limits, choice):
    return all(
        limit.allowed[choice[limit.at]]
        if limit.allowed.ndim == 1
        else limit.allowed[choice[limit.at], choice[limit.at + 1]]
        for limit in limits
    )


def test_the_least_cost_is_that_of_all_ways():
    rng = np.random.default_rng(1)
    none = 0
    for _ in range(120):
        n, m = int(rng.integers(1, 5)), int(rng.integers(2, 5))
        cost = rng.normal(size=(n, m))
        limits = random_limits(rng, n, m, 0.6)
        ways = [w for w in itertools.product(range(m), repeat=n) if holds(limits, w)]
        found = best_chain(cost, limits)
        if not ways:
            assert found is None
            none += 1
            continue
        least = min(sum(cost[i, k] for i, k in enumerate(way)) for way in ways)
        assert found is not None
        assert found[1] == pytest.approx(least)
        assert holds(limits, found[0])
    assert 10 < none < 110


def test_the_smallest_clash_is_smallest_and_clashes():
    rng = np.random.default_rng(2)
    sizes = set()
    for _ in range(60):
        n, m = 4, 3
        limits = random_limits(rng, n, m, 0.5)
        found = smallest_clash(n, limits)
        free = np.zeros((n, m))
        if best_chain(free, limits) is not None:
            assert found == ()
            continue
        assert best_chain(free, [limits[k] for k in found]) is None
        # No smaller set clashes.
        for size in range(1, len(found)):
            for chosen in itertools.combinations(limits, size):
                assert best_chain(free, chosen) is not None
        sizes.add(len(found))
    assert len(sizes) >= 3


def test_no_limits_at_all():
    assert smallest_clash(3, []) == ()
    choice, least = best_chain(np.array([[3.0, 1.0], [2.0, 5.0]]), [])
    assert (choice.tolist(), least) == ([1, 0], 3.0)
