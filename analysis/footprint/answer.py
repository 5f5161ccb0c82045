"""What is asked of each strike, from its mode and nodes: the columns of `FootprintFits`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray, Hand
from analysis.footprint.linear import single
from analysis.footprint.mixture import mixture_quantiles
from analysis.footprint.mode import Mode
from analysis.footprint.model import EDGE, HEEL, LOG_H, SHAPE, SHARE, TOE, C, Cells, L, V
from analysis.footprint.posterior import NODES, Moments, Nodes, moments
from analysis.footprint.problem import Problem
from analysis.footprint.scans import PeakProfile
from analysis.footprint.types import AimPrior, FootprintFits, Reason, StripSpec

# Rows of theta that belong to the head, and to the board: the same in all of their strikes.
_HEAD = [L, HEEL, TOE, EDGE]
_COVER = [SHAPE, SHARE]


@dataclass(frozen=True)
class Soles:
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


class Columns:
    """Results under construction, NaN until a strike has numbers."""

    def __init__(self, n: int, strip: StripSpec, aim: AimPrior, hand: Hand, soles: Soles) -> None:
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
        """Return them; of a strike with a reason only how well the model fitted."""
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


def file_strikes(
    out: Columns,
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
    out: Columns,
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
