"""Footprints of a session's strikes put together: each club's contact, and what its level rests on.

Where neither a sole's end nor a mark tells where the sole's middle passed, an audit of an earlier
session may (`logger.session.evidence.audits`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.footprint import FootprintFits
from analysis.lie.club import Level, LevelSource
from analysis.lie.levels import SessionLevels, session_levels
from analysis.statistics.contact_mean import ContactMean
from logger.session.evidence.audits import CarriedAudit
from logger.session.evidence.footprints import Footprints
from logger.session.evidence.means import MeanOf
from logger.store.rows import StrikeRow


@dataclass(frozen=True, slots=True)
class PrintedStrike:
    """What the footprint of one strike says."""

    toe_mm: float | None
    """Most probable contact on the sole; None where the cells do not look like a sole's."""
    centre_mm: float | None
    """Where the sole's middle passed, board frame."""
    reason: str
    """Why it does not count; empty where it does."""


@dataclass(frozen=True, slots=True)
class PrintedClub:
    """What the footprints say of one club."""

    toe_mm: float
    own_u_mm: float
    """Uncertainty that is this club's own."""
    level: Level
    dof: float
    strikes: ContactMean
    """Of this club's strikes by themselves, each as most probable."""


@dataclass(frozen=True, slots=True)
class Printed:
    """What the footprints of a session say."""

    strikes: dict[int, PrintedStrike] = field(default_factory=dict)
    """By id of the board's strike."""
    clubs: dict[int, PrintedClub] = field(default_factory=dict)
    level: Level | None = None
    """Of all clubs; None without a footprint that counts."""


def put_together(
    fitted: Footprints | None,
    marks: Mapping[int, StrikeRow],
    carried: CarriedAudit | None,
    mean_of: MeanOf,
) -> Printed:
    """Put the footprints of a session together.

    Parameters
    ----------
    fitted
        None = the board sends no scans.
    marks
        Read off the sole, by the strike they audit.
    carried
        Audit of an earlier session; only taken where nothing in this one settles the level.
    mean_of
        Robust mean of a club's contacts.
    """
    if fitted is None:
        return Printed()
    fits = fitted.fits
    ok = fits.ok
    club = np.array([strike.club for strike in fitted.strikes], dtype=np.int64)
    reasons = dict(enumerate(fits.reasons))
    means: dict[int, ContactMean] = {}
    for label in np.unique(club):
        own = np.flatnonzero((club == label) & ok)
        mean = mean_of(fits.toe_mm[own])
        for aside in mean.set_aside:
            # It stands off its club's others: not the swing that is fitted.
            reasons[int(own[aside.index])] = aside.reason
        means[int(label)] = mean
    strikes = {
        strike.id: PrintedStrike(
            float(fits.toe_mm[row]) if ok[row] else None,
            float(fits.centre_mm[row]) if ok[row] else None,
            reasons[row],
        )
        for row, strike in enumerate(fitted.strikes)
    }
    counts = np.array([not reasons[row] for row in range(len(club))], dtype=bool)
    if not counts.any():
        return Printed(strikes)
    levels, level = _levels(fitted, club, counts, marks, carried)
    clubs = {
        number: replace(one, strikes=mean_of(fits.toe_mm[counts & (club == number)]))
        if means[number].set_aside
        else one
        for number, one in _by_club(levels, level, means).items()
    }
    return Printed(strikes, clubs, level)


def _levels(
    fitted: Footprints,
    club: NDArray[np.int64],
    counts: NDArray[np.bool_],
    marks: Mapping[int, StrikeRow],
    carried: CarriedAudit | None,
) -> tuple[SessionLevels, Level]:
    """Fit the session, by a carried audit where nothing in it tells the level."""
    fits = fitted.fits.take(counts)
    marked = [marks.get(strike.id) for strike in fitted.strikes]
    levels = session_levels(
        fits,
        club[counts],
        marks_toe_mm=np.array([m.toe_mm if m else np.nan for m in marked])[counts],
        marks_u_mm=np.array([m.toe_u_mm if m else 1.0 for m in marked])[counts],
    )
    if levels.level_claimed or carried is None:
        return levels, Level(0.0, levels.offset_sd_mm, source=LevelSource(levels.level_by))
    level = level_of(carried)
    return session_levels(_expected_at(fits, level), club[counts]), level


def level_of(carried: CarriedAudit) -> Level:
    """Return the level that a carried audit gives."""
    source = LevelSource.MARKS if carried.level.settles_level else LevelSource.ADDRESS
    return Level(carried.level.offset_mm, carried.level.u_mm, source=source, detail=carried.words)


def _expected_at(fits: FootprintFits, level: Level) -> FootprintFits:
    """Take the player's mean delivery to be where the level says instead of at the mark."""
    return replace(
        fits,
        node_centre_mm=fits.node_centre_mm - level.offset_mm,
        aim=replace(fits.aim, offset_u_mm=level.u_mm),
    )


def _by_club(
    levels: SessionLevels, level: Level, means: Mapping[int, ContactMean]
) -> dict[int, PrintedClub]:
    """Split each club's uncertainty into its own part and what all clubs share."""
    per_mm = levels.lie_sd_deg / np.maximum(levels.toe_sd_mm, 1e-9)
    sd, gap = levels.lie_sd_deg, levels.gap_sd_deg
    shared_mm = levels.offset_sd_mm
    if len(sd) > 1:
        # Var(a - b) = Var a + Var b - 2 Cov: what is left between clubs is the level they share.
        covariance = (sd[:, None] ** 2 + sd**2 - gap**2) / 2
        between = covariance[~np.eye(len(sd), dtype=bool)]
        shared_mm = math.sqrt(max(float(between.mean()), 0.0)) / float(per_mm.mean())
    dof = float(max(levels.strikes.sum() - len(sd), 1))
    found: dict[int, PrintedClub] = {}
    for index, club in enumerate(levels.club):
        total = float(levels.toe_sd_mm[index])
        level_u = min(shared_mm, total)
        found[int(club)] = PrintedClub(
            float(levels.toe_mm[index]),
            math.sqrt(max(total**2 - level_u**2, 0.0)),
            # The contacts are where they are expected with the level taken in.
            replace(level, offset_mm=0.0, u_mm=level_u),
            dof,
            means[int(club)],
        )
    return found
