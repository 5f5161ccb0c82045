"""All strikes of a session as one set: clubs lean on each other, the odd one is named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analysis.conventions import FloatArray
from analysis.footprint import FootprintFits
from analysis.lie.club import Level, SoleArc, Stance
from analysis.lie.set_model import fit_set
from analysis.lie.set_types import SetClub, SetPosterior, SetStrikes
from logger.session.evidence.footprints import Footprints
from logger.setfiles.clubs import ClubSpec
from logger.store.rows import ClubRow, SessionRow, StrikeRow

# From the sole to the middle of the hands, which hold the club some 100 mm below its end; a
# club whose length is not known is taken for a middle iron. Common practice, no source.
_GRIP_MM = 100.0
_USUAL_LENGTH_MM = 940.0
# A centroid of 4 mm cells, or a mark on the sole, is placed to about this. Common practice.
_READING_U_MM = 1.0
# Lofts from here on are wedges: their soles are another family. Common practice, no source.
WEDGE_LOFT_DEG = 44.0
_FEWEST_WEDGES = 3


def set_posterior(
    session: SessionRow,
    clubs: Sequence[ClubRow],
    arcs: Mapping[int, SoleArc],
    counted: Sequence[StrikeRow],
    fitted: Footprints | None,
    pivot: int | None,
    level: Level,
    confidence: float,
) -> SetPosterior:
    """Fit the whole set to the strikes that count.

    Parameters
    ----------
    session, clubs
        In the order of the set.
    arcs
        Radius of each club's sole.
    counted
        Strikes and marks that were not set aside, in the order they were struck.
    fitted
        Footprints of those that have one.
    pivot
        Id of the club from which checking starts.
    level
        Where the sole's middle passed, as far as the strikes do not say so themselves.
    confidence
        Of all intervals.
    """
    place = {club.id: index for index, club in enumerate(clubs)}
    own = [c for c in counted if c.club in place and c.toe_mm is not None]
    printed = {} if fitted is None else {s.id: row for row, s in enumerate(fitted.strikes)}
    fits = None if fitted is None else fitted.fits
    known = None if fits is None else (fits, fits.ok, covariance_with_offset(fits))
    u_level = session.sole_middle_u_mm
    toe: list[float] = []
    u: list[float] = []
    per_offset: list[float] = []
    for contact in own:
        row = printed.get(contact.id) if contact.source == "board" else None
        if known is not None and row is not None:
            fits, numbered, offset_cov = known
            ok = bool(numbered[row])
            loading = -float(offset_cov[row]) / u_level**2 if ok else 0.0
            left = float(fits.toe_sd_mm[row]) ** 2 - (loading * u_level) ** 2 if ok else 0.0
            toe.append(float(fits.toe_mm[row]) if ok else np.nan)
            u.append(float(np.sqrt(max(left, 0.0))))
            per_offset.append(loading)
        else:
            toe.append(np.nan if contact.toe_mm is None else contact.toe_mm)
            u.append(contact.toe_u_mm or _READING_U_MM)
            per_offset.append(0.0 if contact.source == "mark" else 1.0)
    strikes = SetStrikes(
        np.array([place[c.club] for c in own if c.club is not None], dtype=np.intp),
        np.array(toe, dtype=np.float64),
        np.array(u, dtype=np.float64),
        np.array(per_offset, dtype=np.float64),
        np.arange(len(own), dtype=np.float64),
    )
    return fit_set(
        _set_clubs(clubs, arcs),
        strikes,
        level=level,
        stance=Stance(session.stance_mm, session.stance_u_mm),
        pivot=next((club.label for club in clubs if club.id == pivot), None),
        confidence=confidence,
    )


def covariance_with_offset(fits: FootprintFits) -> FloatArray:
    """Covariance of each strike's contact with the player's common offset, mm^2, shape (n,).

    The place of the sole is mark + offset + this swing's own scatter; of its covariance with the
    contact the offset has the share that it has in the prior. NaN where a strike has no footprint.
    """
    share = fits.aim.offset_u_mm**2 / fits.aim.sd_mm**2
    degrees_per_mm = np.degrees(1 / (1 + (fits.toe_mm / fits.camber_mm) ** 2)) / fits.camber_mm
    return np.asarray(-fits.toe_sign * fits.covariance[:, 0, 1] / degrees_per_mm * share)


def _set_clubs(clubs: Sequence[ClubRow], arcs: Mapping[int, SoleArc]) -> list[SetClub]:
    lofts = [club.spec.loft_deg for club in clubs]
    wedges = sum(loft is not None and loft >= WEDGE_LOFT_DEG for loft in lofts)
    return [
        SetClub(
            club.label,
            club.spec.length_mm,
            "wedge"
            if wedges >= _FEWEST_WEDGES and loft is not None and loft >= WEDGE_LOFT_DEG
            else "iron",
            arcs[club.id],
            hands_mm(club.spec),
            club.spec.lie_deg,
        )
        for club, loft in zip(clubs, lofts, strict=True)
    ]


def hands_mm(spec: ClubSpec) -> float:
    """Length from the sole to the hands."""
    return (spec.length_mm or _USUAL_LENGTH_MM) - _GRIP_MM
