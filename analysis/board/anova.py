"""Analysis of variance, balanced, with random groups; and pooling of standard deviations.

Sources: JCGM 100:2008, H.5 (one-way); AIAG, Measurement Systems Analysis Reference Manual, 4th ed.
(2010), appendix A (two-way crossed); NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.4
(pooling).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One line of the table: sum of squares, degrees of freedom, mean square, F and its p.

    `f` and `p` are None for the line that the others are tested against, and below it.
    """

    source: str
    ss: float
    dof: int
    ms: float
    f: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance with random groups, balanced.

    Attributes
    ----------
    groups, repeats : int
        Size.
    mean, u_mean : float
        Grand mean and its standard uncertainty with the groups as a random sample.
    ss_between, ss_within, ms_between, ms_within : float
        Sums of squares and mean squares.
    f, p : float
        Test of "the groups are alike"; F is infinite when there is no scatter within.
    between_sd : float
        ``sqrt(max(0, (ms_between - ms_within) / repeats))``.
    within_sd : float
        Pooled standard deviation within groups.
    """

    groups: int
    repeats: int
    mean: float
    u_mean: float
    ss_between: float
    ss_within: float
    ms_between: float
    ms_within: float
    f: float
    p: float
    between_sd: float
    within_sd: float


def pooled_sd(sds: ArrayLike, dofs: ArrayLike) -> tuple[float, int]:
    """Pool standard deviations: ``sqrt(sum(dof * sd^2) / sum(dof))``.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.4 (the level-1 and level-3 standard
    deviations). For pooling studies of different weeks.

    Parameters
    ----------
    sds : array_like
        Shape (n,), each >= 0.
    dofs : array_like
        Degrees of freedom of each, scalar or shape (n,), each >= 1.

    Returns
    -------
    sd : float
    dof : int

    Raises
    ------
    NoAnswerError
        Nothing to pool.
    ValueError
        A negative standard deviation or fewer than 1 degree of freedom.
    """
    s = np.asarray(sds, dtype=np.float64)
    nu = np.broadcast_to(np.asarray(dofs, dtype=np.float64), s.shape)
    if s.size == 0:
        raise NoAnswerError("there is no standard deviation to pool")
    if np.any(s < 0) or np.any(nu < 1):
        raise ValueError("standard deviations must not be negative, and need 1 degree of freedom")
    return math.sqrt(float(np.sum(nu * s**2) / np.sum(nu))), int(np.sum(nu))


def full_block(labels: Sequence[Sequence[object]], value: ArrayLike) -> FloatArray:
    """Values as a full block with one axis per kind of label and the repeats last.

    Parameters
    ----------
    labels : sequence of sequence
        One sequence of shape (n,) per kind of label.
    value : array_like
        Shape (n,).

    Returns
    -------
    ndarray
        Shape (groups of the first kind, ..., repeats), groups in the order they were first met.

    Raises
    ------
    NoAnswerError
        A value is missing, or a combination has fewer or more repeats than others; it is named.
    ValueError
        Lengths differ.
    """
    values = np.asarray(value, dtype=np.float64)
    if values.ndim != 1 or any(len(kind) != values.size for kind in labels):
        raise ValueError("a study needs one value for each entry of its labels")
    if not np.all(np.isfinite(values)):
        raise NoAnswerError("a value is missing: measure that one again, the study must be full")
    cells: dict[tuple[object, ...], list[float]] = {}
    for key, v in zip(zip(*labels, strict=True), values, strict=True):
        cells.setdefault(key, []).append(float(v))
    names = [list(dict.fromkeys(kind)) for kind in labels]
    shape = tuple(len(kind) for kind in names)
    repeats = max((len(v) for v in cells.values()), default=0)
    block = np.empty((*shape, repeats))
    for place in np.ndindex(shape):
        key = tuple(kind[k] for kind, k in zip(names, place, strict=True))
        found = cells.get(key, [])
        if len(found) != repeats:
            raise NoAnswerError(
                f"{' / '.join(str(k) for k in key)} has {len(found)} values where others have "
                f"{repeats}: the study must be full and even, measure what is missing"
            )
        block[place] = found
    return block


def one_way(group: Sequence[object], value: ArrayLike) -> OneWay:
    """Scatter between and within groups, e.g. days, clubs, boards.

    Parameters
    ----------
    group : sequence
        Shape (n,). Label of each value.
    value : array_like
        Shape (n,).

    Returns
    -------
    OneWay

    Raises
    ------
    NoAnswerError
        Fewer than 2 groups, fewer than 2 repeats, unequal numbers of repeats, a value missing.
    ValueError
        Lengths differ.

    Notes
    -----
    Sums of squares are taken about the means, so that a large common offset costs no digits. JCGM
    100:2008, H.5 is the worked example.
    """
    block = full_block([group], value)
    groups, repeats = block.shape
    if groups < 2 or repeats < 2:
        raise NoAnswerError("2 groups with 2 values each are the least that can be compared")
    base = float(block.flat[0])
    block = block - base
    means = block.mean(axis=1)
    grand = float(means.mean())
    between = repeats * float(np.sum((means - grand) ** 2))
    within = float(np.sum((block - means[:, None]) ** 2))
    ms_between, ms_within = between / (groups - 1), within / (groups * (repeats - 1))
    f = ratio_of(ms_between, ms_within)
    sd, _ = pooled_sd(block.std(axis=1, ddof=1), repeats - 1)
    return OneWay(
        groups=groups,
        repeats=repeats,
        mean=base + grand,
        u_mean=math.sqrt(max(ms_between, 0.0) / (groups * repeats)),
        ss_between=between,
        ss_within=within,
        ms_between=ms_between,
        ms_within=ms_within,
        f=f,
        p=p_of(f, groups - 1, groups * (repeats - 1)),
        between_sd=math.sqrt(max(0.0, (ms_between - ms_within) / repeats)),
        within_sd=sd,
    )


def two_way(block: FloatArray, *, pool_above_p: float = 0.25) -> tuple[tuple[AnovaRow, ...], bool]:
    """Two-way crossed analysis of variance, both kinds of group random, balanced.

    Parameters
    ----------
    block : ndarray
        Shape (parts, people, repeats), each >= 2.
    pool_above_p : float
        The interaction is pooled with the repeats when its p exceeds this (AIAG).

    Returns
    -------
    table : tuple of AnovaRow
        "part", "person", then "interaction" and "repeat", or "repeat" alone when pooled. Parts and
        people are tested against the interaction, or against the pooled repeats.
    pooled : bool
    """
    parts, people, repeats = block.shape
    block = block - float(block.flat[0])
    by_part, by_person, by_cell = (
        block.mean(axis=(1, 2)),
        block.mean(axis=(0, 2)),
        block.mean(axis=2),
    )
    grand = float(by_part.mean())
    ss_part = people * repeats * float(np.sum((by_part - grand) ** 2))
    ss_person = parts * repeats * float(np.sum((by_person - grand) ** 2))
    cross = by_cell - by_part[:, None] - by_person[None, :] + grand
    ss_cross = repeats * float(np.sum(cross**2))
    ss_repeat = float(np.sum((block - by_cell[:, :, None]) ** 2))
    dof_part, dof_person = parts - 1, people - 1
    dof_cross, dof_repeat = dof_part * dof_person, parts * people * (repeats - 1)
    f_cross = ratio_of(ss_cross / dof_cross, ss_repeat / dof_repeat)
    p_cross = p_of(f_cross, dof_cross, dof_repeat)
    pooled = p_cross > pool_above_p
    if pooled:
        ss_repeat, dof_repeat = ss_repeat + ss_cross, dof_repeat + dof_cross
    ms_repeat = ss_repeat / dof_repeat
    against, dof_against = (ms_repeat, dof_repeat) if pooled else (ss_cross / dof_cross, dof_cross)
    table = []
    for name, ss, dof in (("part", ss_part, dof_part), ("person", ss_person, dof_person)):
        f = ratio_of(ss / dof, against)
        table.append(AnovaRow(name, ss, dof, ss / dof, f, p_of(f, dof, dof_against)))
    if not pooled:
        table.append(
            AnovaRow("interaction", ss_cross, dof_cross, ss_cross / dof_cross, f_cross, p_cross)
        )
    table.append(AnovaRow("repeat", ss_repeat, dof_repeat, ms_repeat, None, None))
    return tuple(table), pooled


def ratio_of(top: float, bottom: float) -> float:
    """Return F; infinite with scatter above and none below, 1 with none at all."""
    if bottom > 0:
        return top / bottom
    return math.inf if top > 0 else 1.0


def p_of(f: float, dof_top: int, dof_bottom: int) -> float:
    """Chance of an F at least as great from scatter alone."""
    return 0.0 if math.isinf(f) else float(fdtrc(dof_top, dof_bottom, f))
