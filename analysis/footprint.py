"""Cell values of one strike -> where the sole's middle passed, lie error and depth of press.

One Bayesian fit per strike of the sole on its foundation (`footprint_model`), thousands at once.
What the strip cannot know stays wide by itself: with a narrow patch the lie error is only known as
well as the place of the sole is from the address mark; with an end of the sole in print it is known
to a tenth of a degree. `footprint_levels.session_levels` puts strikes together to clubs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conventions import FloatArray, Hand
from analysis.footprint_checks import after_fit, before_fit
from analysis.footprint_covariance import covariance_and_shares
from analysis.footprint_fit import Mode, find_mode
from analysis.footprint_linear import single
from analysis.footprint_mixture import mixture_quantiles
from analysis.footprint_model import (
    EDGE,
    HEEL,
    LOG_A,
    LOG_H,
    SHAPE,
    SHARE,
    SIZE,
    TOE,
    C,
    Cells,
    L,
    V,
    given_ground,
)
from analysis.footprint_posterior import (
    NODES,
    Moments,
    Nodes,
    moments,
    posterior_nodes,
)
from analysis.footprint_problem import Problem, paired, priors
from analysis.footprint_scans import PeakProfile, peak_profile
from analysis.footprint_start import find_patch, start
from analysis.footprint_types import (
    AimPrior,
    FootprintFits,
    Reason,
    SolePrior,
    StripSpec,
)

__all__ = ["AimPrior", "FootprintFits", "Reason", "SolePrior", "StripSpec", "fit_footprints"]

# Strikes per batch: enough that numpy's cost per call is small, few enough for the cache.
_BATCH = 4096
# Numbers of which arrays in use are at most.
_KEPT = 2_000_000
# Rows of theta that belong to the head, and to the board: the same in all of their strikes.
_HEAD = [L, HEEL, TOE, EDGE]
_COVER = [SHAPE, SHARE]


@dataclass(frozen=True)
class _Sole:
    """Sole of each strike, (n,) each."""

    camber: FloatArray
    camber_u: FloatArray
    length: FloatArray
    length_u: FloatArray
    middle_u: float
    half: FloatArray
    """Half-width of the parabola at the typical depth."""
    half_log_sd: float
    ground: tuple[float, float]
    """Mean and standard deviation."""
    log_edge: FloatArray
    """Radius along which the ends are ground off, over the camber's."""
    edge_log_sd: float


def fit_footprints(
    counts: ArrayLike,
    t_us: ArrayLike,
    strip: StripSpec,
    sole: SolePrior,
    aim: AimPrior | None = None,
    *,
    hand: Hand = Hand.RIGHT,
    rest_counts: ArrayLike = 0.0,
) -> FootprintFits:
    """Fit the footprint of each strike.

    Parameters
    ----------
    counts : array_like, (n, n_scans, cells)
        Raw values; or rest-subtracted ones with ``rest_counts`` left at 0 (then
        ``strip.full_scale_counts`` is compared with these). NaN where a scan or cell is missing,
        so that strikes with different numbers of scans fit in one array.
    t_us : array_like, (n, n_scans) or (n, n_scans, cells)
        Moment of the first cell's sample of each scan (later cells follow evenly over
        ``strip.scan_us``), or of each sample, microseconds.
    strip : StripSpec
        Cells, gain and noise.
    sole : SolePrior
        Camber and length with their uncertainty; numbers, or arrays of n.
    aim : AimPrior
        Address mark, board frame. Default: middle of the strip.
    hand : Hand
        A left-hander's toe points to negative board_mm.
    rest_counts : array_like
        Rest level, broadcast against ``counts``.

    Returns
    -------
    FootprintFits
        One row per strike. A strike that cannot be read has a `Reason` and NaN.

    Raises
    ------
    ValueError
        If shapes do not belong together.

    Notes
    -----
    Foundation: Johnson, Contact Mechanics, 1985, 4.3. Search: Levenberg-Marquardt. Dead or stuck
    cells: each cell is good, or with a chance of 2 % has 20 times its noise. Posterior: Laplace's
    method for all but the place of the sole, which is integrated over on nodes. Noise: offset, gain
    relative to the fitted pressure; where the cells scatter more than was stated all uncertainties
    grow with them (``noise_factor``).
    """
    aim = AimPrior() if aim is None else aim
    values = np.asarray(counts, dtype=np.float64)
    if values.ndim != 3 or values.shape[2] != strip.cells or values.shape[1] < 1:
        raise ValueError(f"counts must have shape (n, n_scans, {strip.cells}), not {values.shape}")
    values = values - np.asarray(rest_counts, dtype=np.float64)
    full = np.asarray(counts, dtype=np.float64) >= strip.full_scale_counts
    times = _times(np.asarray(t_us, dtype=np.float64), values.shape, strip)
    gain = np.broadcast_to(np.asarray(strip.gain, dtype=np.float64), (strip.cells,))
    n = len(values)
    mark = _each(aim.sole_middle_mm, n) * hand.toe_sign
    camber = _each(sole.camber_mm, n)
    half = np.sqrt(2 * camber * _each(sole.depth_mm, n))
    soles = _Sole(
        camber,
        _each(sole.camber_u_mm, n),
        _each(sole.length_mm, n),
        _each(sole.length_u_mm, n),
        sole.middle_u_mm,
        half,
        float(np.log(sole.depth_factor)) / 2,
        (given_ground(sole.ground_mm), sole.ground_u_mm),
        np.log(sole.ground_radius_mm / camber),
        float(np.log(sole.ground_radius_factor)),
    )
    # Freed at once: tells the C library to keep memory of up to this size, which it else hands back
    # to the system and asks for again at every other step (two thirds of the time).
    np.empty(_KEPT)
    out = _Columns(n, strip, aim, hand, soles)
    if np.any(gain <= 0) or np.any(np.isinf(gain)):
        out.reason[:] = Reason.BAD_GAIN
        return out.freeze()
    if hand.toe_sign < 0:
        values, full, times = values[:, :, ::-1], full[:, :, ::-1], times[:, :, ::-1]
        gain = gain[::-1]
    variance = (strip.offset_u_counts**2 + 1 / 12) / np.where(np.isnan(gain), 1.0, gain) ** 2
    for first in range(0, n, _BATCH):
        part = slice(first, min(first + _BATCH, n))
        profile = peak_profile(values[part] / gain, times[part], full[part], variance)
        _fit_batch(out, np.arange(part.start, part.stop), profile, mark[part], soles)
    return out.freeze()


