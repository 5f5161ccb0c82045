"""Is the board good enough to bend by? Repeatability and reproducibility study.

Several lies (parts), several people, each lie measured several times by each person, all against
all. The scatter is split into the board itself (repeatability), the people (reproducibility) and
the lies.

Method: two-way analysis of variance with random effects as in AIAG, Measurement Systems Analysis
Reference Manual, 4th ed. (2010), chapter III and appendix A; the interaction is pooled with the
repeats when its p exceeds 0.25. Intervals: generalised confidence intervals (Weerahandi, J. Amer.
Statist. Assoc. 88 (1993) 899; Hannig, Iyer and Patterson, ibid. 101 (2006) 254), worked by drawing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.answers import NoAnswerError, Verdict
from analysis.board.anova import AnovaRow, full_block, one_way, two_way
from analysis.conventions import FloatArray

DEFAULT_TOLERANCE_DEG = 0.5
POOL_ABOVE_P = 0.25
# AIAG's guide: under 10 % of the tolerance is good, over 30 % is not acceptable, between may do.
USABLE_PERCENT = 30.0
GOOD_PERCENT = 10.0
# Spread that a standard deviation stands for: 6, i.e. 99.7 % (AIAG, 4th ed.).
_SPREAD = 6.0
# Enough that a 5 % quantile of a ratio repeats within about 2 %; one fixed stream, so the same data
# always give the same interval.
_DRAWS = 20_000
_SEED = 20100601


@dataclass(frozen=True, slots=True)
class Component:
    """One part of the scatter.

    Attributes
    ----------
    sd : float
        Standard deviation, degrees; 0 where the estimate of the variance is negative.
    interval : (float, float)
        Interval of the standard deviation at the study's level.
    percent_study : float
        Per cent of the total standard deviation.
    percent_tolerance : float
        ``6 * sd`` as per cent of the whole tolerance width.
    """

    sd: float
    interval: tuple[float, float]
    percent_study: float
    percent_tolerance: float


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Result of a crossed study.

    Attributes
    ----------
    parts, people, repeats : int
        Size of the study.
    table : tuple of AnovaRow
        Analysis of variance.
    pooled : bool
        The interaction was counted with the repeats.
    repeatability : Component
        The board on the same lie by the same person.
    person, interaction : Component
        Between people; people differing from lie to lie (0 when pooled).
    reproducibility : Component
        Both of these together.
    gauge : Component
        Repeatability and reproducibility together: the board in use.
    part, total : Component
        Between lies; all together.
    categories : int or None
        Number of groups of lies it can tell apart, ``1.41 * part / gauge`` cut down, at least 1;
        None when the gauge shows no scatter at all.
    readings_needed : int or None
        So many readings of a club, averaged, bring the gauge under 30 % of the tolerance; None if
        no number can, because the people differ too much.
    level : float
        Coverage probability of the intervals.
    verdict : Verdict
        Good enough to bend by?
    reason : str
        Why, and what to do.
    """

    parts: int
    people: int
    repeats: int
    table: tuple[AnovaRow, ...]
    pooled: bool
    repeatability: Component
    person: Component
    interaction: Component
    reproducibility: Component
    gauge: Component
    part: Component
    total: Component
    categories: int | None
    readings_needed: int | None
    level: float
    verdict: Verdict
    reason: str


