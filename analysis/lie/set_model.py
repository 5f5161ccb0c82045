"""All clubs of a session together: one line, each club's own part, and one scatter for all.

``lie_error_i = level + slope * (length_i - pivot length) + own_i``. Strikes scatter about their
club's value with heavy tails, drift as the player tires, and share what is not known of where the
sole's middle passed and of the stance's height. Clubs with few strikes lean on the line; a club
that stands off it is named with its probability, and then neither leans on the line nor drags it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.conventions import FloatArray
from analysis.footprint.mixture import mixture_quantiles
from analysis.lie.belief import Belief
from analysis.lie.club import Level, Stance
from analysis.lie.design import Design, design
from analysis.lie.set_types import (
    FEWEST_FOR_OUTLIER,
    Estimate,
    IntArray,
    SetClub,
    SetPosterior,
    SetPrior,
    SetStrikes,
)
from analysis.lie.sites import Sites, fit_sites
from analysis.lie.states import DROP, Parts, posterior
from analysis.statistics.estimation import Interval

# Points of the grids. Doubling all of them moves no mean by more than 6 % and no interval's end by
# more than 15 % of its uncertainty at three strikes of each club, where they matter most
# (tests/lie/test_set_model.py).
_SCATTERS = 7
_OWN_SDS = np.geomspace(0.03, 1.8, 7)
# Rounds of finding sites, then which clubs stand off, then sites again.
_ROUNDS = 2
# Fewest clubs with strikes on a family's own line before one of them can be called an outlier.
_FEWEST_IN_FAMILY = 3


def fit_set(
    clubs: Sequence[SetClub],
    strikes: SetStrikes,
    *,
    level: Level | None = None,
    stance: Stance | None = None,
    pivot: str | None = None,
    prior: SetPrior | None = None,
    confidence: float = 0.90,
) -> SetPosterior:
    """Posterior of a whole set from all strikes of a session.

    Parameters
    ----------
    clubs : sequence of SetClub
        Any number from 1, in the order of the set.
    strikes : SetStrikes
        Any number from 0, of any of the clubs.
    level : Level, optional
        Where the sole's middle passed, and its uncertainty, shared by all strikes.
    stance : Stance, optional
        Height of the stance, shared by all clubs.
    pivot : str, optional
        Label of the club whose length the level belongs to; left out: the middle one.
    prior : SetPrior, optional
        What is taken for granted.
    confidence : float
        Of all intervals (central, of the posterior).

    Returns
    -------
    SetPosterior
        A club without strikes gets what the line says of it, as wide as that is.

    Raises
    ------
    ValueError
        A club or strike makes no sense; the message says which.

    Notes
    -----
    Full Bayes: strikes by expectation propagation (`analysis.lie.sites`), scatter and own
    spread on a grid, outliers by summing over who they are (`analysis.lie.states`), all else
    in closed form. With no strays, no outliers and flat priors its evidence is the restricted
    likelihood of the one-way mixed model; tests/lie hold it against published fits. Lie
    errors are stated for the middle of the session's swings.
    """
    if not 0 < confidence < 1:
        raise ValueError("confidence must lie within 0 and 1")
    prior = prior or SetPrior()
    model = design(clubs, strikes, level or Level(), stance or Stance(), pivot, prior)
    scatter, log_scatter_prior = _scatter_grid(model, prior)
    own_sd = _OWN_SDS
    # Half-Cauchy on the own spread; the grid is even in its logarithm.
    log_own = np.log(own_sd) - np.log1p((own_sd / prior.own_scale_deg) ** 2)
    log_prior = log_scatter_prior[:, None] + log_own

    camber_var = (model.camber_rel * model.middle) ** 2
    own_var = np.full((scatter.size, model.clubs), prior.own_scale_deg**2) + camber_var
    sites: Sites | None = None
    for turn in range(_ROUNDS):
        sites = fit_sites(
            model,
            scatter,
            own_var,
            stray_share=prior.stray_share,
            stray_width=prior.stray_width,
            start=sites,
            sweeps=4 if turn else 6,
        )
        parts = posterior(
            model,
            sites,
            own_sd,
            camber_var,
            log_prior,
            outlier_share=prior.outlier_share,
            outlier_deg=prior.outlier_deg,
            # A first look at who stands off needs no tails and no pairs.
            drop=DROP if turn + 1 == _ROUNDS else 0.03,
            alone_only=turn + 1 < _ROUNDS,
        )
        if turn + 1 < _ROUNDS:
            p_off = parts.weight @ parts.outlier
            usual = float(parts.weight @ own_sd[parts.own_index] ** 2)
            off = usual + prior.outlier_deg**2
            tight = (1 - p_off) / usual + p_off / off
            camber_var = (model.camber_rel * (parts.weight @ parts.lie)) ** 2
            own_var = np.tile(1 / tight + camber_var, (scatter.size, 1))
    assert sites is not None
    return _summary(clubs, strikes, model, prior, scatter, sites, parts, confidence)


def _scatter_grid(model: Design, prior: SetPrior) -> tuple[FloatArray, FloatArray]:
    """Scatters evenly spaced in their logarithm over where the posterior is, and log prior."""
    counts = model.member.sum(axis=0)
    dof = float(np.maximum(counts - 1, 0).sum())
    centre, precision = math.log(prior.scatter_deg), 1 / prior.scatter_log_sd**2
    if dof > 0:
        rest = model.y - model.middle[model.club]
        # Medians take up part of the scatter, as means do: n / dof gives it back.
        many = counts[model.club] > 1
        mad = 1.4826 * float(np.median(np.abs(rest[many]))) * math.sqrt(many.sum() / dof)
        wild = math.sqrt(float((rest[many] ** 2).sum()) / dof)
        pilot = math.log(max(mad, 0.3 * wild, 0.02))
        # Information of a robust scale on its logarithm: a little over one per degree of freedom.
        centre = (centre * precision + pilot * 1.2 * dof) / (precision + 1.2 * dof)
        precision += 1.2 * dof
    reach = 3.2 / math.sqrt(precision)
    log_scatter = np.linspace(centre - reach, centre + reach, _SCATTERS)
    z = (log_scatter - math.log(prior.scatter_deg)) / prior.scatter_log_sd
    return np.exp(log_scatter), -0.5 * z**2


def _summary(
    clubs: Sequence[SetClub],
    strikes: SetStrikes,
    model: Design,
    prior: SetPrior,
    scatter: FloatArray,
    sites: Sites,
    parts: Parts,
    confidence: float,
) -> SetPosterior:
    tails = ((1 - confidence) / 2, (1 + confidence) / 2)
    weight = parts.weight
    lie = _belief(weight, parts.lie, parts.lie_cov)
    has_slope = model.line.shape[1] > 1 and bool(np.ptp(model.line[:, 1]) > 0)
    usual_sd = (prior.level_deg, prior.slope_deg, prior.drift_deg, 0.0)
    places = (0, 1 if has_slope else None, model.drift_column, model.offset_column)
    # Lie errors, then level, slope, drift, offset, whose intervals are found in one go.
    mean, sd = [parts.lie.T], [lie.part_sd.T]
    for column, usual in zip(places, usual_sd, strict=True):
        if column is None:
            mean.append(np.zeros((1, weight.size)))
            sd.append(np.full((1, weight.size), max(usual, 1e-12)))
        else:
            mean.append(parts.beta[None, :, column])
            sd.append(np.sqrt(parts.beta_cov[None, :, column, column]))
    all_mean, all_sd = np.concatenate(mean), np.concatenate(sd)
    many = np.tile(weight, (len(all_mean), 1))
    low, high = (mixture_quantiles(many, all_mean, all_sd, q) for q in tails)

    def coefficient(place: int) -> Estimate:
        row = model.clubs + place
        middle = float(weight @ all_mean[row])
        variance = float(weight @ (all_sd[row] ** 2 + (all_mean[row] - middle) ** 2))
        ends = Interval(float(low[row]), float(high[row]), confidence)
        return Estimate(middle, math.sqrt(variance), ends)

    families = [one.family for one in clubs]
    counts = model.member.sum(axis=0)
    by_scatter = _gathered(parts.scatter_index, weight, scatter.size)
    p_stray = np.full(strikes.toe_mm.size, math.nan)
    p_stray[model.kept] = by_scatter @ sites.p_stray
    # A new strike is a stray now and then: it is worth less by that.
    usual_u = float(np.median(model.u)) if model.u.size else 0.0
    spread = float(by_scatter @ scatter)
    new_u = math.hypot(spread, usual_u) / math.sqrt(1 - prior.stray_share)
    p_outlier, told = _outliers(weight @ parts.outlier, counts, families)
    missing = [one.label for one, n in zip(clubs, counts, strict=True) if n == 0]
    notes = list(model.notes) + told
    if missing:
        notes.append(f"no strike of {', '.join(missing)}: what is said of it comes from the others")
    shown_mean = weight @ parts.shown
    off_lie, off_shown = parts.lie - lie.mean, parts.shown - shown_mean
    return SetPosterior(
        labels=tuple(one.label for one in clubs),
        strikes=counts.astype(np.intp),
        lie=lie,
        own=_belief(weight, parts.own, parts.own_cov),
        p_outlier=p_outlier,
        low_deg=np.asarray(low[: model.clubs]),
        high_deg=np.asarray(high[: model.clubs]),
        confidence=confidence,
        level=coefficient(0),
        slope=coefficient(1),
        drift=coefficient(2),
        scatter=_on_grid(scatter, by_scatter, tails, confidence),
        own_sd=_on_grid(
            _OWN_SDS, _gathered(parts.own_index, weight, _OWN_SDS.size), tails, confidence
        ),
        offset_mm=coefficient(3),
        p_stray=p_stray,
        shown_cov=np.tensordot(weight, parts.lie_shown, 1)
        + (off_lie * weight[:, None]).T @ off_shown,
        shown_var=weight @ (parts.shown_var + off_shown**2),
        new_u_deg=np.full(model.clubs, new_u),
        notes=tuple(notes),
    )


def _gathered(place: IntArray, weight: FloatArray, size: int) -> FloatArray:
    return np.asarray(np.bincount(place, weight, size), dtype=np.float64)


def _belief(weight: FloatArray, mean: FloatArray, cov: FloatArray) -> Belief:
    middle = weight @ mean
    off = mean - middle
    total = np.tensordot(weight, cov, 1) + (off * weight[:, None]).T @ off
    sd = np.sqrt(np.maximum(np.diagonal(cov, axis1=1, axis2=2), 1e-16))
    return Belief(middle, (total + total.T) / 2, weight, mean, sd, np.full(middle.size, math.inf))


def _on_grid(
    grid: FloatArray, weight: FloatArray, tails: tuple[float, float], confidence: float
) -> Estimate:
    """Of a spread on a grid even in its logarithm."""
    middle = float(weight @ grid)
    running = np.cumsum(weight) - weight / 2
    low, high = np.exp(np.interp(tails, running, np.log(grid)))
    u = math.sqrt(max(float(weight @ (grid - middle) ** 2), 0.0))
    return Estimate(middle, u, Interval(float(low), float(high), confidence))


def _outliers(
    p_off: FloatArray, counts: FloatArray, families: Sequence[str]
) -> tuple[FloatArray, list[str]]:
    """Probabilities, NaN where none can be told, and why."""
    out = np.array(p_off, dtype=np.float64)
    hit = counts > 0
    notes = []
    if hit.sum() < FEWEST_FOR_OUTLIER:
        out[:] = math.nan
        notes.append(
            f"fewer than {FEWEST_FOR_OUTLIER} clubs were hit: which of them is the odd one cannot "
            "be told"
        )
        return out, notes
    for family in dict.fromkeys(families):
        inside = np.array([name == family for name in families])
        if (inside & hit).sum() < _FEWEST_IN_FAMILY:
            out[inside] = math.nan
            notes.append(
                f"fewer than {_FEWEST_IN_FAMILY} clubs of the family {family!r} were hit: none of "
                "them can be told from its line"
            )
    out[~hit] = math.nan
    return out, notes
