"""The set model against club-by-club means, and its own intervals.

Run ``python tests/benchmarks/set_model.py``; the last line is JSON. Invented sets of eight irons:
level, slope, clubs that scatter about the line (0.1 to 0.5 degrees), one in 16 that stands off it
by 1.5 to 3 degrees, four strikes of each with a scatter of 0.6 to 1.2 degrees and 6 % mishits.
"""

from __future__ import annotations

import json
import time

import numpy as np

from analysis.lie.club import Level, SoleArc, Stance
from analysis.lie.set_model import fit_set
from analysis.lie.set_types import SetClub, SetPrior, SetStrikes
from analysis.statistics.contact_mean import contact_mean

SETS = 400
CLUBS, STRIKES = 8, 4
RADIUS = 300.0
SURE = {"level": Level(0.0, 0.0), "stance": Stance(0.0, 0.0)}


def player(rng):
    """Truth, who stands off, and strikes of one set."""
    x = np.arange(CLUBS) - CLUBS // 2
    truth = rng.normal(0, 1.2) + rng.normal(0, 0.25) * x
    truth = truth + rng.normal(0, rng.uniform(0.1, 0.5), CLUBS)
    off = rng.random(CLUBS) < 1 / 16
    truth = truth + off * rng.choice([-1, 1], CLUBS) * rng.uniform(1.5, 3.0, CLUBS)
    club = np.repeat(np.arange(CLUBS), STRIKES)
    scatter = rng.uniform(0.6, 1.2)
    wide = np.where(rng.random(club.size) < 0.06, 4.0, 1.0)
    y = truth[club] + rng.normal(0, scatter, club.size) * wide
    return truth, off, club, -RADIUS * np.tan(np.radians(y))


def area_under_roc(score, truth):
    """Chance that a club that stands off scores above one that does not (Mann and Whitney)."""
    from scipy.stats import rankdata

    rank = rankdata(score)
    n1, n0 = truth.sum(), (~truth).sum()
    return float((rank[truth].sum() - n1 * (n1 + 1) / 2) / (n1 * n0))


def run(clubs, prior, sets):
    """Errors, coverage, outlier scores and time over the same players."""
    error, inside, score, truth_off, seconds = [], [], [], [], 0.0
    for seed in range(sets):
        truth, off, club, toe = player(np.random.default_rng(seed))
        start = time.process_time()
        fit = fit_set(clubs, SetStrikes.of(club, toe, u_mm=0.0), prior=prior, **SURE)
        seconds += time.process_time() - start
        error.append(fit.mean_deg - truth)
        inside.append((fit.low_deg < truth) & (truth < fit.high_deg))
        score.append(fit.p_outlier)
        truth_off.append(off)
    rmse = float(np.sqrt(np.mean(np.square(error))))
    score, off = np.concatenate(score), np.concatenate(truth_off)
    return rmse, float(np.mean(inside)), score, off, seconds / sets


def main() -> None:
    """Print the figures."""
    sole = SoleArc(RADIUS, 0.0, measured=True)
    clubs = [SetClub(f"{i + 3}i", 980 - 12.7 * i, sole=sole) for i in range(CLUBS)]
    rmse, coverage, score, off, seconds = run(clubs, SetPrior(), SETS)
    plain, robust = [], []
    for seed in range(SETS):
        truth, _, club, toe = player(np.random.default_rng(seed))
        lie = np.degrees(np.arctan(-toe / RADIUS))
        for i in range(CLUBS):
            plain.append(lie[club == i].mean() - truth[i])
            robust.append(contact_mean(lie[club == i], resolution_mm=0.01).mean_mm - truth[i])
    plain_rmse, robust_rmse = (float(np.sqrt(np.mean(np.square(e)))) for e in (plain, robust))
    called = score >= 0.5
    changed = {}
    for name, prior in (
        ("own_scale_halved", SetPrior(own_scale_deg=0.15)),
        ("own_scale_doubled", SetPrior(own_scale_deg=0.6)),
        ("outlier_share_halved", SetPrior(outlier_share=0.03)),
        ("outlier_share_doubled", SetPrior(outlier_share=0.12)),
        ("outlier_deg_halved", SetPrior(outlier_deg=1.0)),
        ("outlier_deg_doubled", SetPrior(outlier_deg=4.0)),
    ):
        other, cover, *_ = run(clubs, prior, SETS // 4)
        changed[name] = [round(other, 3), round(100 * cover, 1)]
    base, cover, *_ = run(clubs, SetPrior(), SETS // 4)
    changed["as_it_is"] = [round(base, 3), round(100 * cover, 1)]
    print(
        json.dumps(
            {
                "benchmark": "set_model",
                "rmse_deg": round(rmse, 3),
                "rmse_club_means_deg": round(plain_rmse, 3),
                "rmse_club_robust_means_deg": round(robust_rmse, 3),
                "better_than_means_percent": round(100 * (1 - rmse / plain_rmse), 1),
                "better_than_robust_means_percent": round(100 * (1 - rmse / robust_rmse), 1),
                "coverage_of_90_percent": round(100 * coverage, 1),
                "outlier_roc_area": round(area_under_roc(score, off), 3),
                "outliers_called_percent": round(100 * float(called[off].mean()), 1),
                "wrongly_called_percent": round(100 * float(called[~off].mean()), 2),
                "fit_ms": round(1e3 * seconds, 1),
                "prior_changed_rmse_and_coverage": changed,
            }
        )
    )


if __name__ == "__main__":
    main()