def _each(value: ArrayLike, n: int) -> FloatArray:
    """Give one number, or n, as n numbers."""
    array = np.asarray(value, dtype=np.float64)
    if array.shape not in ((), (1,), (n,)):
        raise ValueError(f"expected one number or {n}, one per strike, not shape {array.shape}")
    found = np.empty(n)
    found[:] = array
    return found


def _cells_first(values: FloatArray) -> FloatArray:
    """(n, cells) -> (cells, n), laid out anew."""
    return np.ascontiguousarray(values.T)


def _times(t_us: FloatArray, shape: tuple[int, ...], strip: StripSpec) -> FloatArray:
    """Moment of each sample, (n, n_scans, cells)."""
    if t_us.shape == shape:
        return t_us
    if t_us.shape != shape[:2]:
        raise ValueError(f"t_us must have shape {shape[:2]} or {shape}, not {t_us.shape}")
    return t_us[:, :, None] + np.linspace(0.0, strip.scan_us, strip.cells)


class _Columns:
    """Results under construction, NaN until a strike has numbers."""

    def __init__(self, n: int, strip: StripSpec, aim: AimPrior, hand: Hand, soles: _Sole) -> None:
        self.strip, self.aim, self.hand, self.soles = strip, aim, hand, soles
        self.cells = Cells.of(strip.cells, strip.pitch_mm, strip.width_mm)
        self.gain_var = strip.gain_u**2 + strip.gain_shared_u**2
        self.reason = np.zeros(n, dtype=np.int64)
        self.bad_cell = np.full(n, -1, dtype=np.int64)
        shapes: dict[str, tuple[int, ...]] = {
            "covariance": (n, 3, 3),
            "gain_influence_mm": (n, 2, strip.cells),
            "head_influence_mm": (n, 2, len(_HEAD)),
            "cover_influence_mm": (n, 2, len(_COVER)),
            "middle_influence": (n,),
        }
        nodes = "node_centre_mm node_log_likelihood node_toe_mm node_toe_sd_mm"
        shapes |= dict.fromkeys(nodes.split(), (n, NODES))
        single = (
            "centre_mm centre_sd_mm toe_mm toe_sd_mm lie_error_deg lie_sd_deg lie_low_deg "
            "lie_high_deg depth_mm depth_sd_mm correlation heel_share toe_share chi2 dof p_value "
            "noise_factor"
        )
        shapes |= dict.fromkeys(single.split(), (n,))
        self.values = {name: np.full(shape, np.nan) for name, shape in shapes.items()}

    def freeze(self) -> FootprintFits:
        bad = self.reason != Reason.OK
        self.bad_cell[bad] = -1
        keep = ("chi2", "dof", "p_value", "noise_factor")
        for name, column in self.values.items():
            if name not in keep:
                column[bad] = np.nan
        return FootprintFits(
            reason=self.reason,
            bad_cell=self.bad_cell,
            camber_mm=np.asarray(self.soles.camber),
            camber_u_mm=np.asarray(self.soles.camber_u),
            middle_u_mm=self.soles.middle_u,
            gain_shared_u=self.strip.gain_shared_u,
            aim=self.aim,
            toe_sign=self.hand.toe_sign,
            **self.values,
        )


