"""From strikes and clubs to the linear model of a set: observations, design, prior precisions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.conventions import FloatArray, lie_error_from_toe, stance_lie_error_deg
from analysis.lie.club import Level, Stance
from analysis.lie.set_types import (
    LENGTH_STEP_MM,
    IntArray,
    SetClub,
    SetPrior,
    SetStrikes,
)

# As the fitter's usual club, where a length or a lie is not known; common practice, no source.
_USUAL_LENGTH_MM = 940.0
_USUAL_LIE_DEG = 62.0
_GRIP_MM = 100.0


@dataclass(frozen=True)
class Design:
    """``y = X beta + own[club] + scatter``, degrees, over the strikes that count."""

    y: FloatArray
    """(n,): lie error that each strike shows."""
    u: FloatArray
    """(n,): its own standard uncertainty."""
    X: FloatArray
    """(n, p): level, slope, families, then drift, offset (mm) and stance (mm)."""
    club: IntArray
    member: FloatArray
    """(n, clubs): 1 where the strike is the club's."""
    kept: IntArray
    """(n,): places of these strikes among those given."""
    line: FloatArray
    """(clubs, p): rows of the clubs' lines, nuisances left out."""
    shown: FloatArray
    """(clubs, p): rows of a next strike of each club."""
    precision: FloatArray
    """(p,): of the prior, all means 0."""
    camber_rel: FloatArray
    """(clubs,): relative standard uncertainty of each sole's radius."""
    per_mm: FloatArray
    """(clubs,): degrees per mm of contact, at the sole's middle; negative."""
    middle: FloatArray
    """(clubs,): median of each club's strikes, 0 without any: where to start from."""
    drift_column: int | None
    offset_column: int | None
    notes: tuple[str, ...]

    @property
    def clubs(self) -> int:
        """How many clubs."""
        return int(self.line.shape[0])


def design(
    clubs: Sequence[SetClub],
    strikes: SetStrikes,
    level: Level,
    stance: Stance,
    pivot: str | None,
    prior: SetPrior,
) -> Design:
    """Put the linear model together.

    Raises
    ------
    ValueError
        No club, labels not all different, a strike of no club, an unknown pivot.
    """
    labels = [one.label for one in clubs]
    if not labels or len(set(labels)) != len(labels):
        raise ValueError("the set needs at least one club, and each label once")
    if strikes.club.size and not (strikes.club.min() >= 0 and strikes.club.max() < len(labels)):
        raise ValueError("a strike belongs to no club of the set")
    if pivot is not None and pivot not in labels:
        raise ValueError(f"the pivot {pivot!r} is not a club of the set")
    notes: list[str] = []
    lengths = _lengths(clubs, notes)
    middle = labels.index(pivot) if pivot is not None else len(labels) // 2
    x = (lengths - lengths[middle]) / LENGTH_STEP_MM

    line, precision = _line_columns(clubs, x, prior)
    kept = np.flatnonzero(np.isfinite(strikes.toe_mm)).astype(np.intp)
    club = strikes.club[kept]
    radius = np.array([one.sole.camber_mm for one in clubs])
    toe = strikes.toe_mm[kept] - level.offset_mm * strikes.per_offset[kept]
    per_stance = np.array(
        [
            stance_lie_error_deg(
                1.0,
                one.hands_mm or (one.length_mm or _USUAL_LENGTH_MM) - _GRIP_MM,
                one.lie_deg or _USUAL_LIE_DEG,
            )
            for one in clubs
        ]
    )
    y = lie_error_from_toe(toe, radius[club]) - per_stance[club] * stance.stance_mm
    # d atan(-t / R) / dt.
    slope = -np.degrees(radius[club] / (radius[club] ** 2 + toe**2))

    columns = [line[club]]
    ahead = [line]
    prior_precision = list(precision)
    drift_column = offset_column = None
    at = line.shape[1]
    per_mm = -np.degrees(1.0 / radius)
    if prior.drift_deg > 0 and kept.size > 1:
        count = strikes.swing[kept]
        columns.append(((count - count.mean()) / prior.drift_swings)[:, None])
        later = (count.max() + 1 - count.mean()) / prior.drift_swings
        ahead.append(np.full((len(labels), 1), later))
        prior_precision.append(1 / prior.drift_deg**2)
        drift_column, at = at, at + 1
    if level.u_mm > 0:
        loading = strikes.per_offset[kept]
        columns.append((slope * loading)[:, None])
        usual = float(loading.mean()) if loading.size else 1.0
        ahead.append((per_mm * usual)[:, None])
        prior_precision.append(1 / level.u_mm**2)
        offset_column, at = at, at + 1
    if stance.u_mm > 0:
        columns.append(per_stance[club][:, None])
        ahead.append(per_stance[:, None])
        prior_precision.append(1 / stance.u_mm**2)
    X = np.concatenate(columns, axis=1)
    wide_line = np.zeros((len(labels), X.shape[1]))
    wide_line[:, : line.shape[1]] = line
    return Design(
        y=np.asarray(y),
        u=np.abs(slope) * strikes.u_mm[kept],
        X=X,
        club=club,
        member=(club[:, None] == np.arange(len(labels))).astype(np.float64),
        kept=kept,
        line=wide_line,
        shown=np.concatenate(ahead, axis=1),
        precision=np.array(prior_precision),
        camber_rel=np.array([one.sole.u_camber_mm / one.sole.camber_mm for one in clubs]),
        per_mm=per_mm,
        middle=_medians(np.asarray(y), club, len(labels)),
        drift_column=drift_column,
        offset_column=offset_column,
        notes=tuple(notes),
    )


