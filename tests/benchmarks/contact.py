"""How honest is the 90 % interval of a club's contact, how wide, and what do verdicts get wrong.

    python tests/benchmarks/contact.py [--players 400]

Players are drawn here from plain distributions, spread 5 mm: normal; Student's t with 3 degrees of
freedom; a skewed gamma; and normal with 5 or 10 % mishits 15 to 40 mm away, to both sides or all to
one. For each number of swings: share of intervals that hold the true mean, their median half-width,
and that of Student's t on the same swings. Then players who stop as soon as a club is settled: how
many swings that took, and how often the verdict was wrong. The last line is JSON.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable

import numpy as np
from scipy.special import stdtrit

from analysis.statistics.contact_mean import ContactVerdict, contact_mean, judge

SPREAD_MM = 5.0
SIZES = (3, 4, 5, 6, 8, 10, 15, 20, 30)
TOLERANCE_MM = 300.0 * math.tan(math.radians(0.5))
Draw = Callable[[np.random.Generator, int], np.ndarray]


def mishits(share: float, one_sided: bool) -> Draw:
    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        x = rng.normal(0.0, SPREAD_MM, n)
        bad = rng.random(n) < share
        side = np.ones(n) if one_sided else rng.choice([-1.0, 1.0], n)
        return np.where(bad, side * rng.uniform(15, 40, n), x)

    return draw


POPULATIONS: dict[str, Draw] = {
    "normal": lambda rng, n: rng.normal(0.0, SPREAD_MM, n),
    "t3": lambda rng, n: rng.standard_t(3, n) * SPREAD_MM / math.sqrt(3),
    "skewed": lambda rng, n: (rng.gamma(6.0, 1.0, n) - 6.0) * SPREAD_MM / math.sqrt(6),
    "mishits_5_both": mishits(0.05, one_sided=False),
    "mishits_10_both": mishits(0.10, one_sided=False),
    "mishits_5_one": mishits(0.05, one_sided=True),
    "mishits_10_one": mishits(0.10, one_sided=True),
}


def coverage(draw: Draw, n: int, players: int, seed: int) -> tuple[float, float, float, float]:
    """Coverage and median half-width of ours, then of Student's t."""
    rng = np.random.default_rng([seed, n])
    held, t_held, half, t_half = 0, 0, [], []
    t = float(stdtrit(n - 1, 0.95))
    for _ in range(players):
        x = draw(rng, n)
        interval = contact_mean(x).interval_mm
        assert interval is not None
        held += interval.low <= 0 <= interval.high
        half.append(interval.half_width)
        t_half.append(t * x.std(ddof=1) / math.sqrt(n))
        t_held += abs(x.mean()) <= t_half[-1]
    return held / players, float(np.median(half)), t_held / players, float(np.median(t_half))


def stopping(off_mm: float, players: int, seed: int) -> dict[str, float]:
    """Swing by swing until settled, at most 30; a mishit in twenty."""
    rng = np.random.default_rng([seed, 77])
    draw = mishits(0.05, one_sided=False)
    swings, wrong, open_ = [], 0, 0
    for _ in range(players):
        x = off_mm + draw(rng, 30)
        verdict = ContactVerdict.NOT_SETTLED
        n = 2
        while verdict is ContactVerdict.NOT_SETTLED and n < 30:
            n += 1
            verdict = judge(contact_mean(x[:n]), tolerance_mm=TOLERANCE_MM).verdict
        swings.append(n)
        open_ += verdict is ContactVerdict.NOT_SETTLED
        right = ContactVerdict.CENTRED if abs(off_mm) < TOLERANCE_MM else ContactVerdict.TOE_DEEP
        wrong += verdict not in (right, ContactVerdict.NOT_SETTLED)
    return {
        "off_mm": off_mm,
        "median_swings": float(np.median(swings)),
        "wrong_percent": round(100 * wrong / players, 1),
        "not_settled_after_30_percent": round(100 * open_ / players, 1),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--players", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only-stopping", action="store_true")
    chosen = parser.parse_args()
    started = time.perf_counter()
    print(f"{'population':<16} {'n':>3} {'holds':>7} {'half':>7} {'t holds':>8} {'t half':>7}")
    table: dict[str, dict[str, list[float]]] = {}
    populations = {} if chosen.only_stopping else POPULATIONS
    for name, draw in populations.items():
        table[name] = {"holds_percent": [], "half_mm": [], "t_half_mm": []}
        for n in SIZES:
            held, half, t_held, t_half = coverage(draw, n, chosen.players, chosen.seed)
            print(
                f"{name:<16} {n:>3} {100 * held:>6.1f}% {half:>7.2f} {100 * t_held:>7.1f}% "
                f"{t_half:>7.2f}",
                flush=True,
            )
            table[name]["holds_percent"].append(round(100 * held, 1))
            table[name]["half_mm"].append(round(half, 2))
            table[name]["t_half_mm"].append(round(t_half, 2))
    stops = [
        stopping(off, max(chosen.players // 4, 10), chosen.seed) for off in (0.0, 3.5, 5.24, 10.5)
    ]
    for stop in stops:
        print(stop)
    rng = np.random.default_rng(0)
    clubs = [rng.normal(0, SPREAD_MM, 10) for _ in range(50)]
    before = time.perf_counter()
    for club in clubs:
        contact_mean(club)
    per_club_ms = 1e3 * (time.perf_counter() - before) / len(clubs)
    print(
        json.dumps(
            {
                "benchmark": "contact",
                "players": chosen.players,
                "sizes": SIZES,
                "coverage": table,
                "stopping": stops,
                "contact_mean_10_swings_ms": round(per_club_ms, 2),
                "seconds": round(time.perf_counter() - started, 1),
            }
        )
    )


if __name__ == "__main__":
    main()