def _fit_batch(
    out: _Columns, rows: NDArray[np.intp], profile: PeakProfile, mark: FloatArray, soles: _Sole
) -> None:
    """Fit the strikes ``rows`` and file their results."""
    from scipy.special import chdtrc

    y = np.where(profile.missing, 0.0, profile.counts)
    patch = find_patch(y, profile.variance)
    out.reason[rows] = before_fit(profile, patch)
    good = paired(np.nonzero(out.reason[rows] == Reason.OK)[0])
    if not len(good):
        return
    if len(good) != len(rows):
        profile, patch = profile.take(good), patch.take(good)
        y, rows, mark = y[good], rows[good], mark[good]
    mean, weight = priors(
        len(rows),
        (mark, out.aim.sd_mm),
        (soles.length[rows], soles.length_u[rows]),
        (np.log(soles.half[rows]), soles.half_log_sd),
        (out.strip.cover_shape, out.strip.cover_shape_u),
        soles.ground,
        (out.strip.neighbour_share, out.strip.neighbour_u),
        (soles.log_edge[rows], soles.edge_log_sd),
    )
    # A hole is seen by its value only, so that a dead cell does not split the patch.
    use = (~profile.missing).astype(np.float64)
    problem = Problem(
        out.cells,
        _cells_first(y),
        None if profile.sag is None else _cells_first(profile.sag),
        _cells_first(profile.variance),
        out.gain_var,
        _cells_first(use),
        np.ascontiguousarray(profile.saturated.T) if profile.saturated.any() else None,
        mean,
        weight,
    )
    smooth = _cells_first(np.maximum(patch.filled, 0.0))
    inverse_var = problem.inverse_variance(smooth).T
    theta, price = start(patch, out.cells, inverse_var, mean, weight)
    mean[LOG_A], mean[V] = theta[0, LOG_A], theta[0, V]
    problem = problem.single()
    mode = find_mode(problem, single(theta), price, single(smooth))
    covariance, own, *shares = covariance_and_shares(problem, mode)
    # Parameters that the strip, not the prior, determines.
    spent = SIZE - (covariance[range(SIZE), range(SIZE)] * weight).sum(axis=0)
    dof = np.maximum(mode.used - spent, 1.0)
    p_value = chdtrc(dof, mode.chi2)
    out.reason[rows] = after_fit(problem, mode, covariance, p_value, patch)
    value = out.values
    value["chi2"][rows], value["dof"][rows], value["p_value"][rows] = mode.chi2, dof, p_value
    value["noise_factor"][rows] = mode.noise_factor
    nodes = posterior_nodes(problem, mode, covariance)
    lever = np.stack([own[C], own[V] - own[C]])
    got = _file(out, rows, problem, mode, covariance, lever, nodes, profile)
    for name, share, prints in zip(("heel_share", "toe_share"), shares, got.prints, strict=True):
        value[name][rows] = share * prints


