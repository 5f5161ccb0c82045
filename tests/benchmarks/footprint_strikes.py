"""Strikes of the footprint fit's own model by brute force, and how well any fit could read them.

Midpoint rule with 64 points a cell, from the formula of a sole on a foundation.
"""

from __future__ import annotations

import numpy as np

from analysis.footprint import AimPrior, FootprintFits, SolePrior, StripSpec, fit_footprints

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
