"""Air, and what it does to a spinning golf ball: density, viscosity, drag and lift coefficients.

Sources: ISO 2533:1975 (standard atmosphere: gas constant, Sutherland's viscosity); Smits and Smith,
in Science and Golf II (1994) 340-347, for the coefficients (constants from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from analysis.conventions import FloatArray


@dataclass(frozen=True, slots=True)
class Air:
    """Still air; as it stands, the standard atmosphere at sea level (ISO 2533: 15 °C, 1013.25 hPa).

    Attributes
    ----------
    density_kg_m3 : float
        > 0.
    viscosity_m2_s : float
        Kinematic viscosity, > 0.
    """

    density_kg_m3: float = 1.225
    viscosity_m2_s: float = 1.4607e-5

    def __post_init__(self) -> None:
        if not (self.density_kg_m3 > 0 and self.viscosity_m2_s > 0):
            raise ValueError("density and viscosity of air must be positive")


class Aerodynamics(Protocol):
    """Drag and lift of a ball in flight."""

    def coefficients(
        self, speed_m_s: FloatArray, spin_ratio: FloatArray, reynolds: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Drag and lift coefficients; all of one shape.

        Parameters
        ----------
        speed_m_s : ndarray
            Through the air.
        spin_ratio : ndarray
            Speed of the ball's surface over its speed through the air.
        reynolds : ndarray
            Speed times diameter over kinematic viscosity.

        Returns
        -------
        drag, lift : ndarray
            On the ball's cross-section.
        """
        ...


@dataclass(frozen=True, slots=True)
class SmitsSmith:
    """Wind-tunnel fit of Smits and Smith (1994), constants from memory.

    ``Cd = 0.24 + 0.18 S + 0.06 sin(pi (Re - 90000) / 200000)``, ``Cl = 0.54 S^0.4``.

    They measured 70 000 < Re < 210 000 and spin ratios of about 0.08 to 0.2 (from memory). Short
    irons go beyond.
    """

    def coefficients(
        self, speed_m_s: FloatArray, spin_ratio: FloatArray, reynolds: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """See `Aerodynamics.coefficients`."""
        hump = np.sin((math.pi / 200_000) * (reynolds - 90_000))
        return 0.24 + 0.18 * spin_ratio + 0.06 * hump, 0.54 * spin_ratio**0.4
