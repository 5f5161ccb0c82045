"""The bend plan against trying everything, against a general solver, and its time.

Run ``python tests/benchmarks/plan_exact.py``; the last line is JSON. 500 random sets of 5 clubs and
9 bends are planned and compared with all 9^5 ways; sets of 14 clubs with 33 bends are compared with
scipy.optimize.milp (HiGHS), in which the same problem is exactly linear: one 0/1 variable per club
and bend; the times of both solvers are without making the tables. Times are CPU times.
"""

from __future__ import annotations

import json
import time
from dataclasses import replace

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array
from scipy.special import ndtr, owens_t

from analysis.lie.belief import Belief
from analysis.plan.chain import Limit, best_chain
from analysis.plan.heads import Head
from analysis.plan.optimum import plan_set
from analysis.plan.types import ClashError, PlanClub, PlanRules

SMALL = 500
LARGE = 12
TIMED = 40
HEADS = (Head.SOFT_FORGED, Head.CAST, Head.HARD_OR_UNKNOWN)


def scene(rng, n, spread=1.2):
    """A random set with everything that a plan has to heed."""
    lies = 60 + 0.5 * np.arange(n) + rng.normal(0, 0.4, n)
    clubs = [
        PlanClub(
            label=f"c{i}",
            head=HEADS[rng.choice(3, p=[0.7, 0.2, 0.1])],
            length_mm=980 - 12.7 * i,
            lie_deg=None if rng.random() < 0.05 else round(float(lies[i]) * 4) / 4,
            camber_mm=300.0,
            metres_per_deg=-float(rng.uniform(0.8, 2.0)),
            strikes=int(rng.integers(2, 9)),
            wanted=float(rng.normal(0, 0.3)),
            past_bends_deg=(0.5,) if rng.random() < 0.2 else (),
            maker_limit_deg=4.0 if rng.random() < 0.3 else None,
            locked=rng.random() < 0.1,
            must_bend_deg=0.5 if rng.random() < 0.03 else None,
        )
        for i in range(n)
    ]
    root = rng.normal(0, 0.2, (n, n))
    belief = Belief.normal(rng.normal(0, spread, n), root @ root.T + 0.05 * np.eye(n))
    return clubs, belief


def both_below(h, k, rho):
    """P(X < h, Y < k) of two standard normals: Owen, Ann. Math. Statist. 27 (1956) 1075-1090."""
    h, k = h + 1e-15, k + 1e-15
    root = np.sqrt(1 - rho**2)
    signs = np.where(h * k > 0, 0.0, np.where((h * k == 0) & (h + k >= 0), 0.0, 0.5))
    t = owens_t(h, (k / h - rho) / root) + owens_t(k, (h / k - rho) / root)
    return (ndtr(h) + ndtr(k)) / 2 - t - signs


def tables(clubs, belief, rules):
    """Cost of each bend and which are allowed, written out once more from the definitions."""
    m = round(rules.range_deg / rules.increment_deg)
    grid = np.arange(-m, m + 1) * rules.increment_deg
    cost = np.full((len(clubs), grid.size), np.inf)
    u, w = rules.u_machine_deg, rules.worse_deg
    for i, club in enumerate(clubs):
        sd = np.sqrt(belief.covariance[i, i])
        d = belief.mean[i] - club.wanted
        limit = rules.limits[club.head].total_deg
        limit = limit if club.maker_limit_deg is None else club.maker_limit_deg
        room = max(0.0, limit - sum(abs(b) for b in club.past_bends_deg))
        # Carried out is c ~ N(b, u); with z = d + c / 2 all chances are quadrants of (c, z).
        z, sz = d + grid / 2, np.hypot(sd, u / 2)
        rho = u / 2 / sz
        better = both_below(grid / u, -z / sz, -rho) + both_below(-grid / u, z / sz, -rho)
        worse = both_below((grid - w) / u, (z - w / 2) / sz, rho)
        worse = worse + both_below((-w - grid) / u, (-w / 2 - z) / sz, rho)
        carried = (better >= rules.p_needed) & (worse <= rules.p_worse)
        carried = (carried & (club.strikes >= rules.fewest_strikes)) | (grid == 0)
        if club.must_bend_deg is not None:
            carried = abs(grid - club.must_bend_deg) < 1e-9
        ok = carried & (abs(grid) <= room + 1e-9) & ((grid == 0) | (not club.locked))
        loss = (d + grid) ** 2 + sd**2 + (grid != 0) * (u**2 + rules.charge_deg**2)
        cost[i, ok] = (club.metres_per_deg**2 * loss)[ok]
    return grid, cost


def step_limits(clubs, rules):
    """(low, high) of the change bend[i+1] - bend[i] for each pair whose lies are known."""
    out = {}
    for i in range(len(clubs) - 1):
        a, b = clubs[i].lie_deg, clubs[i + 1].lie_deg
        if a is not None and b is not None:
            before = b - a
            low, high = rules.step_deg
            out[i] = (min(low, before) - before, max(high, before) - before)
    return out


