"""What is believed of each club's lie error: means, covariance, and chances to lie beyond a point.

A mixture of normals (from the model of the whole set) or Student's t for each club (clubs taken one
by one); the plan asks both alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from analysis.conventions import FloatArray

Cdf = Callable[[FloatArray], FloatArray]

# A mixture of more parts than this is tabulated before many of its chances are asked for.
_FEW_PARTS = 4
_TABLE_POINTS = 193
_TABLE_REACH = 6.0


@dataclass(frozen=True)
class Belief:
    """Joint belief over n clubs, degrees."""

    mean: FloatArray
    """(n,)."""
    covariance: FloatArray
    """(n, n)."""
    weights: FloatArray
    """(k,): of the parts of the mixture, summing to 1."""
    part_mean: FloatArray
    """(k, n)."""
    part_sd: FloatArray
    """(k, n)."""
    dof: FloatArray
    """(n,): degrees of freedom; infinite = normal parts."""

    @classmethod
    def normal(cls, mean: ArrayLike, covariance: ArrayLike, dof: ArrayLike = math.inf) -> Belief:
        """Jointly normal, or Student's t for each club where ``dof`` is finite.

        With ``dof`` the square root of the covariance's diagonal is t's scale, as in the GUM.

        Raises
        ------
        ValueError
            Shapes do not fit, or the covariance is not one.
        """
        m = np.asarray(mean, dtype=np.float64).reshape(-1)
        c = np.asarray(covariance, dtype=np.float64)
        if c.shape != (m.size, m.size) or not np.allclose(c, c.T, atol=1e-9):
            raise ValueError("the covariance needs one row and column per club, and symmetry")
        if m.size and not float(np.linalg.eigvalsh(c)[0]) >= -1e-9:
            raise ValueError("the covariance must not be negative in any direction")
        free = np.broadcast_to(np.asarray(dof, dtype=np.float64), m.shape).copy()
        if np.any(~(free > 0)):
            raise ValueError("degrees of freedom must be positive")
        sd = np.sqrt(np.maximum(np.diag(c), 0.0))
        return cls(m, c, np.ones(1), m[None, :], sd[None, :], free)

    @property
    def sd(self) -> FloatArray:
        """(n,): standard deviations."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance), 0.0)))

    def below(self, club: int, points_deg: ArrayLike) -> FloatArray:
        """Probability that club's lie error lies below each point, shape of the points."""
        points = np.asarray(points_deg, dtype=np.float64)
        sd = self.part_sd[:, club]
        mean = self.part_mean[:, club]
        away = points[..., None] - mean
        free = float(self.dof[club])
        if math.isinf(free) and np.all(sd > 0):
            return np.asarray(ndtr(away / sd) @ self.weights)
        with np.errstate(divide="ignore", invalid="ignore"):
            z = np.where(sd > 0, away / sd, np.sign(away) * np.inf)
        z = np.where(np.isnan(z), 0.0, z)
        chance = ndtr(z) if math.isinf(free) else stdtr(min(free, 1e8), z)
        return np.asarray(chance @ self.weights)

    def cdf(self, club: int) -> Cdf:
        """Return a function that gives what `below` gives, fast for many points.

        A mixture is tabulated, to 2e-4 in probability.
        """
        if self.weights.size <= _FEW_PARTS:
            return lambda points: self.below(club, points)
        reach = _TABLE_REACH * max(float(self.sd[club]), 1e-9)
        grid = np.linspace(-reach, reach, _TABLE_POINTS) + self.mean[club]
        chance = self.below(club, grid)
        return lambda points: np.asarray(np.interp(points, grid, chance, 0.0, 1.0))

    def quantile(self, club: int, probability: float) -> float:
        """Point below which the lie error lies with this probability, to 1e-6 of its sd."""
        free = float(self.dof[club])
        if self.weights.size == 1:
            q = ndtri(probability) if math.isinf(free) else stdtrit(min(free, 1e8), probability)
            return float(self.part_mean[0, club] + q * self.part_sd[0, club])
        spread = max(float(self.sd[club]), 1e-12)
        # Cantelli: no quantile p is farther out than sqrt((1 - p) / p) standard deviations.
        reach = spread * math.sqrt(max((1 - probability) / probability, 1.0)) * 1.01
        reach = max(reach, spread * math.sqrt(probability / (1 - probability)) * 1.01)
        low, high = float(self.mean[club]) - reach, float(self.mean[club]) + reach
        while high - low > 1e-6 * spread:
            middle = (low + high) / 2
            if float(self.below(club, middle)) < probability:
                low = middle
            else:
                high = middle
        return (low + high) / 2

    def mean_abs(self, club: int, shift_deg: ArrayLike) -> FloatArray:
        """Return the expected ``|lie error + shift|``, degrees, shape of the shifts.

        Folded normal: ``sd sqrt(2/pi) exp(-m^2/2 sd^2) + m (1 - 2 Phi(-m/sd))``; a t is taken as
        the normal of the same scale.
        """
        shift = np.asarray(shift_deg, dtype=np.float64)[..., None]
        m = self.part_mean[:, club] + shift
        sd = np.maximum(self.part_sd[:, club], 1e-12)
        z = m / sd
        folded = sd * math.sqrt(2 / math.pi) * np.exp(-0.5 * z * z) + m * (1 - 2 * ndtr(-z))
        return np.asarray(folded @ self.weights)
