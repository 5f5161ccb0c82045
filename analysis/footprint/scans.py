"""All scans of a strike -> one value per cell, brought to one common moment.

A strip that is read cell by cell sees each cell at another moment of a press that lasts about a
millisecond: left alone, a rising load looks like a lie error. Here each cell is interpolated
between its own samples to the middle of the heaviest scan. What straight interpolation leaves out,
the curvature of the load, is worked out from all cells together: on a Winkler foundation the whole
pressed parabola rises and falls by the same number of counts, so within-cell differences of all
pressed cells are samples of one curve, a quartic in time here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray

BoolArray = NDArray[np.bool_]

# Samples up to this many scan periods from the common moment shape the curve.
_WINDOW_PERIODS = 1.6
# A sample this far below the peak still counts as pressed for the curve; lower ones may have left
# the foundation, where the shift is no longer the same for all cells.
_PRESSED = 0.25
# Prior on the curve's coefficients, in peaks per period^k: nothing changes by more than about the
# whole load in a scan period. The higher terms are kept small: they are hardly seen.
_CURVE_PRIOR = np.array([1.0, 1.0, 0.4, 0.3])
_TERMS = len(_CURVE_PRIOR)
# A sample counts as on the foundation above this part of the peak and this many sd of its noise.
_ON_PART = 0.08
_ON_SD = 4.0
# Within-cell repeatability assumed when the curve is drawn, relative to peak.
_CURVE_NOISE = 0.02


@dataclass(frozen=True)
class PeakProfile:
    """One value per cell at one moment."""

    counts: FloatArray
    """(n, cells)."""
    variance: FloatArray
    """(n, cells): offset noise and rounding after the weights of interpolation."""
    saturated: BoolArray
    """(n, cells): the value is a lower limit only."""
    missing: BoolArray
    """(n, cells): no sample."""
    sag: FloatArray | None
    """(n, cells): by how much the load at the (weighted) samples was below the common moment."""
    sag_basis: FloatArray | None
    """(n, terms, cells): derivative of sag by the curve's coefficients."""
    curve_covariance: FloatArray | None
    """(n, terms, terms)."""
    lowest: FloatArray
    """(n,): lowest sample of the strike."""

    def take(self, rows: NDArray[np.intp]) -> PeakProfile:
        """Pick some of the strikes."""

        def maybe(part: FloatArray | None) -> FloatArray | None:
            return None if part is None else part[rows]

        return PeakProfile(
            self.counts[rows],
            self.variance[rows],
            self.saturated[rows],
            self.missing[rows],
            maybe(self.sag),
            maybe(self.sag_basis),
            maybe(self.curve_covariance),
            self.lowest[rows],
        )


def peak_profile(
    counts: FloatArray,
    t_us: FloatArray,
    saturated: BoolArray,
    sample_variance: FloatArray,
) -> PeakProfile:
    """Bring each cell to the middle of the heaviest scan.

    Parameters
    ----------
    counts : (n, n_scans, cells)
        Rest subtracted, gain corrected; NaN = no sample.
    t_us : (n, n_scans, cells)
        Moment of each sample.
    saturated : (n, n_scans, cells)
        Sample at full scale.
    sample_variance : (cells,)
        Of one sample: offset noise and rounding.
    """
    here = np.isfinite(counts) & np.isfinite(t_us)
    y = np.where(here, counts, 0.0)
    n = len(y)
    lowest = y.min(axis=(1, 2))
    rows = np.arange(n)
    heaviest = np.argmax(y.sum(axis=2), axis=1)
    top_t = np.where(here[rows, heaviest], t_us[rows, heaviest], np.nan)
    known = np.isfinite(top_t)
    top_t0 = np.where(known, top_t, 0.0)
    moment = top_t0.sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    reach = np.abs(top_t0 - moment[:, None]).max(axis=1, where=known, initial=0.0)
    if not np.any(reach > 0):
        picked = here[rows, heaviest]
        return PeakProfile(
            y[rows, heaviest],
            np.broadcast_to(sample_variance, picked.shape).copy(),
            saturated[rows, heaviest],
            ~picked,
            None,
            None,
            None,
            lowest,
        )
    lapse = np.where(here, t_us - moment[:, None, None], np.inf)
    period = _period(lapse, heaviest, reach)
    u = np.where(here, lapse / period[:, None, None], 1e6)
    weight = np.maximum(1.0 - np.abs(u), 0.0) * here
    # A cell with no sample within a period (first or last scan): its nearest one.
    lonely = (weight.sum(axis=1) <= 0) & here.any(axis=1)
    if lonely.any():
        nearest = np.argmin(np.abs(u), axis=1)
        i, j = np.nonzero(lonely)
        weight[i, nearest[i, j], j] = 1.0
    # Interpolating between a pressed sample and one from before or after contact would cut corners.
    peak = y[rows, heaviest].max(axis=1)[:, None, None]
    on = here & (y > np.maximum(_ON_PART * peak, _ON_SD * np.sqrt(sample_variance)))
    seen_on = (on & (weight > 0)).any(axis=1)[:, None, :]
    weight = np.where(seen_on, weight * on, weight)
    total = weight.sum(axis=1)
    missing = total <= 0
    weight /= np.where(missing, 1.0, total)[:, None, :]
    coefficients, covariance = _load_curve(y, u, here & ~saturated, sample_variance)
    u_near = np.where(weight > 0, u, 0.0)
    power = u_near
    basis = np.empty((n, _TERMS, y.shape[2]))
    for k in range(_TERMS):
        np.einsum("nsc,nsc->nc", weight, power, out=basis[:, k])
        power = power * u_near
    basis *= -1
    # weight^2 of a single scan strike is 1: nothing to average.
    variance = np.einsum("nsc,nsc->nc", weight, weight) * sample_variance
    return PeakProfile(
        np.einsum("nsc,nsc->nc", weight, y),
        np.where(missing, np.inf, variance),
        np.asarray(((weight > 0.02) & saturated).any(axis=1)),
        missing,
        np.einsum("nk,nkc->nc", coefficients, basis),
        basis,
        covariance,
        lowest,
    )