def everything(clubs, belief, rules):
    """Least objective over all ways; None if there is none."""
    grid, cost = tables(clubs, belief, rules)
    n = len(clubs)
    total = np.zeros((1,) * n)
    for i in range(n):
        shape = [1] * n
        shape[i] = grid.size
        total = total + cost[i].reshape(shape)
    for i, (low, high) in step_limits(clubs, rules).items():
        change = grid[None, :] - grid[:, None]
        bad = np.where((change < low - 1e-9) | (change > high + 1e-9), np.inf, 0.0)
        shape = [1] * n
        shape[i] = shape[i + 1] = grid.size
        total = total + bad.reshape(shape)
    best = total.min()
    return float(best) if np.isfinite(best) else None


def general(clubs, belief, rules):
    """The same as a mixed integer linear programme; objective and seconds of the solver."""
    grid, cost = tables(clubs, belief, rules)
    n, m = cost.shape
    allowed = np.isfinite(cost)
    rows, cols, values, low, high = [], [], [], [], []
    for i in range(n):
        rows += [i] * m
        cols += range(i * m, (i + 1) * m)
        values += [1.0] * m
        low.append(1.0)
        high.append(1.0)
    for i, (a, b) in step_limits(clubs, rules).items():
        rows += [len(low)] * (2 * m)
        cols += range(i * m, (i + 2) * m)
        values += [*(-grid), *grid]
        low.append(a - 1e-9)
        high.append(b + 1e-9)
    matrix = csr_array((values, (rows, cols)), shape=(len(low), n * m))
    start = time.process_time()
    found = milp(
        np.where(allowed, cost, 0).ravel(),
        constraints=LinearConstraint(matrix, low, high),
        integrality=np.ones(n * m),
        bounds=Bounds(0, allowed.ravel().astype(float)),
        options={"mip_rel_gap": 0.0},
    )
    seconds = time.process_time() - start
    return (float(found.fun) if found.success else None), seconds


def chain_only(clubs, belief, rules):
    """CPU seconds of the dynamic programme on the same tables, which the solver gets for free."""
    grid, cost = tables(clubs, belief, rules)
    change = grid[None, :] - grid[:, None]
    limits = [Limit("own", i, np.isfinite(row)) for i, row in enumerate(cost)]
    for i, (low, high) in step_limits(clubs, rules).items():
        limits.append(Limit("step", i, (change >= low - 1e-9) & (change <= high + 1e-9)))
    start = time.process_time()
    for _ in range(10):
        best_chain(np.where(np.isfinite(cost), cost, 0.0), limits)
    return (time.process_time() - start) / 10


def mixture(rng, belief, parts=150):
    """A belief of many parts about the same means, as the set model gives it."""
    n = belief.mean.size
    mean = belief.mean + rng.normal(0, 0.1, (parts, n))
    sd = np.sqrt(np.diag(belief.covariance)) * rng.uniform(0.7, 1.3, (parts, n))
    weight = np.full(parts, 1 / parts)
    return Belief(belief.mean, belief.covariance, weight, mean, sd, np.full(n, np.inf))


def main() -> None:
    """Print the figures."""
    rng = np.random.default_rng(20)
    small = PlanRules(increment_deg=0.5, range_deg=2.0)
    equal = clashes = touched = 0
    worst = 0.0
    for _ in range(SMALL):
        clubs, belief = scene(rng, 5)
        best = everything(clubs, belief, small)
        try:
            plan = plan_set(clubs, belief, small)
        except ClashError:
            equal += best is None
            clashes += 1
            continue
        touched += any(row.bend_deg for row in plan.rows)
        gap = abs(plan.objective - best) if best is not None else np.inf
        worst = max(worst, gap)
        equal += gap < 1e-6
    fine = PlanRules(increment_deg=0.25, range_deg=4.0)
    same, ratios, solver = 0, [], []
    for _ in range(LARGE):
        clubs, belief = scene(rng, 14)
        best, seconds = general(clubs, belief, fine)
        try:
            mine = plan_set(clubs, belief, fine).objective
        except ClashError:
            mine = None
        took = chain_only(clubs, belief, fine)
        same += (mine is None) == (best is None) and (best is None or abs(mine - best) < 1e-6)
        ratios.append(seconds / took)
        solver.append(seconds)
    times, mixed = [], []
    for _ in range(TIMED):
        clubs, belief = scene(rng, 14)
        clubs = [replace(c, must_bend_deg=None) for c in clubs]
        for one, into in ((belief, times), (mixture(rng, belief), mixed)):
            start = time.process_time()
            plan_set(clubs, one, fine)
            into.append(time.process_time() - start)
    print(
        json.dumps(
            {
                "benchmark": "plan_exact",
                "equal_to_exhaustive_percent": round(100 * equal / SMALL, 2),
                "worst_gap": worst,
                "clashes": clashes,
                "sets_with_bends": touched,
                "equal_to_milp": f"{same}/{LARGE}",
                "milp_ms_median": round(1e3 * float(np.median(solver)), 1),
                "chain_times_faster_than_milp_median": round(float(np.median(ratios)), 1),
                "plan_14_clubs_cpu_ms_median": round(1e3 * float(np.median(times)), 1),
                "plan_14_clubs_mixture_cpu_ms_median": round(1e3 * float(np.median(mixed)), 1),
            }
        )
    )


if __name__ == "__main__":
    main()
