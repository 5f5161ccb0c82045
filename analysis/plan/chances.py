"""Chances and costs of every bend of every club, as arrays over clubs and bends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.conventions import FloatArray
from analysis.lie.belief import Belief, Cdf
from analysis.plan.chain import BoolArray
from analysis.plan.heads import head_room_deg
from analysis.plan.types import PlanClub, PlanRules

# Nodes for each stretch of the bend as carried out, and how many of its uncertainties it reaches:
# within 3e-5 of the exact quadrants of a normal pair (tests/plan/test_chances.py).
_NODES = 16
_REACH = 5.0
_X, _SHARE = np.polynomial.legendre.leggauss(_NODES)


Nodes = tuple[FloatArray, FloatArray]


@dataclass(frozen=True)
class Chances:
    """Of n clubs and m bends."""

    bends: FloatArray
    """(m,), degrees, 0 among them."""
    wanted: FloatArray
    weight: FloatArray
    """(n,): metres per degree without sign, or 1 where it is not known."""
    loss: FloatArray
    """(n, m): expected squared miss, m^2 (deg^2 where the metres are not known)."""
    charge: FloatArray
    """(n,): for touching the club, same unit."""
    p_better: FloatArray
    p_worse: FloatArray
    """(n, m): see `PlanRow`; 1 and 0 for no bend."""
    off: FloatArray
    """(n,): mean lie error less the wanted one, degrees."""

    def off_after(self, club: int) -> FloatArray:
        """Where each bend leaves a club against its wanted lie error, (m,), degrees."""
        return np.asarray(self.off[club] + self.bends)


def bends(rules: PlanRules) -> FloatArray:
    """All bends the machine can do at one visit, (m,), degrees, 0 exactly in the middle."""
    whole = math.floor(rules.range_deg / rules.increment_deg + 1e-9)
    return np.asarray(np.arange(-whole, whole + 1) * rules.increment_deg, dtype=np.float64)


def chances(clubs: Sequence[PlanClub], belief: Belief, rules: PlanRules) -> Chances:
    """Loss and chances of every bend.

    Notes
    -----
    The loss of club i is ``w^2 E[(e + b + m - t)^2]`` (e lie error, b bend, m error of the bend as
    carried out, t wanted, w metres per degree). Its expectation is ``w^2 ((mean + b - t)^2 + var(e)
    + var(m))``: the doubt adds the same to every bend and the covariance of the clubs drops out, so
    it cannot choose between bends. It enters by the evidence: a bend must bring its club nearer
    with probability ``p_needed`` and may make it worse by ``worse_deg`` with no more than
    ``p_worse``, both from the club's own distribution, which holds the shared doubt in full; by the
    whole sheet's chance (`sheet_better`); and by what another swing is worth, where a swing of one
    club tells of the others (`analysis.plan.next_club`).
    """
    grid = bends(rules)
    wanted = np.array([club.wanted_deg() for club in clubs])
    weight = np.array([abs(club.metres_per_deg or 1.0) for club in clubs])
    off = belief.mean - wanted
    touched = grid != 0
    squared = (off[:, None] + grid) ** 2 + np.diag(belief.covariance)[:, None]
    loss = weight[:, None] ** 2 * (squared + touched * rules.u_machine_deg**2)
    better = np.ones((len(clubs), grid.size))
    worse = np.zeros_like(better)
    carried_out = _carried_out(grid[touched], rules)
    for i in range(len(clubs)):
        below = belief.cdf(i)
        better[i, touched] = _p_better(below, carried_out, float(wanted[i]))
        worse[i, touched] = _p_worse(below, carried_out, float(wanted[i]), rules)
    return Chances(grid, wanted, weight, loss, (rules.charge_deg * weight) ** 2, better, worse, off)


def _carried_out(bend: FloatArray, rules: PlanRules) -> Nodes:
    """Nodes (m, k) of the bend as carried out and their shares.

    Chances have a corner or a jump where it is 0 or `worse_deg` either way, so each stretch
    between has nodes of its own (Gauss and Legendre) under the machine's normal error.
    """
    u = rules.u_machine_deg
    if u == 0:
        return bend[:, None], np.ones((bend.size, 1))
    edges = np.array([-np.inf, -rules.worse_deg, 0.0, rules.worse_deg, np.inf])
    low, high = bend - _REACH * u, bend + _REACH * u
    ends = np.clip(edges, low[:, None], high[:, None])
    half = np.diff(ends, axis=1)[:, :, None] / 2
    done = ends[:, :-1, None] + half * (1 + _X)
    density = np.exp(-0.5 * ((done - bend[:, None, None]) / u) ** 2) * half * _SHARE
    density = density.reshape(bend.size, -1)
    return done.reshape(bend.size, -1), density / density.sum(axis=1, keepdims=True)


def _p_better(below: Cdf, carried_out: Nodes, wanted: float) -> FloatArray:
    """Probability that bends, none of them 0, bring a club nearer to its wanted lie error.

    ``|d + c| < |d|`` with c = b + m, the bend as carried out: d below -c / 2 for c > 0, above it
    for c < 0 (our derivation).
    """
    done, share = carried_out
    chance = below(wanted - done / 2)
    return np.asarray((np.where(done > 0, chance, 1 - chance) * share).sum(axis=1))


def _p_worse(below: Cdf, carried_out: Nodes, wanted: float, rules: PlanRules) -> FloatArray:
    """Probability that bends make a club worse by more than ``worse_deg``.

    ``|d + c| - |d| > w``: never while |c| <= w; else d above (w - c) / 2 for c > 0, below
    -(w + c) / 2 for c < 0 (our derivation).
    """
    done, share = carried_out
    size = np.abs(done)
    chance = below(wanted + np.sign(done) * (rules.worse_deg - size) / 2)
    chance = np.where(done > 0, 1 - chance, chance)
    return np.asarray((np.where(size > rules.worse_deg, chance, 0.0) * share).sum(axis=1))


def head_allows(table: Chances, club: PlanClub, rules: PlanRules) -> BoolArray:
    """Which bends the head has left, (m,), beside the change of loft that is asked for.

    Lie and loft are bent at right angles to each other: together they strain the metal by
    ``hypot`` of the two (our definition; for small angles exactly the angle of the one turn that
    makes both).
    """
    room = head_room_deg(club, rules)
    return np.asarray(np.hypot(table.bends, club.loft_change_deg) <= room + 1e-9)


def evidence_allows(table: Chances, clubs: Sequence[PlanClub], rules: PlanRules) -> BoolArray:
    """Which bends the evidence carries, (n, m); leaving a club alone always."""
    enough = np.array([club.strikes >= rules.fewest_strikes for club in clubs])
    carried = (table.p_better >= rules.p_needed) & (table.p_worse <= rules.p_worse)
    return np.asarray((carried & enough[:, None]) | (table.bends == 0))


def sheet_better(table: Chances, belief: Belief, chosen: FloatArray) -> float | None:
    """Probability that all bends together lower the summed squared miss; None without a bend.

    ``sum w^2 (2 b d + b^2) < 0`` is linear in d, so it is normal with the clubs' full covariance
    (machine error left out; a mixture or a t is taken as the normal of its mean and covariance).
    """
    if not np.any(chosen != 0):
        return None
    from scipy.special import ndtr

    pull = table.weight**2 * chosen
    mean = float(np.sum(pull * (2 * (belief.mean - table.wanted) + chosen)))
    sd = 2 * math.sqrt(max(float(pull @ belief.covariance @ pull), 0.0))
    if sd == 0:
        return 1.0 if mean < 0 else 0.0
    return float(ndtr(-mean / sd))