def _period(lapse: FloatArray, heaviest: NDArray[np.intp], reach: FloatArray) -> FloatArray:
    """Time between scans about the heaviest; twice its reach if it is the only one."""
    middle = np.where(np.isfinite(lapse), lapse, 0.0).sum(axis=2)
    seen = np.isfinite(lapse).sum(axis=2)
    middle = np.where(seen > 0, middle / np.maximum(seen, 1), np.inf)
    rows = np.arange(len(lapse))
    last = lapse.shape[1] - 1
    before = middle[rows, np.maximum(heaviest - 1, 0)]
    after = middle[rows, np.minimum(heaviest + 1, last)]
    gap_before = np.where((heaviest > 0) & np.isfinite(before), -before, 0.0)
    gap_after = np.where((heaviest < last) & np.isfinite(after), after, 0.0)
    gaps = (gap_before > 0).astype(float) + (gap_after > 0)
    period = (np.maximum(gap_before, 0) + np.maximum(gap_after, 0)) / np.maximum(gaps, 1)
    return np.where(gaps > 0, period, np.maximum(2 * reach, 1e-9))


def _load_curve(
    y: FloatArray, u: FloatArray, good: BoolArray, sample_variance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Quartic ``b1 u + ... + b4 u^4`` that all pressed cells share: coefficients, covariance.

    Least squares on within-cell differences, with a weak prior.
    """
    near = good & (np.abs(u) <= _WINDOW_PERIODS)
    peak = np.where(near, y, 0.0).max(axis=(1, 2), initial=0.0)
    peak = np.maximum(peak, 1e-9)
    pressed = near & (y > _PRESSED * peak[:, None, None])
    w = pressed.astype(float)
    count = np.maximum(w.sum(axis=1), 1.0)[:, None, :]
    u0 = np.where(pressed, u, 0.0)
    z = np.where(pressed, y, 0.0)
    z = (z - z.sum(axis=1, keepdims=True) / count) * w
    columns = np.empty((len(y), _TERMS, y.shape[1] * y.shape[2]))
    power = u0
    for k in range(_TERMS):
        mean = power.sum(axis=1, keepdims=True) / count
        columns[:, k] = ((power - mean) * w).reshape(len(y), -1)
        power = power * u0
    noise = np.mean(sample_variance) + (_CURVE_NOISE * peak) ** 2
    normal = columns @ columns.transpose(0, 2, 1) / noise[:, None, None]
    right = (columns @ z.reshape(len(y), -1, 1))[:, :, 0] / noise[:, None]
    normal += np.eye(_TERMS) / (_CURVE_PRIOR**2 * peak[:, None, None] ** 2)
    covariance = np.linalg.inv(normal)
    return np.einsum("nij,nj->ni", covariance, right), covariance
