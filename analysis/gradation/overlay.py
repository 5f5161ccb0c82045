"""Two neighbours laid sole to sole: the lie step from how far the grips stand apart.

What several overlays and measured lies say together is in `analysis.gradation.network`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# Offset read with a ruler between rounded grips, and soles lined up by hand: about 2 mm each.
# Common practice, no source.
U_OFFSET_MM = 3.0
U_LENGTH_MM = 1.5


@dataclass(frozen=True, slots=True)
class LieStep:
    """Lie of the second club minus that of the first."""

    first: str
    second: str
    step_deg: float
    """Positive = the second stands more upright."""
    u_deg: float


def overlay_step(
    first: str,
    second: str,
    offset_mm: float,
    *,
    first_length_mm: float,
    second_length_mm: float,
    u_offset_mm: float = U_OFFSET_MM,
    u_length_mm: float = U_LENGTH_MM,
) -> LieStep:
    """Lie step of two clubs laid with their soles aligned.

    Parameters
    ----------
    first, second : str
        Labels, as a rule the longer club first.
    offset_mm : float
        From the first shaft to the second, square to the shafts at the grip end of the shorter
        club; positive = the second stands on the upright side.
    first_length_mm, second_length_mm : float
        Whole lengths, 600 to 1300 mm.
    u_offset_mm, u_length_mm : float
        Standard uncertainties of the offset, how well the soles lie aligned included, and of each
        length.

    Returns
    -------
    LieStep

    Raises
    ------
    ValueError
        A number out of range.

    Notes
    -----
    ``step = atan(offset / L)``. The shafts part at the soles, so both are L away from there where
    the offset is read: L is the shorter length, and only its doubt enters (our derivation).
    """
    if first == second:
        raise ValueError(f"{first}: an overlay takes two clubs")
    lengths = (first_length_mm, second_length_mm)
    if not all(600 <= length <= 1300 for length in lengths):
        raise ValueError(f"{first} and {second}: a club's length lies within 600 and 1300 mm")
    if not (abs(offset_mm) <= 300 and u_offset_mm > 0 and u_length_mm >= 0):
        raise ValueError(
            f"{first} and {second}: an offset of 300 mm at most, its uncertainty positive, please"
        )
    length = min(lengths)
    square = length**2 + offset_mm**2
    u = math.hypot(length / square * u_offset_mm, offset_mm / square * u_length_mm)
    return LieStep(first, second, math.degrees(math.atan(offset_mm / length)), math.degrees(u))
