"""When a strike gets no number, and why."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint.mode import Mode
from analysis.footprint.model import LOG_H, C, L, V
from analysis.footprint.problem import Problem
from analysis.footprint.scans import PeakProfile
from analysis.footprint.start import Patch
from analysis.footprint.types import Reason

# Counts over the offset noise below which nothing was pressed.
_NO_LOAD_SD = 6.0
# The parabola has three parameters: this many cells must be pressed, and unsaturated.
_FEWEST_CELLS = 3
# More of the pressed cells than this at full scale: what is left is the flanks only.
_MOST_SATURATED = 0.5
# A cell outside the patch that counts against it: this many sd, and this part of the peak.
_STRAY_SD = 5.0
_STRAY_PART = 0.08
# One cell may be dead, one may be at fault beside it.
_MOST_BAD = 2
# The cells scatter this many times as much as stated, and by chance less often than that.
_MISFIT_FACTOR = 2.5
_MISFIT_P = 1e-6


def before_fit(profile: PeakProfile, patch: Patch) -> NDArray[np.int64]:
    """Reasons that are plain before any fit, (n,)."""
    y = np.where(profile.missing, 0.0, profile.counts)
    n, cells = y.shape
    sd = np.sqrt(np.where(profile.missing, 0.0, profile.variance).max(axis=1))
    index = np.arange(cells)
    run = (index >= patch.first[:, None]) & (index <= patch.last[:, None])
    saturated = (profile.saturated & run).sum(axis=1)
    width = run.sum(axis=1)
    reason = np.zeros(n, dtype=np.int64)
    # Later lines win.
    few = width - (profile.missing & run).sum(axis=1) < _FEWEST_CELLS
    reason[few] = Reason.TOO_FEW_CELLS
    flanks = (saturated > 0) & (width - saturated < _FEWEST_CELLS)
    reason[flanks | (saturated > _MOST_SATURATED * width)] = Reason.SATURATED
    reason[~(patch.peak > _NO_LOAD_SD * sd)] = Reason.NO_LOAD
    negative = profile.lowest < -np.maximum(2 * np.maximum(patch.peak, 0.0), 2 * _NO_LOAD_SD * sd)
    reason[negative] = Reason.NEGATIVE
    gone = profile.missing.sum(axis=1) > cells // 2
    reason[gone | ~np.isfinite(y).all(axis=1)] = Reason.NOT_NUMBERS
    return reason


def after_fit(
    problem: Problem, mode: Mode, covariance: FloatArray, p_value: FloatArray, patch: Patch
) -> NDArray[np.int64]:
    """Reasons that the fit shows, (n,)."""
    theta, cells = mode.theta, problem.cells
    n = theta.shape[1]
    rows = np.arange(n)
    reason = np.zeros(n, dtype=np.int64)
    v, h, half = theta[V], np.exp(theta[LOG_H]), theta[L] / 2
    low = np.maximum(v - h, theta[C] - half)
    high = np.minimum(v + h, theta[C] + half)
    stray = mode.standardised > _STRAY_SD
    if stray.any():
        outside = cells.right[:, None] < low - cells.pitch_mm
        outside |= cells.left[:, None] > high + cells.pitch_mm
        stray &= outside & (_STRAY_PART * patch.peak < problem.y)
    bad = (mode.good < 0.5) & (problem.use > 0)
    misfit = (mode.noise_factor > _MISFIT_FACTOR) & (p_value < _MISFIT_P)
    reason[misfit | (bad.sum(axis=0) > np.maximum(_MOST_BAD, patch.width_cells // 6))] = (
        Reason.NOT_A_SOLE
    )
    reason[stray.sum(axis=0) >= 2] = Reason.TWO_PATCHES
    # The greatest pressure must have been seen from both sides.
    top = np.argmax(np.where(bad, 0.0, mode.counts), axis=0)
    last = len(cells.left) - 1
    beyond = (v < cells.left[1]) & (patch.first == 0) | (v > cells.right[-2]) & (patch.last == last)
    heaviest = np.argmax(np.where(bad, 0.0, problem.y), axis=0)
    beyond |= (patch.first == 0) & (heaviest <= 1) | (patch.last == last) & (heaviest >= last - 1)
    beyond |= ((top == 0) | (top == last)) & (mode.counts[top, rows] > 0)
    reason[beyond] = Reason.OFF_STRIP
    finite = np.isfinite(theta).all(axis=0) & np.isfinite(covariance).all(axis=(0, 1))
    reason[~finite] = Reason.NOT_CONVERGED
    return reason
