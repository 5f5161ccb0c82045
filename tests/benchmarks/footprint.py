"""How near the bound, how honest and how fast is the footprint fit.

    OMP_NUM_THREADS=1 python tests/benchmarks/footprint.py [--quick]

Own model: strikes drawn by brute force (``footprint_strikes.py``) from the formula of a sole on a
foundation, 32 cells of 4 mm, R 300 +- 15 mm, L 78 +- 1.5 mm, 2 % offset and 5 % gain noise.
Faults: strikes of the simulated board, which was written from the physics alone; the fit is told
only what a fitter knows (camber and length of the head, stated gain noise). Speeds are processor
time of one core, best of three. The last line is JSON.

Two aims are out of reach of any fit, and the JSON says so beside what is reached (how near the fit
is to what its model allows where an end prints faintly: ``footprint_exact.py``):

- ``gain_20_percent_limit``: what cells whose gains are known to 20 % instead of 5 % cost under the
  fit's own model, as the Cramer-Rao bound with all ten unknowns has it (``bound_more_deg``) and as
  the fit itself does on strikes of its own model (``fit_more_deg``).
- ``gap_within_0_3`` with a narrow patch: the strip sees where a club touched, which is place of the
  delivery plus lie. A delivery that scatters 4 mm leaves, over 12 strikes a club, a standard
  deviation ``gap_sd_of_delivery_deg`` in a gap whatever the strip reads; ``..._by_delivery`` is the
  share that then falls within 0.3 degrees, ``..._by_posterior`` the share that the fit foresees.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from dataclasses import replace

import numpy as np
from footprint_strikes import L_U, R_U, SHARP, STIFF, USUAL, L, Own, R, pressure
from scipy.optimize import least_squares
from scipy.special import erf

from analysis.footprint import AimPrior, FootprintFits, SolePrior, StripSpec, fit_footprints
from analysis.lie.levels import session_levels
from simulators.batch import Rig, many_strikes
from simulators.sole import Grid, Pass, Sole
from simulators.strip import CellFaults


def rms(x) -> float:
    return float(np.sqrt(np.mean(np.square(x))))


def covered(fits: FootprintFits, lie) -> float:
    inside = (fits.lie_low_deg < lie) & (lie < fits.lie_high_deg)
    return float(inside[fits.ok].mean())


def against_bound(rng, n) -> dict:
    strikes = Own(rng, rng.normal(0, 1.2, n), rng.normal(0, 6, n), rng.uniform(1.6, 4.5, n))
    fits, bound, part = strikes.fit(), strikes.bound_deg(6.0), strikes.end_part()
    out = {}
    for name, chosen in (
        ("an_end_prints_at_a_third_of_peak", part > 1 / 3),
        ("an_end_prints_at_a_fifth_of_peak", part > 0.2),
        ("an_end_prints_at_all", part > 0),
        ("no_end_prints", part <= 0),
    ):
        ok = chosen & fits.ok
        error = (fits.lie_error_deg - strikes.lie)[ok]
        out[name] = {
            "strikes": int(ok.sum()),
            "rmse_deg": rms(error),
            "stated_sd_deg": rms(fits.lie_sd_deg[ok]),
            "bound_deg": rms(bound[ok]),
            "rmse_over_bound": rms(error) / rms(bound[ok]),
        }
    return out


def strike_coverage(rng, n, known) -> dict:
    strikes = Own(
        rng, rng.normal(0, 1.5, n), rng.normal(0, 6, n), rng.uniform(0.6, 4.5, n), known=known
    )
    fits, part = strikes.fit(), strikes.end_part()
    little = (part > 0) & (part <= 1 / 3)
    return {
        "strikes": n,
        "with_number": float(fits.ok.mean()),
        "cover_90": covered(fits, strikes.lie),
        "cover_90_end_prints_below_a_third_of_peak": covered(
            fits.take(little), strikes.lie[little]
        ),
        "rmse_deg": rms((fits.lie_error_deg - strikes.lie)[fits.ok]),
        "stated_sd_deg": rms(fits.lie_sd_deg[fits.ok]),
    }


def club_coverage(rng, clubs, known) -> dict:
    """One club a session: the offset is that of the player of that session."""
    per = 10
    heads = np.repeat(np.arange(clubs), per)
    club = np.repeat(np.arange(clubs), per)
    mean = rng.normal(0, 1.5, clubs)
    scatter = rng.uniform(0.4, 1.2, clubs)
    lie = mean[club] + scatter[club] * rng.normal(size=len(club))
    centre = rng.normal(0, 8, clubs)[club] + 4 * rng.normal(size=len(club))
    depth = rng.uniform(1.0, 4.0, clubs)[club]
    radius = (R + R_U * rng.normal(size=clubs))[club]
    length = (L + L_U * rng.normal(size=clubs))[club]
    strikes = Own(rng, lie, centre, depth, radius, length, known=known, heads=heads)
    fits = strikes.fit(4.0, 8.0)
    hit, error, sd = [], [], []
    for i in range(clubs):
        got = session_levels(fits.take(club == i), np.zeros(per))
        hit.append(got.lie_low_deg[0] < mean[i] < got.lie_high_deg[0])
        error.append(got.lie_error_deg[0] - mean[i])
        sd.append(got.lie_sd_deg[0])
    return {
        "clubs": clubs,
        "cover_90": float(np.mean(hit)),
        "rmse_deg": rms(error),
        "stated_sd_deg": rms(sd),
    }


def off_the_mark(rng, depth, sessions, clubs=8, per=12) -> dict:
    """A player 10 mm toward the toe with every club, perfect lies; lies graded for the gaps."""
    level, gap, claimed, sd, foreseen = [], [], [], [], []
    scatter = 4.0
    for _ in range(sessions):
        club = np.repeat(np.arange(clubs), per)
        lie = 0.5 * rng.normal(size=len(club))
        centre = 10.0 + scatter * rng.normal(size=len(club))
        fixed = np.full(len(club), R), np.full(len(club), L)
        fits = Own(rng, lie, centre, np.full(len(club), depth), *fixed).fit(scatter, 10.0)
        got = session_levels(fits, club)
        mean = np.array([lie[club == i].mean() for i in range(clubs)])
        level.append(np.mean(got.lie_error_deg - mean))
        gap.append(got.gap_deg[0, 1:] - (mean[0] - mean[1:]))
        foreseen.append(within(0.3, got.gap_sd_deg[0, 1:]))
        claimed.append(got.level_claimed)
        sd.append(got.lie_sd_deg.mean())
    of_delivery = np.degrees(scatter * np.sqrt(2 / per) / R)
    return {
        "level_error_rms_deg": rms(level),
        "level_error_worst_deg": float(np.abs(level).max()),
        "gap_error_rms_deg": rms(gap),
        "gap_within_0_3": float(np.mean(np.abs(gap) < 0.3)),
        "gap_within_0_3_by_posterior": float(np.mean(foreseen)),
        "gap_sd_of_delivery_deg": float(of_delivery),
        "gap_within_0_3_by_delivery": float(within(0.3, of_delivery)),
        "level_claimed": float(np.mean(claimed)),
        "stated_sd_deg": float(np.mean(sd)),
    }


def within(limit, sd):
    """Share of normal errors that are smaller than ``limit``."""
    return erf(limit / (np.sqrt(2) * np.asarray(sd)))


def gain_limit(rng, n) -> dict:
    """What gains known to 20 % instead of 5 % cost where all else is as the fit believes."""
    out: dict = {"strikes": n}
    lie, centre, depth = rng.normal(0, 1.2, n), rng.normal(0, 5, n), rng.uniform(1.8, 3.6, n)
    for gain_u in (0.05, 0.20):
        strikes = Own(rng, lie, centre, depth, gain_u=gain_u, known=USUAL)
        fits = strikes.fit(5.0)
        name = f"{100 * gain_u:.0f}_percent"
        out[f"bound_{name}_deg"] = rms(strikes.bound_deg(5.0, everything=True))
        out[f"rmse_{name}_deg"] = rms((fits.lie_error_deg - lie)[fits.ok])
    out["bound_more_deg"] = out["bound_20_percent_deg"] - out["bound_5_percent_deg"]
    out["fit_more_deg"] = out["rmse_20_percent_deg"] - out["rmse_5_percent_deg"]
    return out


FAULTS: dict[str, tuple[dict, dict]] = {
    # name: what is wrong with the strip, what is wrong with the sole.
    "none": ({}, {}),
    "gain_10_percent": ({"gain_spread": 0.10}, {}),
    "gain_20_percent": ({"gain_spread": 0.20}, {}),
    "hysteresis_15_percent": ({"hysteresis": 0.15}, {}),
    "creep_10_percent": ({"creep": 0.10}, {}),
    "dead_cell": ({"dead_cells": (15,)}, {}),
    "neighbours_10_percent": ({"neighbour_share": 0.10}, {}),
    "flattening_10_percent": ({"flattening": 0.10}, {}),
    "semi_elliptic": ({"semi_elliptic": True}, {}),
    "relieved_ends": ({}, {"heel_relief_mm": 12.0, "toe_relief_mm": 12.0}),
    "board_as_built": (vars(CellFaults()), {}),
}


def under_faults(rng, n, cell_us) -> dict:
    out = {}
    for name, (strip_fault, sole_fault) in FAULTS.items():
        faults = replace(CellFaults.none(noise_counts=4.0), **strip_fault)
        lie = rng.normal(0, 1.2, n)
        swings = Pass(
            c_mm=rng.normal(0, 5, n), lie_error_deg=lie, depth_mm=rng.uniform(1.8, 3.6, n),
            speed_mm_per_ms=rng.uniform(25, 45, n), trail_mm=rng.uniform(-3, 3, n),
        )  # fmt: skip
        rig = Rig(grid=Grid(), faults=faults, board_each=True)
        rig = replace(rig, scanning=replace(rig.scanning, sample_ns=int(1000 * cell_us)))
        batch = many_strikes(rng, n, sole=Sole(**sole_fault), swings=swings, rig=rig)
        counts = batch.counts[:, :, 0].astype(float)
        rest = counts[:, : batch.pre_scans].mean(axis=1)[:, None]
        since = (batch.ticks - batch.ticks[:, :1]).astype(np.int64)
        # An uncalibrated board is said to have the gain spread it has; else 5 %.
        gain_u = max(0.05, faults.gain_spread)
        strip = StripSpec(
            4.0, 32, 4095.0, scan_us=31 * cell_us, gain_u=gain_u,
            offset_u_counts=max(faults.noise_counts, 4.0),
        )  # fmt: skip
        fits = fit_footprints(
            counts, since * 1e6 / rig.tick_hz, strip, SolePrior(R, 5.0, L, L_U),
            AimPrior(0.0, 5.0, 0.0), rest_counts=rest,
        )  # fmt: skip
        error = (fits.lie_error_deg - lie)[fits.ok]
        out[name] = {
            "with_number": round(float(fits.ok.mean()), 4),
            "rmse_deg": round(rms(error), 4),
            "bias_deg": round(float(error.mean()), 4),
            "stated_sd_deg": round(rms(fits.lie_sd_deg[fits.ok]), 4),
            "cover_90": round(covered(fits, lie), 4),
            "flagged_p_below_1_percent": round(float((fits.p_value[fits.ok] < 0.01).mean()), 4),
        }
        more = out[name]["rmse_deg"] - out["none"]["rmse_deg"]
        out[name]["more_than_without_deg"] = round(more, 4)
    return out


def best_time(act, repeats=3) -> float:
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        act()
        times.append(time.process_time() - begin)
    return min(times)


def speeds(rng, n) -> dict:
    out: dict = {}
    for name, depth in (("both_ends", 4.0), ("one_end", 2.8), ("narrow", 1.0)):
        strikes = Own(rng, rng.normal(0, 1.2, n), rng.normal(0, 5, n), np.full(n, depth))
        out[f"fits_per_s_{name}"] = round(n / best_time(strikes.fit))
    usual = Own(
        rng, rng.normal(0, 1.2, n), rng.normal(0, 5, n), rng.uniform(1.0, 4.0, n), known=USUAL
    )
    out["fits_per_s_all_kinds_told_nothing"] = round(n / best_time(usual.fit))
    # One at a time, as they come live: middle and worst of 20 strikes of each kind.
    kinds = {
        "an_end_in_clear_print": (3.2, SHARP),
        "narrow": (1.0, SHARP),
        "doubtful_end": (2.6, SHARP),
    }
    kinds |= {"told_nothing_clear_print": (3.2, USUAL), "told_nothing_narrow": (1.0, USUAL)}
    for name, (depth, known) in kinds.items():
        times = []
        for _ in range(20):
            lie, centre = rng.normal(0, 0.6, 1), rng.normal(0, 3, 1)
            one = Own(rng, lie, centre, np.array([depth]), known=known)
            one.fit()
            times.append(1e3 * best_time(one.fit, 10))
        out[f"one_strike_ms_{name}"] = [round(float(np.median(times)), 2), round(max(times), 2)]
    strikes = Own(rng, rng.normal(0, 1.2, n), rng.normal(0, 5, n), rng.uniform(2.5, 4, n))

    def plain(i):
        sd = np.hypot(strikes.offset, 0.05 * strikes.clean[i])

        def residual(p):
            place = ([v] for v in (p[0], p[1] / 100, p[2], p[3] * STIFF, R, L))
            model = pressure(*place, points=16)
            return np.append((strikes.counts[i, 0] - model[0]) / sd, p[0] / 6)

        begin = [0.0, 100 * strikes.slope[i], strikes.depth[i], 1.0]
        return least_squares(residual, begin, diff_step=0.01)

    few = min(n, 60)
    slow = best_time(lambda: [plain(i) for i in range(few)], 1) / few
    fast = best_time(strikes.fit) / n
    out["fits_per_s_mixed"] = round(1 / fast)
    out["scipy_least_squares_per_s"] = round(1 / slow, 1)
    out["times_as_fast_as_scipy"] = round(slow / fast)
    club = np.repeat(np.arange(8), 12)
    fits = Own(rng, rng.normal(0, 1, 96), rng.normal(0, 4, 96), np.full(96, 3.0)).fit(4.0, 10.0)
    out["session_levels_ms"] = round(1e3 * best_time(lambda: session_levels(fits, club)), 1)
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the strikes")
    part = 10 if parser.parse_args().quick else 1
    rng = np.random.default_rng(20)
    result: dict = {"load_before": os.getloadavg(), "speed": speeds(rng, 8000 // part)}
    result["load_after_speed"] = os.getloadavg()
    print(json.dumps(result))
    result["bound"] = against_bound(rng, 10_000 // part)
    result["strikes_sharp"] = strike_coverage(rng, 5_000 // part, SHARP)
    result["strikes"] = strike_coverage(rng, 5_000 // part, USUAL)
    print(json.dumps({k: result[k] for k in ("bound", "strikes_sharp", "strikes")}))
    result["gain_20_percent_limit"] = gain_limit(rng, 4_000 // part)
    result["off_mark_both_ends"] = off_the_mark(rng, 4.0, 40 // part)
    result["off_mark_narrow"] = off_the_mark(rng, 0.7, 40 // part)
    result["clubs_sharp"] = club_coverage(rng, 1_000 // part, SHARP)
    result["clubs"] = club_coverage(rng, 1_000 // part, USUAL)
    print(json.dumps({k: v for k, v in result.items() if k.startswith(("gain", "off", "clubs"))}))
    for cell_us in (2.0, 6.0):
        result[f"faults_{cell_us:g}_us_a_cell"] = under_faults(rng, 1_000 // part, cell_us)
    print(json.dumps(result))


if __name__ == "__main__":
    main()
