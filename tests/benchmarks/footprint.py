"""How near the bound, how honest and how fast is the footprint fit.

    OMP_NUM_THREADS=1 python tests/benchmarks/footprint.py [--quick]

Own model: strikes drawn here by brute force (64 points per cell) from the formula of a sole on a
foundation, 32 cells of 4 mm, R 300 +- 15 mm, L 78 +- 1.5 mm, 2 % offset and 5 % gain noise.
Faults: strikes of the simulated board, which was written from the physics alone; the fit is told
only what a fitter knows (camber and length of the head, stated gain noise). Speeds are processor
time of one core, best of three. The last line is JSON.

Two aims are out of reach of any fit, and the JSON says so beside what is reached:

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
from scipy.optimize import least_squares
from scipy.special import erf

from analysis.footprint import AimPrior, FootprintFits, SolePrior, StripSpec, fit_footprints
from analysis.footprint_levels import session_levels
from simulators.batch import Rig, many_strikes
from simulators.sole import Grid, Pass, Sole
from simulators.strip import CellFaults

R, R_U, L, L_U = 300.0, 15.0, 78.0, 1.5
MIDDLE = (np.arange(32) - 15.5) * 4.0
STIFF = 1000.0


def pressure(
    c,
    slope,
    depth,
    k,
    radius,
    length,
    shape=0.0,
    heel=0.0,
    toe=0.0,
    share=0.0,
    points=64,
    sag=0.0,
    edge=25.0,
):
    """Mean of each cell, (n, 32), by the midpoint rule; ends ground off along a radius of ``edge``.

    The foundation carries what presses into it: what is ground off is taken off the press.
    """
    c, slope, depth, k, radius, length, shape, heel, toe, edge = (
        np.asarray(a, float)[..., None, None]
        for a in (c, slope, depth, k, radius, length, shape, heel, toe, edge)
    )
    inner = ((np.arange(points) + 0.5) / points - 0.5) * 4.0
    u = (MIDDLE[:, None] + inner) - c
    top = depth + radius * slope**2 / 2
    level = depth - np.asarray(sag)[..., None]
    for ground, out in ((heel, -u), (toe, u)):
        level = level - np.maximum(0, out - (length / 2 - ground)) ** 2 / (2 * edge)
    g = np.maximum(0, level - u**2 / (2 * radius) - u * slope) / top
    p = k * top * ((1 - shape) * g + shape * np.sqrt(g)) * (np.abs(u) <= length / 2)
    p = p.mean(axis=2)
    share = np.asarray(share, float)[..., None]
    beside = np.pad(p, ((0, 0), (1, 1)))
    return (1 - share) * p + share / 2 * (beside[:, :-2] + beside[:, 2:])


# Sharp ends, an elastic foundation and cells of their own, and the fit is told so.
SHARP = {"shape": (0.0, 0.0), "ground": (0.01, 0.01), "share": (0.0, 0.0)}
# What the fit believes if it is told nothing.
USUAL = {
    "shape": (StripSpec.cover_shape, StripSpec.cover_shape_u),
    "ground": (SolePrior.ground_mm, SolePrior.ground_u_mm),
    "share": (StripSpec.neighbour_share, StripSpec.neighbour_u),
}


class Own:
    """Strikes of the fit's own model, its unknowns drawn from what the fit believes of them."""

    NAMES = ("centre", "slope", "depth", "k", "length", "shape", "heel", "toe", "share")

    def __init__(
        self, rng, lie, centre, depth, radius=None, length=None, gain_u=0.05, known=None, heads=None
    ):
        """``heads``: number of the head of each strike; shape and share are the board's, one."""
        n = len(lie)
        self.known = SHARP if known is None else known
        self.lie, self.centre, self.depth = lie, centre, depth * np.exp(0.1 * rng.normal(size=n))
        self.radius = R + R_U * rng.normal(size=n) if radius is None else radius
        self.length = L + L_U * rng.normal(size=n) if length is None else length
        self.k = STIFF * np.exp(0.1 * rng.normal(size=n))
        self.slope = np.tan(np.radians(lie))
        head = np.arange(n) if heads is None else heads
        middle, sd = self.known["ground"]
        # Normal for what is much, and never below 0, as the prior has it.
        self.heel, self.toe = (
            (given + np.hypot(given, 3.0)) / 2
            for given in (
                (middle - 1.5**2 / middle + sd * rng.normal(size=head.max() + 1))[head]
                for _ in "ht"
            )
        )
        factor = SolePrior.ground_radius_factor
        self.edge = (
            SolePrior.ground_radius_mm
            * np.exp(np.log(factor) * rng.normal(size=head.max() + 1))[head]
        )
        # As the fit has it, but nothing below 0: less than nothing is not handed on.
        self.shape, self.share = (
            np.maximum(mean + sd * rng.normal(size=n if heads is None else 1), 0) * np.ones(n)
            for mean, sd in (self.known["shape"], self.known["share"])
        )
        self.clean = self.model()
        self.offset, self.gain_u = 0.02 * STIFF * float(np.mean(depth)), gain_u
        gain = 1 + gain_u * rng.normal(size=self.clean.shape)
        noise = self.offset * rng.normal(size=self.clean.shape)
        self.counts = (self.clean * gain + noise)[:, None]
        self.strip = StripSpec(
            4.0, 32, 1e9, gain_u=gain_u, offset_u_counts=self.offset,
            cover_shape=self.known["shape"][0], cover_shape_u=self.known["shape"][1],
            neighbour_share=self.known["share"][0], neighbour_u=self.known["share"][1],
        )  # fmt: skip

    def model(self, **moved):
        at = {name: getattr(self, name) for name in self.NAMES} | moved
        return pressure(
            at["centre"], at["slope"], at["depth"], at["k"], self.radius, at["length"],
            at["shape"], at["heel"], at["toe"], at["share"], edge=self.edge,
        )  # fmt: skip

    def fit(self, scatter=6.0, offset_u=0.0) -> FootprintFits:
        times = np.zeros((len(self.lie), 1))
        ground, ground_u = self.known["ground"]
        sole = SolePrior(R, R_U, L, L_U, middle_u_mm=0.0, ground_mm=ground, ground_u_mm=ground_u)
        return fit_footprints(
            self.counts, times, self.strip, sole, AimPrior(0.0, scatter, offset_u)
        )

    def end_part(self):
        """Pressure at the stronger sole end as a part of the peak, (n,)."""
        ends = []
        for sign in (-1, 1):
            u = sign * self.length / 2
            ends.append(self.k * (self.depth - u**2 / (2 * self.radius) - u * self.slope))
        return np.maximum(*ends) / self.clean.max(axis=1)

    def bound_deg(self, c_sd, everything=False):
        """Cramer-Rao bound with the priors on c, L, R: finite differences, (n,).

        ``everything``: cover and ends are unknown too, with the priors that the fit has.
        """
        steps = {"centre": 0.25, "slope": 1e-4, "depth": 1e-3, "k": 1.0, "length": 0.5}
        prior = [c_sd**-2.0, 1e-6, 1e-6, 1e-9, L_U**-2.0]
        if everything:
            steps |= {"shape": 0.01, "heel": 0.25, "toe": 0.25, "share": 0.005}
            sds = [self.known[name][1] for name in ("shape", "ground", "ground", "share")]
            prior += [sd**-2.0 for sd in sds]
        columns = []
        for name, step in steps.items():
            here = getattr(self, name)
            up, down = self.model(**{name: here + step}), self.model(**{name: here - step})
            columns.append((up - down) / (2 * step))
        jacobian = np.stack(columns, axis=1)
        variance = self.offset**2 + (self.gain_u * self.clean) ** 2
        # The noise grows with the pressure and so tells of it too: half the square of its relative
        # change is information on the variance (normal distribution).
        weight = 1 / variance + 2 * (self.gain_u**2 * self.clean / variance) ** 2
        information = (jacobian * weight[:, None]) @ jacobian.transpose(0, 2, 1)
        information += np.diag(prior)
        inverse = np.linalg.inv(information)[:, 1, 1] + (self.slope * R_U / R) ** 2
        return np.degrees(np.sqrt(inverse))


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
    one = Own(rng, np.array([0.5]), np.array([2.0]), np.array([3.0]))
    one.fit()
    out["one_strike_ms"] = round(1e3 * best_time(one.fit, 100), 2)
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
