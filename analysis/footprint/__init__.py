"""Cells of one strike -> where the sole passed, its lie error, and what the press says of both."""

from analysis.footprint.fit import fit_footprints
from analysis.footprint.types import AimPrior, FootprintFits, Reason, SolePrior, StripSpec

__all__ = ["AimPrior", "FootprintFits", "Reason", "SolePrior", "StripSpec", "fit_footprints"]
