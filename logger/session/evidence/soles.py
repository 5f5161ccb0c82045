"""What is known of a club's sole from end to end."""

from __future__ import annotations

from analysis.conventions import toe_from_lie_error
from analysis.lie.club import SoleArc
from logger.setfiles.clubs import ClubSpec


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
