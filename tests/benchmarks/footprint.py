"""What the lie engine is worth on prints drawn from its own model, all unknowns from the priors.

    OMP_NUM_THREADS=1 python tests/benchmarks/footprint.py [--sessions 24] [--swings 8]

Presses of eight heads are drawn with the player's delivery, heads, cover and gains from
`analysis.lie.posterior.Priors`, noise as stated there. Scored: contacts of the heads and the mean
delivery, rms over what is stated (z, 1 is honest) and share of 90 % intervals that hold; with
``--swings 1`` single strikes. The last line is JSON.
"""

from __future__ import annotations

import argparse
import json
import time

import numpy as np

from analysis.footprint import press
from analysis.footprint.press import StripCells, read_press
from analysis.lie.posterior import HeadShape, Joint, Prints, Priors

_CELLS = StripCells(32, 4.0)
_HEADS = 8


def draw(seed: int, swings: int) -> tuple[Prints, np.ndarray, float]:
    """Prints, true contacts of the heads, and the true delivery."""
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
    return Prints(_CELLS, y, variance, np.zeros(y.shape, bool), head, 0.0), contact, delivery


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sessions", type=int, default=24)
    parser.add_argument("--swings", type=int, default=8)
    parser.add_argument("--seed", type=int, default=0)
    wanted = parser.parse_args()
    z, z_delivery, seconds = [], [], []
    for seed in range(wanted.seed, wanted.seed + wanted.sessions):
        prints, contact, delivery = draw(seed, wanted.swings)
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
