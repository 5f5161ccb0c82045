"""An invented set of eight clubs, and how far each lies from what the invented player needs."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators.sole import Sole

INCH_MM = 25.4


@dataclass(frozen=True, kw_only=True)
class Club:
    """One club: its make, and the truth that a fitter would like to know."""

    label: str
    length_mm: float
    lie_deg: float
    loft_deg: float
    # Delivered too upright = positive, under this player's mean swing.
    lie_error_deg: float
    # Front to back place of the sole's lowest point under the mean swing; trailing edge positive.
    trail_mm: float
    speed_mm_per_ms: float
    sole: Sole = field(default_factory=Sole)


# Half an inch a club and 34 degrees of loft from end to end: generic, no maker's numbers.
# label, length in, lie, loft, camber, sole length, sole width, front-to-back radius, own error,
# trail, speed
_MAKE = (
    ("4i", 38.5, 60.5, 22.5, 332.0, 77.0, 18.0, 44.0, 0.10, -1.4, 38.0),
    ("5i", 38.0, 61.0, 25.5, 318.0, 77.5, 18.5, 46.0, -0.15, -1.0, 37.0),
    ("6i", 37.5, 61.5, 28.5, 309.0, 78.0, 19.0, 47.0, 1.80, -0.6, 36.0),
    ("7i", 37.0, 62.0, 32.5, 301.0, 78.0, 19.5, 48.0, -0.05, 0.0, 35.0),
    ("8i", 36.5, 62.5, 36.5, 294.0, 78.5, 20.0, 50.0, 0.15, 0.4, 34.0),
    ("9i", 36.0, 63.0, 41.0, 288.0, 78.5, 20.5, 52.0, -0.20, 0.7, 33.0),
    ("PW", 35.75, 63.5, 46.0, 279.0, 79.0, 21.0, 55.0, 0.05, 1.2, 32.0),
    ("SW", 35.25, 64.0, 56.0, 262.0, 80.0, 24.0, 62.0, 0.10, 2.5, 30.0),
)

LEVEL_DEG = 0.6
SLOPE_DEG_PER_MM = 0.010
PIVOT_LENGTH_MM = 37.0 * INCH_MM


def default_set(*, worn: bool = True) -> tuple[Club, ...]:
    """Eight irons and wedges; the 6-iron is 1.8 degrees off the line of the others.

    The true lie error of a club is ``LEVEL_DEG + SLOPE_DEG_PER_MM * (length - pivot) + own``.
    With `worn`, the soles have what use and grinding give them; else they are circular.
    """
    clubs = []
    for label, inches, lie, loft, camber, length, width, radius, own, trail, speed in _MAKE:
        length_mm = inches * INCH_MM
        sole = Sole(
            camber_mm=camber, length_mm=length, width_mm=width, front_back_radius_mm=radius,
            heel_relief_mm=6.0 if worn else 0.0, toe_relief_mm=4.0 if worn else 0.0,
            flat_mm=3.0 if worn else 0.0, worn_edge_mm=1.0 if worn else 0.0,
        )  # fmt: skip
        error = LEVEL_DEG + SLOPE_DEG_PER_MM * (length_mm - PIVOT_LENGTH_MM) + own
        clubs.append(
            Club(label=label, length_mm=length_mm, lie_deg=lie, loft_deg=loft,
                 lie_error_deg=round(error, 3), trail_mm=trail, speed_mm_per_ms=speed, sole=sole)
        )  # fmt: skip
    return tuple(clubs)
