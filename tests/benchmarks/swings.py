"""Swings that the set model and the look ahead save against ten with every club.

Run ``python tests/benchmarks/swings.py [players]``; the last line is JSON. Each invented player has
eight irons: a level, a slope, clubs that scatter about the line, now and then one that stands off
it, strikes with mishits, and fatigue. Two ways to a bend sheet:

fixed: ten swings with every club;
led: two swings with every club, then `analysis.plan.next_club` says what to hit and when to stop.

Both end with `analysis.lie.set_model` and `analysis.plan.optimum`, which plan the set.

Wrong is a bend that left its club worse by more than 0.5 degrees, the error of the bend as carried
out included. At equal rates of wrong bends the two can be compared; what is left of the lie error
is printed beside it. Random numbers here only; no part of the product makes them.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from analysis.lie.club import Level, SoleArc, Stance
from analysis.lie.set_model import fit_set
from analysis.lie.set_types import SetClub, SetStrikes
from analysis.plan.decision import Outlook, swing_news
from analysis.plan.heads import Head
from analysis.plan.next_club import next_club
from analysis.plan.optimum import plan_set
from analysis.plan.types import PlanClub, PlanRow, PlanRules

PLAYERS = 1000
CLUBS = 8
FIXED = 10
FIRST_LOOK = 2
CAMBER = 300.0
U_MACHINE = 0.25
SOLE = SoleArc(CAMBER, 9.0, measured=True)
LEVEL = Level(0.0, 1.0)
STANCE = Stance(0.0, 1.0)


class Player:
    """One invented player with clubs, and swings on demand."""

    def __init__(self, seed: int) -> None:
        rng = self.rng = np.random.default_rng(seed)
        x = np.arange(CLUBS) - CLUBS // 2
        own = rng.normal(0, abs(rng.normal(0.25, 0.1)), CLUBS)
        off = rng.random(CLUBS) < 0.06
        self.error = rng.normal(0, 1.2) + rng.normal(0, 0.2) * x + own
        self.error = self.error + off * rng.choice([-1, 1], CLUBS) * rng.uniform(1.2, 3.0, CLUBS)
        self.scatter = float(np.exp(rng.normal(np.log(0.8), 0.25)))
        self.mishits = float(rng.uniform(0.0, 0.12))
        self.drift = float(rng.normal(0, 0.3)) / 50
        self.offset = float(rng.normal(0, LEVEL.u_mm))
        self.camber = CAMBER + rng.normal(0, SOLE.u_camber_mm, CLUBS)
        self.count = 0

    def swing(self, club: int) -> float:
        """Contact of one swing, mm."""
        rng = self.rng
        wide = rng.random() < self.mishits
        stray = rng.standard_t(4) * 3 if wide else rng.normal()
        error = self.error[club] + self.drift * (self.count - 40) + self.scatter * stray
        self.count += 1
        toe = -self.camber[club] * np.tan(np.radians(error)) + self.offset + rng.normal(0, 0.4)
        return round(float(toe) * 2) / 2


def fixed(player: Player, clubs: list[SetClub], plan: list[PlanClub]):
    """Bends and swings after ten swings with each club."""
    club = np.repeat(np.arange(CLUBS), FIXED)
    strikes = SetStrikes.of(club, [player.swing(i) for i in club])
    posterior = fit_set(clubs, strikes, level=LEVEL, stance=STANCE)
    return bends(planned(posterior, plan)), club.size


def bends(rows: Sequence[PlanRow]) -> np.ndarray:
    """Bends of a sheet."""
    return np.array([row.bend_deg for row in rows])


def planned(posterior, plan: list[PlanClub]) -> tuple[PlanRow, ...]:
    """Sheet of the whole set."""
    ready = [
        PlanClub(label=one.label, head=one.head, length_mm=one.length_mm, strikes=int(n))
        for one, n in zip(plan, posterior.strikes, strict=True)
    ]
    outlooks = [Outlook(swing_news(posterior, i)) for i in range(len(ready))]
    rules = PlanRules(u_machine_deg=U_MACHINE)
    return plan_set(ready, posterior.lie, rules, outlooks=outlooks).rows


def led(player: Player, clubs: list[SetClub], plan: list[PlanClub]):
    """Bends and swings of a led session."""
    club, toe = [], []
    # First look: two with each, pivot first; there is nothing to be led by before.
    for i in sorted(range(CLUBS), key=lambda i: abs(i - CLUBS // 2)):
        for _ in range(FIRST_LOOK):
            club.append(i)
            toe.append(player.swing(i))
    rules = PlanRules(u_machine_deg=U_MACHINE)
    while True:
        strikes = SetStrikes.of(club, toe)
        posterior = fit_set(clubs, strikes, level=LEVEL, stance=STANCE)
        rows = planned(posterior, plan)
        advice = next_club(posterior, plan, [row.decision for row in rows], rules)
        if advice.label is None:
            break
        i = posterior.labels.index(advice.label)
        for _ in range(advice.swings):
            club.append(i)
            toe.append(player.swing(i))
    return bends(rows), len(toe)


def one_player(seed: int) -> dict[str, tuple[int, int, float, int, float]]:
    """Bends, wrong ones, mean squared lie error after, swings, and the same before, by way."""
    clubs = [SetClub(f"{i + 3}i", 980 - 12.7 * i, sole=SOLE, lie_deg=62.0) for i in range(CLUBS)]
    plan = [PlanClub(c.label, Head.SOFT_FORGED, c.length_mm) for c in clubs]
    carried = np.random.default_rng([seed, 1]).normal(0, U_MACHINE, CLUBS)
    out = {}
    for name in ("fixed", "led"):
        player = Player(seed)
        truth = player.error
        if name == "fixed":
            bend, swings = fixed(player, clubs, plan)
        else:
            bend, swings = led(player, clubs, plan)
        after = truth + bend + carried * (bend != 0)
        wrong = int((np.abs(after) > np.abs(truth) + 0.5).sum())
        left, before = float((after**2).mean()), float((truth**2).mean())
        out[name] = (int((bend != 0).sum()), wrong, left, swings, before)
    return out


def main(players: int) -> None:
    """Print the figures."""
    start = time.perf_counter()
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        done = list(pool.map(one_player, range(players), chunksize=20))
    out = {"benchmark": "swings", "players": players}
    for name in ("fixed", "led"):
        bends, wrong, left, swings, before = np.array([one[name] for one in done]).T
        out[f"{name}_swings_mean"] = round(float(swings.mean()), 1)
        out[f"{name}_wrong_bends_percent"] = round(100 * float(wrong.sum() / bends.sum()), 2)
        out[f"{name}_bends_per_player"] = round(float(bends.mean()), 2)
        out[f"{name}_rms_lie_error_after_deg"] = round(float(np.sqrt(left.mean())), 3)
    out["rms_lie_error_before_deg"] = round(float(np.sqrt(before.mean())), 3)
    out["swings_share_percent"] = round(100 * out["led_swings_mean"] / (FIXED * CLUBS), 1)
    out["seconds"] = round(time.perf_counter() - start, 1)
    print(json.dumps(out))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else PLAYERS)
