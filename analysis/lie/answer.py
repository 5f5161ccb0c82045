"""From nodes along the mean delivery to what is believed of contacts."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.conventions import FloatArray
from analysis.footprint.press import CURVES, HALF, HEEL, LOG_H, TOE, T, ground_off, tangent
from analysis.lie.model import FREE_T_MM, H_CURVE, H_PRINT, H_T, HEAD, BoolArray, IntArray


@dataclass(frozen=True)
class SharedPosterior:
    """One normal of the shared vector at each node of the mean delivery."""

    delivery_mm: FloatArray
    log_weight: FloatArray
    contact_mm: FloatArray
    """(k, heads)."""
    tangent_mm: FloatArray
    """(k, heads): slope of the sole there, times its camber."""
    covariance: FloatArray
    """(k, 2 heads, 2 heads): of contacts, then of tangents."""
    press_t: FloatArray
    """(k, n)."""
    press_t_u: FloatArray
    press_v: FloatArray
    press_cost: FloatArray
    own_var: FloatArray
    """(k, heads): of a head's contact with all that is shared held."""
    scatter_mm: float
    contact_scatter_mm: float
    noise: float
    shared: FloatArray = field(repr=False)
    odd: BoolArray = field(repr=False)
    """(n,): cells do not look like a sole's; such a press counts for nothing."""
    ends: FloatArray = field(repr=False)
    """(2, n): depth of press where the middle part ends, as a part of the greatest."""


@dataclass
class Findings:
    """What the search found at each node: k nodes, n presses, S unknowns that are shared."""

    nodes: FloatArray
    price: FloatArray
    """(k,): log of what is believed, up to its determinant."""
    logdet: FloatArray
    shared: FloatArray
    """(k, S)."""
    covariance: FloatArray
    """(k, S, S)."""
    contact_told: FloatArray
    """(k, heads): what a head's own presses tell of its contact, 1 / mm^2."""
    t: FloatArray
    """(k, n): mean contact of each press, and its standard deviation, and its lowest point."""
    t_u: FloatArray
    v: FloatArray
    cost: FloatArray
    follow: FloatArray
    """(k, n, S): how a press's contact follows what is shared."""
    ends: FloatArray
    odd: BoolArray
    printed: BoolArray
    """(heads,): whether there are presses of it, whose contacts its print shifts."""
    scatter_mm: float
    contact_scatter_mm: float
    noise: float
    misfit: float | None
    """What a press usually costs its cells."""

    def posterior(self, rows: IntArray | None = None) -> SharedPosterior:
        """Put the nodes together; ``rows`` is the order in which presses are wanted."""
        if rows is None:
            rows = np.arange(self.t.shape[1])
        along = AlongDelivery(self.nodes, self.price, self.logdet)
        size = self.shared.shape[1]
        n = self.contact_told.shape[1]
        heads = np.arange(n) * HEAD
        contact = self.shared[:, heads + H_T] + self.printed * self.shared[:, heads + H_PRINT]
        curves = np.stack([self.shared[:, heads + H_CURVE + i] for i in range(CURVES)])
        tangents, by_t, by_curves = tangent(contact, curves)
        jac = np.zeros((len(self.nodes), 2 * n, size))
        d = np.arange(n)
        jac[:, d, heads + H_T] = 1.0
        jac[:, n + d, heads + H_T] = by_t
        jac[:, d, heads + H_PRINT] = self.printed
        jac[:, n + d, heads + H_PRINT] = self.printed * by_t
        for i in range(CURVES):
            jac[:, n + d, heads + H_CURVE + i] = by_curves[i]
        own_var = 1 / np.maximum(self.contact_told - 1 / FREE_T_MM**2, 1e-12)
        covariance = along.mean(jac @ self.covariance @ np.swapaxes(jac, 1, 2))
        fine = len(along.fine)
        u = np.sqrt(along.mean(self.t_u**2))[rows]
        return SharedPosterior(
            along.fine,
            along.log_weight,
            along.follow(contact),
            along.follow(tangents),
            np.repeat(covariance[None], fine, axis=0),
            along.follow(self.t)[:, rows],
            np.repeat(u[None], fine, axis=0),
            along.follow(self.v)[:, rows],
            along.mean(self.cost)[rows],
            along.mean(own_var),
            self.scatter_mm,
            self.contact_scatter_mm,
            self.noise,
            self.shared[along.best],
            self.odd[rows],
            self.ends[:, rows],
        )


