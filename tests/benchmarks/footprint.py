"""What the lie engine is worth on prints drawn from its own model, all unknowns from the priors.

    OMP_NUM_THREADS=1 python tests/benchmarks/footprint.py [--sessions 24] [--swings 8]
    OMP_NUM_THREADS=1 python tests/benchmarks/footprint.py --exact 24

Presses of eight heads are drawn with the player's delivery, heads, cover and gains from
`analysis.lie.model.Priors`, noise as stated there. Scored: contacts of the heads and the mean
delivery, rms over what is stated (z, 1 is honest) and share of 90 % intervals that hold.

``--exact`` takes single presses and holds the contact that the engine finds against draws from the
very posterior, told nothing either: Metropolis by differences between chains (ter Braak, Statistics
and Computing 16 (2006) 239-249), which knows densities only and shares no algebra with the engine.
Scored: rms error over that of the exact mean, stated deviation over the exact one, and share of
90 % intervals that hold. The last line is JSON.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace

import numpy as np

from analysis.footprint import press
from analysis.footprint.press import StripCells, read_press
from analysis.lie.model import HeadShape, Prints, Priors
from analysis.lie.search import Joint

_CELLS = StripCells(32, 4.0)
_HEADS = 8


def draw(seed: int, swings: int) -> tuple[Prints, np.ndarray, float, np.ndarray]:
    """Prints, true contacts of the heads, the true delivery, and each press's contact."""
    rng, p = np.random.default_rng(seed), Priors()
    head = np.repeat(np.arange(_HEADS), swings)
    n = head.size

    def alike(mean: float, u: float) -> np.ndarray:
        own = np.sqrt(1 - p.alike) * rng.normal(size=_HEADS)
        return (mean + u * (np.sqrt(p.alike) * rng.normal() + own))[head]

    theta = np.zeros((press.SIZE, 1, n))
    delivery = 6.0 * rng.normal()
    contact = 5.0 * rng.normal() + 2.0 * rng.normal(size=_HEADS)
    depth = np.exp(rng.uniform(np.log(0.6), np.log(4.0)) + 0.15 * rng.normal(size=n))
    theta[press.T, 0] = contact[head] + p.contact_scatter_mm * 0.8 * rng.standard_t(5, n)
    theta[press.C, 0] = delivery + p.scatter_mm * 0.8 * rng.standard_t(5, n)
    theta[press.LOG_H, 0] = 0.5 * np.log(2 * 282.5 * depth)
    theta[press.LOG_A, 0] = np.log(1000 * depth)
    theta[press.HEEL, 0] = alike(p.ground_mm, p.ground_u_mm)
    theta[press.TOE, 0] = alike(p.ground_mm, p.ground_u_mm)
    theta[press.HALF, 0] = 39 + 1.5 * rng.normal(size=_HEADS)[head]
    for end in (press.EDGE_HEEL, press.EDGE_TOE):
        theta[end, 0] = alike(np.log(p.edge_radius_mm / 282.5), p.edge_log_u)
    for curve, value, u in zip(range(press.CURVES), p.curves, p.curves_u, strict=True):
        theta[press.CURVE + curve, 0] = alike(value, u)
    theta[press.POWER] = p.power + p.power_u * rng.normal()
    theta[press.SHARE] = np.clip(p.share + p.share_u * rng.normal(), 0, 0.6)
    theta[press.REACH] = np.log(p.reach_mm) + p.reach_log_u * rng.normal()
    theta[press.OUTWARD] = p.outward_u_mm * rng.normal()
    theta[press.ASIDE, 0] = p.aside_u_mm * rng.normal() + p.middle_u_mm * rng.normal(size=8)[head]
    theta[press.HANG] = np.log(p.hang_mm) + p.hang_log_u * rng.normal()
    for warp in range(press.WARP, press.SIZE):
        theta[warp] = p.warp_u * rng.normal()
    y = read_press(theta, _CELLS, 1)[0][0].astype(float)
    y *= (1 + 0.05 * rng.normal(size=32)) * (1 + 0.03 * rng.normal(size=y.shape))
    peak = y.max(axis=1, keepdims=True)
    # The misfit that heads' presses share is left to the posterior's caution.
    y = np.round(y + p.peak_noise * peak * rng.normal(size=y.shape) + rng.normal(0, 2, y.shape))
    variance = np.full(y.shape, 4.1)
    return (
        Prints(_CELLS, y, variance, np.zeros(y.shape, bool), head, 0.0),
        contact,
        delivery,
        theta[press.T, 0],
    )


