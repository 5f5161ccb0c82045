"""Nodes of each strike's posterior, and what a strike says given the player's mean delivery.

A node is a place where the sole's middle may have passed, with its likelihood and the contact on
the sole that goes with it (`analysis.footprint.posterior`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint.mixture import PARTS, densify, densify_smoothly
from analysis.footprint.types import BoolArray, FootprintFits

# Offsets whose weights are worked out from those of one in their midst, and how far from 1 the
# factors between them may be (natural logs): what underflows then is e^-400 of the rest at most.
_LONGEST_RUN = 16
_MOST_LOG = 150.0


@dataclass(frozen=True)
class StrikeNodes:
    """Nodes of the strikes that count, player frame from the mark."""

    centre: FloatArray
    log_likelihood: FloatArray
    toe: FloatArray
    toe_var: FloatArray
    club: NDArray[np.intp]
    clubs: int

    @cached_property
    def moments(self) -> FloatArray:
        """(n, 3, nodes): 1, mean and mean square of the toe."""
        square = self.toe**2 + self.toe_var
        return np.stack([np.ones_like(square), self.toe, square], axis=1)


def strike_nodes(
    fits: FootprintFits, good: BoolArray, club: NDArray[np.intp], clubs: int
) -> StrikeNodes:
    """Dense nodes with trapezoid widths taken into the likelihood."""
    centre = densify(fits.node_centre_mm[good], PARTS)
    log_likelihood = densify_smoothly(
        fits.node_centre_mm[good], fits.node_log_likelihood[good], PARTS
    )
    gap = np.diff(centre, axis=1)
    width = np.zeros_like(centre)
    width[:, :-1] += gap / 2
    width[:, 1:] += gap / 2
    return StrikeNodes(
        centre,
        log_likelihood + np.log(np.maximum(width, 1e-12)),
        densify(fits.node_toe_mm[good], PARTS),
        densify(fits.node_toe_sd_mm[good], PARTS) ** 2,
        club,
        clubs,
    )


def with_marks(bare: StrikeNodes, mark: FloatArray, mark_u: FloatArray) -> StrikeNodes:
    """Take marks in as a second reading of the toe, strike by strike."""
    known = np.isfinite(mark)
    off = np.where(known, mark, 0.0)[:, None] - bare.toe
    total = bare.toe_var + np.where(known, mark_u, 1.0)[:, None] ** 2
    gain = np.where(known[:, None], bare.toe_var / total, 0.0)
    extra = np.where(known[:, None], -0.5 * off**2 / total - 0.5 * np.log(total), 0.0)
    return StrikeNodes(
        bare.centre,
        bare.log_likelihood + extra,
        bare.toe + gain * off,
        bare.toe_var * (1 - gain),
        bare.club,
        bare.clubs,
    )


def given_offset(
    strikes: StrikeNodes, offset: FloatArray, scatter: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log evidence of each strike, mean and variance of its toe: (n, d) each, d even offsets.

    A node at c weighs ``exp(-(c - o)^2 / 2 s^2)``. About the middle m of a run of offsets that is
    ``exp(-(c - m)^2 / 2 s^2) exp((c - m)(o - m) / s^2)`` but for a factor that all nodes share; the
    second is a whole power of its value one step from m, so few exponentials are taken.
    """
    step = (offset[-1] - offset[0]) / (len(offset) - 1)
    half = np.ptp(strikes.centre, axis=1) / 2
    middle = strikes.centre.min(axis=1) + half
    run = _LONGEST_RUN
    # Or powers would leave the range of a float.
    while run > 1 and half.max() * (run // 2) * step > _MOST_LOG * scatter**2:
        run //= 2
    powers = np.arange(run) - run // 2
    runs = -(-len(offset) // run)
    about = offset[0] + step * (run * np.arange(runs) + run // 2)

    log_weight = strikes.centre[:, None, :] - about[:, None]
    log_weight *= log_weight
    log_weight *= -0.5 / scatter**2
    log_weight += strikes.log_likelihood[:, None, :]
    top = log_weight.max(axis=2, keepdims=True)
    log_weight -= top
    weight = np.exp(log_weight, out=log_weight)
    # A run of one has no step.
    rate = step / scatter**2 if run > 1 else 0.0
    factor = _powers(np.exp((strikes.centre - middle[:, None]) * rate), powers)
    by_moment = strikes.moments[:, :, None, :] * weight[:, None, :, :]
    n, nodes = strikes.centre.shape
    # (n, 3 runs, nodes) @ (n, nodes, run): evidence and toe's moments of each strike given offset.
    got = by_moment.reshape(n, 3 * runs, nodes) @ factor.swapaxes(1, 2)
    got = got.reshape(n, 3, runs * run)[:, :, : len(offset)]
    away = powers * step
    shared = top + ((middle[:, None] - about)[:, :, None] * away - 0.5 * away**2) / scatter**2
    shared = shared.reshape(n, runs * run)[:, : len(offset)]
    toe = got[:, 1] / got[:, 0]
    toe_var = np.maximum(got[:, 2] / got[:, 0] - toe**2, 1e-9)
    return np.log(got[:, 0]) + shared, toe, toe_var


def _powers(base: FloatArray, powers: NDArray[np.intp]) -> FloatArray:
    """Powers of positive numbers, (n, k) -> (n, powers, k), by one multiplication each.

    ``powers`` rise by one and have 0 among them.
    """
    found = np.empty((len(base), len(powers), base.shape[1]))
    zero = -int(powers[0])
    found[:, zero] = 1.0
    for place in range(zero + 1, len(powers)):
        np.multiply(found[:, place - 1], base, out=found[:, place])
    if zero:
        inverse = 1 / base
        for place in range(zero - 1, -1, -1):
            np.multiply(found[:, place + 1], inverse, out=found[:, place])
    return found