def _medians(y: FloatArray, club: IntArray, clubs: int) -> FloatArray:
    out = np.zeros(clubs)
    for i in range(clubs):
        own = np.sort(y[club == i])
        if own.size:
            out[i] = (own[(own.size - 1) // 2] + own[own.size // 2]) / 2
    return out


def _lengths(clubs: Sequence[SetClub], notes: list[str]) -> FloatArray:
    """Lengths with the gaps filled in along the order given."""
    given = np.array([math.nan if c.length_mm is None else c.length_mm for c in clubs])
    place = np.arange(len(clubs), dtype=np.float64)
    known = np.isfinite(given)
    if known.all():
        if len(clubs) > 1 and np.ptp(given) == 0:
            notes.append("all clubs have one length: the set has a level, but no slope to speak of")
        return given
    if not known.any():
        if len(clubs) > 1:
            notes.append("no length is known: clubs are taken half an inch apart, in their order")
        return np.asarray(_USUAL_LENGTH_MM - LENGTH_STEP_MM * place)
    names = ", ".join(c.label for c, have in zip(clubs, known, strict=True) if not have)
    notes.append(f"length not known: {names} placed between neighbours in the order of the set")
    inside = np.interp(place, place[known], given[known])
    step = LENGTH_STEP_MM
    if known.sum() > 1:
        step = abs(float(np.polyfit(place[known], given[known], 1)[0])) or LENGTH_STEP_MM
    first, last = np.flatnonzero(known)[[0, -1]]
    # Beyond the outermost known lengths the set goes on as it does inside: longest first, if known.
    down = -1.0 if given[last] <= given[first] else 1.0
    inside[:first] += down * step * (place[:first] - first)
    inside[last + 1 :] += down * step * (place[last + 1 :] - last)
    return np.asarray(inside)


def _line_columns(
    clubs: Sequence[SetClub], x: FloatArray, prior: SetPrior
) -> tuple[FloatArray, list[float]]:
    columns = [np.ones_like(x)]
    precision = [1 / prior.level_deg**2]
    if np.ptp(x) > 0:
        columns.append(x)
        precision.append(1 / prior.slope_deg**2)
    families = list(dict.fromkeys(one.family for one in clubs))
    for family in families[1:]:
        inside = np.array([one.family == family for one in clubs], dtype=np.float64)
        columns.append(inside)
        precision.append(1 / prior.family_step_deg**2)
        own = x[inside > 0]
        if np.ptp(own) > 0:
            columns.append(inside * (x - own.mean()))
            precision.append(1 / prior.family_slope_deg**2)
    return np.stack(columns, axis=1), precision