def _file(
    out: _Columns,
    rows: NDArray[np.intp],
    problem: Problem,
    mode: Mode,
    cov: FloatArray,
    lever: FloatArray,
    nodes: Nodes,
    profile: PeakProfile,
) -> Moments:
    """Turn mode and nodes into what a person asks for.

    ``lever``: how gradients by theta move the centre and the toe, (2, 10, n).
    """
    value, sign = out.values, out.hand.toe_sign
    pull = np.einsum("kjn,jcn->kcn", single(lever), mode.columns)
    pull *= mode.inverse_var
    extra_c, extra_toe = _curve_variance(pull, mode, profile)
    got = moments(mode, cov, nodes)
    prior_mean, prior_weight = problem.prior_mean, problem.prior_weight
    # Of the centre, that much hangs on the sole's ends; the rest on the address mark.
    by_middle = 1 - np.minimum(got.var_c * prior_weight[C], 1.0)
    middle_var = (by_middle * out.soles.middle_u) ** 2
    mean_c, mean_toe = got.mean_c, got.mean_toe
    var_c = got.var_c + extra_c + middle_var
    var_toe = got.var_toe + extra_toe + middle_var
    joint = got.joint - middle_var
    radius, radius_u = out.soles.camber[rows], out.soles.camber_u[rows]
    relative = radius_u / radius
    # tan(lie error) = -toe / R: the strip knows nothing of R, so its relative error multiplies.
    mean_slope = -mean_toe / radius
    per_slope = np.degrees(1 / (1 + mean_slope**2))
    var_slope = (var_toe + (var_toe + mean_toe**2) * relative**2) / radius**2
    lie_sd = per_slope * np.sqrt(var_slope)
    # 5 and 95 % of a normal distribution; the others from their mixture.
    low, high = (mean_slope + z * np.sqrt(var_slope) for z in (-1.6449, 1.6449))
    odd = got.odd
    if len(odd):
        added = (extra_toe + middle_var)[odd, None]
        toe, ratio, size = got.toe, relative[odd, None], radius[odd, None]
        slope_sd = np.sqrt(got.toe_sd**2 + added + (toe * ratio) ** 2) / size
        low[odd], high[odd] = (
            mixture_quantiles(got.share, -toe / size, slope_sd, q) for q in (0.05, 0.95)
        )
    value["centre_mm"][rows], value["centre_sd_mm"][rows] = sign * mean_c, np.sqrt(var_c)
    value["toe_mm"][rows], value["toe_sd_mm"][rows] = mean_toe, np.sqrt(var_toe)
    value["lie_error_deg"][rows] = np.degrees(np.arctan(mean_slope))
    value["lie_sd_deg"][rows] = lie_sd
    value["lie_low_deg"][rows] = np.degrees(np.arctan(low))
    value["lie_high_deg"][rows] = np.degrees(np.arctan(high))
    covariance = np.zeros((len(rows), 3, 3))
    c_lie = -sign * joint / radius * per_slope
    covariance[:, 0, 0], covariance[:, 1, 1] = var_c, lie_sd**2
    covariance[:, 0, 1] = covariance[:, 1, 0] = c_lie
    value["correlation"][rows] = c_lie / (np.sqrt(var_c) * lie_sd)
    _file_depth(out, rows, mode, cov, covariance, per_slope)
    value["covariance"][rows] = covariance
    worst = np.argmin(np.where(problem.use > 0, mode.good, 2.0), axis=0)
    believed = mode.good[worst, np.arange(len(rows))] > 0.5
    worst = worst if sign > 0 else out.strip.cells - 1 - worst
    out.bad_cell[rows] = np.where(believed, -1, worst)
    # Frame of the nodes: player's, from the mark.
    from_mark = nodes.centre - prior_mean[C, :, None]
    value["node_centre_mm"][rows] = from_mark
    prior = 0.5 * prior_weight[C, :, None] * from_mark**2
    value["node_log_likelihood"][rows] = nodes.log_density + prior
    own_sd = np.sqrt(nodes.toe_sd**2 + extra_toe[:, None])
    value["node_toe_mm"][rows], value["node_toe_sd_mm"][rows] = nodes.toe, own_sd
    pull *= mode.counts
    value["gain_influence_mm"][rows] = pull.transpose(2, 0, 1)[:, :, ::sign]
    value["middle_influence"][rows] = by_middle
    lever *= np.sqrt(prior_weight)
    value["head_influence_mm"][rows] = lever[:, _HEAD].transpose(2, 0, 1)
    value["cover_influence_mm"][rows] = lever[:, _COVER].transpose(2, 0, 1)
    return got


def _file_depth(
    out: _Columns,
    rows: NDArray[np.intp],
    mode: Mode,
    cov: FloatArray,
    covariance: FloatArray,
    per_slope: FloatArray,
) -> None:
    """Depth d = (h^2 - (v - c)^2) / 2R under the sole's middle, and its covariances."""
    theta, sign = mode.theta, out.hand.toe_sign
    radius, radius_u = out.soles.camber[rows], out.soles.camber_u[rows]
    h, m = np.exp(theta[LOG_H]), theta[V] - theta[C]
    depth = (h * h - m * m) / (2 * radius)
    which = [LOG_H, V, C]
    by_theta = np.stack([h * h, -m, m]) / radius
    with_theta = (cov[which][:, which] * by_theta).sum(axis=1)
    relative = radius_u / radius
    variance = (with_theta * by_theta).sum(axis=0) + (depth * relative) ** 2
    with_lie = -(with_theta[1] - with_theta[2]) / radius * per_slope
    with_lie += -m / radius * per_slope * depth * -relative * -relative
    covariance[:, 2, 2] = variance
    covariance[:, 0, 2] = covariance[:, 2, 0] = sign * with_theta[2]
    covariance[:, 1, 2] = covariance[:, 2, 1] = with_lie
    out.values["depth_mm"][rows], out.values["depth_sd_mm"][rows] = depth, np.sqrt(variance)


def _curve_variance(
    pull: FloatArray, mode: Mode, profile: PeakProfile
) -> tuple[FloatArray, FloatArray]:
    """Variance that the uncertain course of the load in time adds to c and to v - c, (n,) each."""
    n = pull.shape[2]
    if profile.sag_basis is None or profile.curve_covariance is None:
        return np.zeros(n), np.zeros(n)
    pressed = pull * (mode.counts > 0)
    shift = profile.sag_basis @ pressed.transpose(2, 1, 0)
    spread = (shift * (profile.curve_covariance @ shift)).sum(axis=1)
    return spread[:, 0], spread[:, 1]