def exact(prints: Prints, steps: int, rng: np.random.Generator) -> tuple[float, float]:
    """Mean and deviation of the contact of one press by Metropolis among chains."""
    p, chains, cells = Priors(), 120, _CELLS.cells
    ends = len(p.curves)
    # Contact, place, depth and size of the press; delivery and the head's own; head; cover; design.
    columns = [
        press.T, press.C, press.LOG_H, press.LOG_A, press.HEEL, press.TOE, press.HALF,
        press.EDGE_HEEL, press.EDGE_TOE, *range(press.CURVE, press.CURVE + ends), press.POWER,
        press.SHARE, press.REACH, press.HANG, press.OUTWARD, press.ASIDE,
        *range(press.WARP, press.SIZE),
    ]  # fmt: skip
    edge, bumps = np.log(p.edge_radius_mm / 282.5), press.SIZE - press.WARP
    h0 = 0.5 * np.log(2 * 282.5 * p.depth_mm)
    top = max(float(prints.counts.max()), 1.0)
    mean = np.array([
        0.0, 0.0, h0, np.log(top), p.ground_mm, p.ground_mm, 39.0, edge, edge, *p.curves, p.power,
        p.share, np.log(p.reach_mm), np.log(p.hang_mm), 0.0, 0.0, *[0.0] * bumps,
    ])  # fmt: skip
    u = np.array([
        100.0, np.inf, p.depth_log_u, 100.0, p.ground_u_mm, p.ground_u_mm, 1.5, p.edge_log_u,
        p.edge_log_u, *p.curves_u, p.power_u, p.share_u, p.reach_log_u, p.hang_log_u,
        p.outward_u_mm, np.hypot(p.aside_u_mm, p.middle_u_mm), *[p.warp_u] * bumps,
    ])  # fmt: skip
    about_u = np.hypot(p.delivery_u_mm, p.head_delivery_u_mm)
    peak = prints.counts.max()
    part = p.peak_noise**2 + p.misfit**2
    y = prints.counts[0]
    var = prints.variance[0] + part * peak**2 + (prints.gain_u * y) ** 2
    n = mean.size

    def log(x: np.ndarray) -> np.ndarray:
        theta = np.zeros((press.SIZE, len(x), 1))
        theta[columns, :, 0] = x[:, :n].T
        model = read_press(theta, _CELLS, 1)[0][:, 0] * (1 + x[:, n + 1 :])
        z2 = (y - model) ** 2 / var
        found = -3.0 * np.log1p(z2 / 5).sum(axis=1)
        found -= 0.5 * (((x[:, :n] - mean) / u) ** 2).sum(axis=1)
        found -= 0.5 * (x[:, n] / about_u) ** 2
        found -= 0.5 * ((x[:, n + 1 :] / prints.shared_gain_u) ** 2).sum(axis=1)
        found -= 3.0 * np.log1p(((x[:, 1] - x[:, n]) / p.scatter_mm) ** 2 / 5)
        inside = (np.abs(x[:, 0]) < 42) & (x[:, columns.index(press.SHARE)] >= 0)
        return np.where(inside & (x[:, columns.index(press.SHARE)] <= 0.6), found, -np.inf)

    # From everywhere that puts the lowest point where the cells are.
    middle = _CELLS.points.reshape(-1, press.POINTS_PER_CELL)[:, 1]
    lowest = float((np.maximum(y, 0) @ middle) / np.maximum(y, 0).sum())
    x = np.zeros((chains, n + 1 + cells))
    x[:, :n] = mean + np.where(np.isfinite(u) & (u < 50), u, 0.05) * rng.normal(size=(chains, n))
    x[:, 0] = rng.uniform(-15, 15, chains)
    x[:, 1] = lowest - x[:, 0]
    x[:, n] = x[:, 1] + 3 * rng.normal(size=chains)
    x[:, n + 1 :] = prints.shared_gain_u * rng.normal(size=(chains, cells))
    share = columns.index(press.SHARE)
    x[:, share] = np.clip(x[:, share], 0.01, 0.55)
    now, kept = log(x), []
    for step in range(steps):
        one, other = (rng.permutation(chains) for _ in (0, 1))
        some = rng.random((chains, x.shape[1])) < rng.choice([0.05, 0.2, 1.0])
        wide = 2.38 / np.sqrt(2 * np.maximum(some.sum(axis=1, keepdims=True), 1))
        wide = wide * (1.0 if step % 10 else 0.0) + (0.0 if step % 10 else 0.98)
        moved = x + some * wide * (x[one] - x[other]) + 1e-4 * rng.normal(size=x.shape)
        there = log(moved)
        takes = np.log(rng.random(chains)) < there - now
        x[takes], now[takes] = moved[takes], there[takes]
        if step >= steps // 2 and step % 5 == 0:
            kept.append(x[:, 0].copy())
    every = np.concatenate(kept)
    return float(every.mean()), float(every.std())


