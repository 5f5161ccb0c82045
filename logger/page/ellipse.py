"""The ellipse in which the next strike falls with a stated chance."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from logger.page.messages import EllipsePart

# Half of all swings: of the shapes a handful of swings can carry, the one that is soonest true.
SHARE = 0.5
# Of fewer, the covariance says next to nothing. Common practice, no source.
FEWEST = 5


def next_strike_ellipse(
    toe_mm: ArrayLike, trail_mm: ArrayLike, share: float = SHARE
) -> EllipsePart | None:
    """Return the region of the next strike, or None with fewer than `FEWEST` strikes.

    Of n draws from a bivariate normal distribution with mean m and covariance S, both estimated,
    the next one x has (x - m)' S^-1 (x - m) distributed as 2 (n^2 - 1) / (n (n - 2)) F(2, n - 2)
    (Johnson and Wichern, Applied Multivariate Statistical Analysis, section 5.6, prediction of a
    future observation). For two degrees of freedom the quantile of F is closed:
    m / 2 ((1 - p)^(-2 / m) - 1).
    """
    places = np.column_stack([np.asarray(toe_mm, float), np.asarray(trail_mm, float)])
    n = len(places)
    if n < FEWEST:
        return None
    middle = places.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov(places, rowvar=False))
    dof = n - 2
    f_quantile = dof / 2 * ((1 - share) ** (-2 / dof) - 1)
    stretch = 2 * (n**2 - 1) / (n * dof) * f_quantile
    minor, major = np.sqrt(np.maximum(values, 0.0) * stretch)
    angle = math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
    # An axis has no sense of direction: over -90 up to 90.
    angle = angle - 180 if angle > 90 else angle + 180 if angle <= -90 else angle
    return EllipsePart(
        round(float(middle[0]), 2),
        round(float(middle[1]), 2),
        round(float(major), 2),
        round(float(minor), 2),
        round(angle, 1),
        share,
    )
