"""The run of cells that a sole pressed, and when a strike's cells say nothing of a sole."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint.scans import PeakProfile

# A cell is pressed above this part of the peak, or this many standard deviations.
_PRESSED_PART = 0.1
_PRESSED_SD = 4.0
# Counts over the offset noise below which nothing was pressed.
_NO_LOAD_SD = 6.0
# Size, place and depth of a print: this many cells must be pressed, and unsaturated.
_FEWEST_CELLS = 3
# More of the pressed cells than this at full scale: what is left is the flanks only.
_MOST_SATURATED = 0.5
# A cell outside the patch that counts against it: this many sd, and this part of the peak.
_STRAY_SD = 8.0
_STRAY_PART = 0.3


class NotUsed(IntEnum):
    """Why a strike's cells are not used; `words` says it to a person."""

    OK = 0
    NOT_NUMBERS = 1
    NO_LOAD = 2
    NEGATIVE = 3
    TOO_FEW_CELLS = 4
    SATURATED = 5
    OFF_STRIP = 6
    TWO_PATCHES = 7
    NOT_A_SOLE = 8

    @property
    def words(self) -> str:
        """One line that says what is wrong and what to do."""
        return _WORDS[self]


_WORDS = {
    NotUsed.OK: "",
    NotUsed.NOT_NUMBERS: "cell values or times are missing: read the strike again from the board",
    NotUsed.NO_LOAD: "no cell was pressed: lower the trigger level or check the strip",
    NotUsed.NEGATIVE: "cells fall when pressed: check the polarity of the strip and its rest level",
    NotUsed.TOO_FEW_CELLS: "fewer than three cells were pressed: use a softer cover or finer cells",
    NotUsed.SATURATED: "too many cells at full scale: lower the gain of the strip",
    NotUsed.OFF_STRIP: "the patch runs off the end of the strip: move the address mark",
    NotUsed.TWO_PATCHES: "two patches: the ball, a foot or a divot was on the strip too",
    NotUsed.NOT_A_SOLE: "the pattern is not that of a sole: look at the cells and their"
    " calibration",
}


@dataclass(frozen=True)
class Patch:
    """The run of pressed cells about the greatest value."""

    peak: FloatArray
    first: NDArray[np.intp]
    last: NDArray[np.intp]
    pressed: NDArray[np.bool_]
    """(n, cells): pressed, in the run or not."""
    filled: FloatArray
    """(n, cells): values with single holes bridged."""


def find_patch(y: FloatArray, variance: FloatArray) -> Patch:
    """Find the run of pressed cells; ``y`` (n, cells) finite, ``variance`` of its offset noise."""
    n, cells = y.shape
    left = np.concatenate([y[:, 1:2], y[:, :-1]], axis=1)
    right = np.concatenate([y[:, 1:], y[:, -2:-1]], axis=1)
    between = np.minimum(left, right)
    filled = np.where(y < 0.5 * between, (left + right) / 2, y)
    # A lone spike is no patch: the peak is judged on values no greater than the better neighbour's.
    calm = np.minimum(filled, np.maximum(left, right))
    top = np.argmax(calm, axis=1)
    peak = calm[np.arange(n), top]
    level = np.where(np.isfinite(variance), np.sqrt(variance), 0.0)
    pressed = filled > np.maximum(_PRESSED_PART * peak[:, None], _PRESSED_SD * level)
    index = np.arange(cells)
    first = np.where(~pressed & (index < top[:, None]), index, -1).max(axis=1) + 1
    last = np.where(~pressed & (index > top[:, None]), index, cells).min(axis=1) - 1
    return Patch(peak, first, last, pressed, filled)


def reasons(profile: PeakProfile, dead: NDArray[np.bool_]) -> list[NotUsed]:
    """Say of each strike why its cells are not used; ``dead`` (cells,) give nothing."""
    gone = profile.missing | dead
    y = np.where(gone, 0.0, profile.counts)
    n, cells = y.shape
    finite = np.isfinite(y).all(axis=1)
    y = np.where(np.isfinite(y), y, 0.0)
    variance = np.where(gone, 0.0, profile.variance)
    patch = find_patch(y, variance)
    sd = np.sqrt(variance.max(axis=1))
    index = np.arange(cells)
    run = (index >= patch.first[:, None]) & (index <= patch.last[:, None])
    saturated = (profile.saturated & run).sum(axis=1)
    width = run.sum(axis=1)
    reason = np.zeros(n, dtype=np.int64)
    # Later lines win.
    beside = (
        patch.pressed & ~run & (y > np.maximum(_STRAY_PART * patch.peak, _STRAY_SD * sd)[:, None])
    )
    reason[beside.sum(axis=1) >= 2] = NotUsed.TWO_PATCHES
    # The greatest pressure must have been seen from both sides.
    heaviest = np.argmax(np.where(run, y, -np.inf), axis=1)
    reason[(heaviest <= 1) & (patch.first == 0)] = NotUsed.OFF_STRIP
    reason[(heaviest >= cells - 2) & (patch.last == cells - 1)] = NotUsed.OFF_STRIP
    reason[width - (gone & run).sum(axis=1) < _FEWEST_CELLS] = NotUsed.TOO_FEW_CELLS
    flanks = (saturated > 0) & (width - saturated < _FEWEST_CELLS)
    reason[flanks | (saturated > _MOST_SATURATED * width)] = NotUsed.SATURATED
    reason[~(patch.peak > _NO_LOAD_SD * sd)] = NotUsed.NO_LOAD
    negative = profile.lowest < -np.maximum(2 * np.maximum(patch.peak, 0.0), 2 * _NO_LOAD_SD * sd)
    reason[negative] = NotUsed.NEGATIVE
    reason[(gone.sum(axis=1) > cells // 2) | ~finite] = NotUsed.NOT_NUMBERS
    return [NotUsed(int(r)) for r in reason]
