"""The one place where inches meet millimetres.

1 in = 25.4 mm exactly: the international inch of 1959.
"""

from __future__ import annotations

MM_PER_INCH = 25.4


def mm_from_inches(inches: float) -> float:
    """Millimetres of a length given in inches."""
    return inches * MM_PER_INCH


def inches_from_mm(mm: float) -> float:
    """Inches of a length given in millimetres."""
    return mm / MM_PER_INCH