def crossed_study(
    part: Sequence[object],
    person: Sequence[object],
    value_deg: ArrayLike,
    *,
    tolerance_deg: float = DEFAULT_TOLERANCE_DEG,
    level: float = 0.90,
) -> GaugeStudy:
    """Study of lies x people x repeats.

    Parameters
    ----------
    part : sequence
        Shape (n,). Which lie each value belongs to; at least 2 lies, better 5 to 10 that cover what
        is met.
    person : sequence
        Shape (n,). Who measured. With one person, differences between people stay unknown, and the
        reason says so.
    value_deg : array_like
        Shape (n,). What was read, degrees. One value is one reading as it is used to decide: if a
        club is judged by the mean of ten strikes, each value is such a mean.
    tolerance_deg : float
        Half-width of what the fitter tolerates, degrees.
    level : float
        Coverage probability of the intervals.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    NoAnswerError
        Fewer than 2 lies or 2 repeats; a cell missing or with fewer repeats than others.
    ValueError
        Lengths differ, `tolerance_deg` or `level` out of range.

    Notes
    -----
    Variances from mean squares (M) of p lies, q people, r repeats: repeats M_r; interaction
    (M_i - M_r) / r; people (M_o - M_i) / (p r); lies (M_p - M_i) / (q r), with M_i = M_r when
    pooled. A negative estimate is set to 0.

    An interval is the quantiles of the component with each mean square's expectation drawn as
    ``SS / chi-square(dof)``; for repeatability and for the ratio of lies to repeats this is the
    exact classical interval.
    """
    if not (tolerance_deg > 0 and math.isfinite(tolerance_deg)):
        raise ValueError("the tolerance must be a positive number of degrees")
    if not 0 < level < 1:
        raise ValueError("a coverage probability lies within 0 and 1")
    block = full_block([part, person], value_deg)
    parts, people, repeats = block.shape
    if parts < 2 or repeats < 2:
        raise NoAnswerError(
            f"{parts} lies with {repeats} readings each: 2 of both are the least, 5 lies read 3 "
            "times by 3 people are a fair study"
        )
    if people == 1:
        alone = one_way(part, value_deg)
        dofs = (alone.groups - 1, alone.groups * (alone.repeats - 1))
        table: tuple[AnovaRow, ...] = (
            AnovaRow("part", alone.ss_between, dofs[0], alone.ms_between, alone.f, alone.p),
            AnovaRow("repeat", alone.ss_within, dofs[1], alone.ms_within, None, None),
        )
        pooled = True
    else:
        table, pooled = two_way(block, pool_above_p=POOL_ABOVE_P)

    rng = np.random.default_rng(_SEED)
    estimate = _variances({row.source: np.array([row.ms]) for row in table}, block.shape)
    drawn = _variances(
        {row.source: row.ss / rng.chisquare(row.dof, _DRAWS) for row in table}, block.shape
    )
    tails = ((1.0 - level) / 2.0, (1.0 + level) / 2.0)
    total_sd = math.sqrt(float(estimate["total"][0]))

    def component(name: str) -> Component:
        sd = math.sqrt(float(estimate[name][0]))
        low, high = (float(q) for q in np.quantile(np.sqrt(drawn[name]), tails))
        return Component(
            sd=sd,
            interval=(low, high),
            percent_study=100.0 * sd / total_sd if total_sd > 0 else 0.0,
            percent_tolerance=_percent(sd, tolerance_deg),
        )

    gauge, part_component = component("gauge"), component("part")
    repeatability, reproducibility = component("repeat"), component("reproducibility")
    needed = _readings_needed(repeatability.sd, reproducibility.sd, tolerance_deg)
    categories = max(1, math.floor(1.41 * part_component.sd / gauge.sd)) if gauge.sd > 0 else None
    verdict, reason = _judge(gauge, repeatability, reproducibility, people, needed, tolerance_deg)
    if categories is not None and categories < 5 and verdict is not Verdict.FAIL:
        reason += (
            f" The lies of this study were told apart in {categories} groups only: study lies that "
            "cover what you meet."
        )
    return GaugeStudy(
        parts=parts,
        people=people,
        repeats=repeats,
        table=table,
        pooled=pooled,
        repeatability=repeatability,
        person=component("person"),
        interaction=component("interaction"),
        reproducibility=reproducibility,
        gauge=gauge,
        part=part_component,
        total=component("total"),
        categories=categories,
        readings_needed=needed,
        level=level,
        verdict=verdict,
        reason=reason,
    )


def _variances(ms: dict[str, FloatArray], shape: tuple[int, ...]) -> dict[str, FloatArray]:
    """Variance components from mean squares, each at least 0; arrays of any one length."""
    parts, people, repeats = shape
    repeat = ms["repeat"]
    against = ms.get("interaction", repeat)
    interaction = np.maximum(against - repeat, 0.0) / repeats
    person = (
        np.maximum(ms["person"] - against, 0.0) / (parts * repeats)
        if "person" in ms
        else np.zeros_like(repeat)
    )
    part = np.maximum(ms["part"] - against, 0.0) / (people * repeats)
    gauge = repeat + person + interaction
    return {
        "repeat": repeat,
        "interaction": interaction,
        "person": person,
        "reproducibility": person + interaction,
        "gauge": gauge,
        "part": part,
        "total": gauge + part,
    }


def _percent(sd: float, tolerance_deg: float) -> float:
    return 100.0 * _SPREAD * sd / (2.0 * tolerance_deg)


def _readings_needed(repeat_sd: float, people_sd: float, tolerance_deg: float) -> int | None:
    """Count the readings to average for 30 % of the tolerance; people do not average out."""
    allowed = (USABLE_PERCENT / 100.0) * 2.0 * tolerance_deg / _SPREAD
    left = allowed**2 - people_sd**2
    if left <= 0:
        return None
    return max(1, math.ceil(repeat_sd**2 / left - 1e-9))


def _judge(
    gauge: Component,
    repeatability: Component,
    reproducibility: Component,
    people: int,
    needed: int | None,
    tolerance_deg: float,
) -> tuple[Verdict, str]:
    percent = gauge.percent_tolerance
    highest = _percent(gauge.interval[1], tolerance_deg)
    takes = f"the gauge takes {percent:.0f} % of the +-{tolerance_deg:g} degrees"
    alone = " One person measured: how far people differ is not in this." if people == 1 else ""
    if percent > USABLE_PERCENT:
        if reproducibility.sd > repeatability.sd:
            cause = "people differ more than the board: agree on stance, set-up and level first"
        else:
            cause = "the board does not repeat itself: calibrate the cells, fix board and cover"
        cure = (
            f"; or judge each club by the mean of {needed} such readings"
            if needed is not None and needed > 1
            else ""
        )
        return Verdict.FAIL, f"Not good enough to bend by: {takes}; {cause}{cure}.{alone}"
    if highest > USABLE_PERCENT:
        return Verdict.LOOK, (
            f"Perhaps good enough to bend by: {takes}, but the study is too small to be sure (it "
            f"could be {highest:.0f} %); measure more lies, people or repeats.{alone}"
        )
    well = "Good enough" if percent > GOOD_PERCENT else "Easily good enough"
    return Verdict.PASS, f"{well} to bend by: {takes}.{alone}"