class AlongDelivery:
    """What changes smoothly along the mean delivery, from nodes that are each a little off."""

    def __init__(self, nodes: FloatArray, price: FloatArray, logdet: FloatArray) -> None:
        self.best = int(np.argmax(price))
        self._nodes = nodes
        off = price - price.max()
        near = np.exp(0.5 * np.maximum(off, -10.0))
        x = nodes - nodes[self.best]
        if len(nodes) < 4:
            self.fine, self.log_weight = nodes, off
            self._near, self._x, self._fine_x = near, x, x
            return
        # Determinants of what contacts take away are noisy, and change slowly.
        line = np.polyfit(x, logdet, 1, w=np.sqrt(near))[0]
        y = off - 0.5 * line * x
        # A node that has not settled lies below, never above; and what is believed of the delivery
        # has one hill, cut off at most: the least log-concave curve that no node lies above.
        inside = off > -12.0
        inside[max(self.best - 1, 0) : self.best + 2] = True
        grid = np.linspace(x[inside][0], x[inside][-1], 201)
        log = _upper_hull(x[inside], y[inside], grid)
        w = np.exp(log - log.max())
        w /= w.sum()
        mean = float(w @ grid)
        sd = float(np.sqrt(w @ (grid - mean) ** 2))
        at = mean + sd * np.linspace(-2.7, 2.7, 9)
        self._near, self._x = near, x
        self._fine_x = np.clip(at, grid[0], grid[-1])
        self.fine = self._fine_x + nodes[self.best]
        log = np.interp(self._fine_x, grid, log)
        self.log_weight = log - log.max() - 1e3 * (np.abs(at - self._fine_x) > 1e-9)

    def mean(self, values: FloatArray) -> FloatArray:
        """Mean over the nodes, by their weight."""
        w = self._near**2 / (self._near**2).sum()
        return np.asarray(np.tensordot(w, values, 1))

    def follow(self, values: FloatArray) -> FloatArray:
        """(k, n) at the fine nodes: quadratics through the nodes."""
        flat = values.reshape(len(values), -1)
        if len(values) < 4:
            return values
        x = np.vander(self._x, 3)
        trust = np.repeat(self._near[:, None], flat.shape[1], axis=1)
        for _ in range(3):
            normal = np.einsum("ki,kn,kj->nij", x, trust, x) + 1e-9 * np.eye(3)
            right = np.einsum("ki,kn,kn->ni", x, trust, flat)
            curve = np.linalg.solve(normal, right[..., None])[..., 0]
            left = flat - x @ curve.T
            trust = self._near[:, None] / (1 + (left / 0.5) ** 2)
        out = np.vander(self._fine_x, 3) @ curve.T
        return np.asarray(out.reshape(len(self.fine), *values.shape[1:]))


def _upper_hull(x: FloatArray, y: FloatArray, grid: FloatArray) -> FloatArray:
    """Least concave curve that no point lies above, at the places of the grid."""
    kept: list[int] = []
    for i in range(len(x)):
        while len(kept) > 1:
            a, b = kept[-2], kept[-1]
            if (y[b] - y[a]) * (x[i] - x[a]) > (y[i] - y[a]) * (x[b] - x[a]):
                break
            kept.pop()
        kept.append(i)
    return np.asarray(np.interp(grid, x[kept], y[kept]))


def ends_in_print(theta: FloatArray) -> FloatArray:
    """Return how deep heel and toe end are pressed, as a part of the greatest depth, (2, ...)."""
    out = np.empty((2, *theta.shape[1:]))
    h2 = np.exp(2 * theta[LOG_H])
    for side, (sign, column) in enumerate(((-1, HEEL), (1, TOE))):
        at = sign * (theta[HALF] - ground_off(theta[column])[0])
        out[side] = np.maximum(1 - (at - theta[T]) ** 2 / h2, 0)
    return out
