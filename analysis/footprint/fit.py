"""Cell values of one strike -> where the sole's middle passed, lie error and depth of press.

One Bayesian fit per strike of the sole on its foundation (`analysis.footprint.model`), thousands at
once. What the strip cannot know stays wide by itself: with a narrow patch the lie error is only
known as well as the place of the sole is from the address mark; with an end of the sole in print it
is known to a tenth of a degree. `analysis.lie.levels` puts strikes together to clubs.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conventions import FloatArray, Hand
from analysis.footprint.answer import Columns, Soles, file_strikes
from analysis.footprint.checks import after_fit, before_fit
from analysis.footprint.covariance import covariance_and_shares
from analysis.footprint.linear import single
from analysis.footprint.mode import find_mode
from analysis.footprint.model import LOG_A, SIZE, C, V, given_ground
from analysis.footprint.posterior import posterior_nodes
from analysis.footprint.problem import Problem, paired, priors
from analysis.footprint.scans import PeakProfile, peak_profile
from analysis.footprint.start import find_patch, start
from analysis.footprint.types import AimPrior, FootprintFits, Reason, SolePrior, StripSpec

# Strikes per batch: enough that numpy's cost per call is small, few enough for the cache.
_BATCH = 4096
# Numbers of which arrays in use are at most.
_KEPT = 2_000_000


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
    soles = Soles(
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
    out = Columns(n, strip, aim, hand, soles)
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


def _fit_batch(
    out: Columns, rows: NDArray[np.intp], profile: PeakProfile, mark: FloatArray, soles: Soles
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
    got = file_strikes(out, rows, problem, mode, covariance, lever, nodes, profile)
    for name, share, prints in zip(("heel_share", "toe_share"), shares, got.prints, strict=True):
        value[name][rows] = share * prints
