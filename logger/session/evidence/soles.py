"""What a set file says of a club, and what is usual where it does not."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.conventions import (
    GRIP_MM,
    USUAL_LENGTH_MM,
    USUAL_SOLE_MM,
    WEDGE_LOFT_DEG,
    toe_from_lie_error,
)
from analysis.lie.club import SoleArc
from logger.setfiles.clubs import ClubSpec

# A sole is measured with a rule from end to end, ground-off parts included; one that was not
# measured is a middle iron's. Common practice, no source.
_USUAL_SOLE_U_MM = 3.0
_MEASURED_SOLE_U_MM = 1.5
_FEWEST_WEDGES = 3


def hands_mm(spec: ClubSpec) -> float:
    """Length from the sole to the hands."""
    return (spec.length_mm or USUAL_LENGTH_MM) - GRIP_MM


def sole_length(spec: ClubSpec) -> tuple[float, float]:
    """Length of the sole from end to end and its standard uncertainty."""
    if spec.sole_length_mm is None:
        return USUAL_SOLE_MM, _USUAL_SOLE_U_MM
    return spec.sole_length_mm, _MEASURED_SOLE_U_MM


def families(lofts_deg: Sequence[float | None]) -> list[int]:
    """0 for irons, 1 for wedges, where there are enough of them for a line of their own."""
    wedge = [loft is not None and loft >= WEDGE_LOFT_DEG for loft in lofts_deg]
    return [int(one and sum(wedge) >= _FEWEST_WEDGES) for one in wedge]


def sole_arc(spec: ClubSpec) -> SoleArc:
    """Return the sole's radius as measured, or what is usual with a wide uncertainty."""
    if spec.camber_mm is None:
        return SoleArc()
    # A radius typed in without its uncertainty is trusted to a tenth. Common practice, no source.
    u_mm = spec.camber_u_mm if spec.camber_u_mm is not None else 0.1 * spec.camber_mm
    return SoleArc(spec.camber_mm, u_mm, measured=True)


def wanted_toe_mm(spec: ClubSpec, sole: SoleArc) -> float:
    """Place on the sole where this player wants the contact, mm toward the toe."""
    if spec.bias is None or spec.bias_unit not in ("mm", "deg"):
        return 0.0
    if spec.bias_unit == "mm":
        return spec.bias
    return float(toe_from_lie_error(spec.bias, sole.camber_mm))
