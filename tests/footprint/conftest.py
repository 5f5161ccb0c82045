"""A strip and a sole by brute force, written from the formula and sharing no code with the fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest


@dataclass(frozen=True)
class Bench:
    """32 cells at 4 mm; midpoint rule with many points in each cell."""

    cells: int = 32
    pitch_mm: float = 4.0
    points: int = 64

    def pressure(
        self,
        centre,
        lie_deg,
        depth,
        k=1000.0,
        radius=300.0,
        length=78.0,
        sag=0.0,
        shape=0.0,
        heel=0.0,
        toe=0.0,
        edge=25.0,
        share=0.0,
    ):
        """Mean pressure of each cell, (n, cells); ``sag`` lowers the depth cell by cell, mm.

        ``shape`` 0 elastic foundation, 1 half-space; ``heel`` and ``toe`` mm ground off along a
        radius of ``edge``; each cell hands ``share`` of its load to its two neighbours.
        """
        given = (centre, lie_deg, depth, k, radius, length, shape, heel, toe, edge)
        centre, lie_deg, depth, k, radius, length, shape, heel, toe, edge = np.broadcast_arrays(
            *(np.atleast_1d(np.asarray(a, float))[:, None, None] for a in given)
        )
        middle = (np.arange(self.cells) - (self.cells - 1) / 2) * self.pitch_mm
        inner = ((np.arange(self.points) + 0.5) / self.points - 0.5) * self.pitch_mm
        u = (middle[:, None] + inner) - centre
        slope = np.tan(np.radians(lie_deg))
        level = depth - np.broadcast_to(sag, (len(depth), self.cells))[:, :, None]
        for ground, out in ((heel, -u), (toe, u)):
            level = level - np.maximum(0, out - (length / 2 - ground)) ** 2 / (2 * edge)
        top = depth + radius * slope**2 / 2
        g = np.maximum(0, level - u**2 / (2 * radius) - u * slope) / top
        p = k * top * ((1 - shape) * g + shape * np.sqrt(g)) * (np.abs(u) <= length / 2)
        p = p.mean(axis=2)
        share = np.asarray(share, float).reshape(-1, 1)
        beside = np.pad(p, ((0, 0), (1, 1)))
        return (1 - share) * p + share / 2 * (beside[:, :-2] + beside[:, 2:])

    def noisy(self, rng, pressure, offset=20.0, gain_u=0.05):
        """One scan with offset and gain noise, (n, 1, cells)."""
        gain = 1 + gain_u * rng.normal(size=pressure.shape)
        return (pressure * gain + offset * rng.normal(size=pressure.shape))[:, None]


@pytest.fixture(scope="session")
def bench():
    return Bench()