def against_exact(number: int, seed: int, steps: int) -> dict[str, float]:
    """Single presses, engine against the exact posterior."""
    rows = []
    for one in range(seed, seed + number):
        prints, _, _, contact = draw(one, 1)
        alone = replace(
            prints, counts=prints.counts[:1], variance=prints.variance[:1],
            saturated=prints.saturated[:1], head=prints.head[:1],
        )  # fmt: skip
        got = Joint([alone], None, [HeadShape()]).fit()
        w = np.exp(got.log_weight - got.log_weight.max())
        w /= w.sum()
        at = float(w @ got.press_t[:, 0])
        u = float(np.sqrt(w @ (got.press_t_u[:, 0] ** 2 + (got.press_t[:, 0] - at) ** 2)))
        mean, sd = exact(alone, steps, np.random.default_rng(one))
        rows.append((at - contact[0], u, mean - contact[0], sd))
        print(
            "  engine {:+.1f} +- {:.1f} mm, exact {:+.1f} +- {:.1f}".format(*rows[-1]), flush=True
        )
    e, u, exact_e, sd = np.array(rows).T
    return {
        "presses": number,
        "rms_over_exact": round(float(np.sqrt((e**2).mean() / (exact_e**2).mean())), 3),
        "stated_over_exact": round(float(np.exp(np.log(u / sd).mean())), 3),
        "hold_90": round(float((np.abs(e / u) < 1.645).mean()), 3),
        "exact_hold_90": round(float((np.abs(exact_e / sd) < 1.645).mean()), 3),
    }


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sessions", type=int, default=24)
    parser.add_argument("--swings", type=int, default=8)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--exact", type=int, default=0, help="single presses against draws")
    parser.add_argument("--steps", type=int, default=6000, help="of the draws")
    wanted = parser.parse_args()
    if wanted.exact:
        print(json.dumps(against_exact(wanted.exact, wanted.seed, wanted.steps)))
        return
    z, z_delivery, seconds = [], [], []
    for seed in range(wanted.seed, wanted.seed + wanted.sessions):
        prints, contact, delivery, _ = draw(seed, wanted.swings)
        began = time.process_time()
        got = Joint([prints], None, [HeadShape()] * _HEADS).fit()
        seconds.append(time.process_time() - began)
        w = np.exp(got.log_weight - got.log_weight.max())
        w /= w.sum()
        mean = w @ got.contact_mm
        inside = np.diagonal(got.covariance, axis1=1, axis2=2)[:, :_HEADS]
        z.append((mean - contact) / np.sqrt(w @ (inside + (got.contact_mm - mean) ** 2)))
        at = w @ got.delivery_mm
        z_delivery.append((at - delivery) / np.sqrt(w @ (got.delivery_mm - at) ** 2))
    every = np.array(z)
    print(
        json.dumps(
            {
                "sessions": wanted.sessions,
                "z_contact": round(float(np.sqrt((every**2).mean())), 3),
                "hold_90": round(float((np.abs(every) < 1.645).mean()), 3),
                "z_delivery": round(float(np.sqrt(np.mean(np.square(z_delivery)))), 3),
                "seconds": round(float(np.mean(seconds)), 2),
            }
        )
    )


if __name__ == "__main__":
    main()
