"""From nodes along the mean delivery to what is believed of contacts."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.conventions import FloatArray
from analysis.footprint.press import HALF, HEEL, LOG_H, TOE, T, ground_off
from analysis.lie.model import BoolArray


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
    out = np.empty((2, *theta.shape[1:]))
    h2 = np.exp(2 * theta[LOG_H])
    for side, (sign, column) in enumerate(((-1, HEEL), (1, TOE))):
        at = sign * (theta[HALF] - ground_off(theta[column])[0])
        out[side] = np.maximum(1 - (at - theta[T]) ** 2 / h2, 0)
    return out
