"""Is this board fit to be used: a list of findings from a resting stretch, a bar and counters.

Each function looks at one thing and returns findings; none raises for a bad board, because a bad
board is what they are for. Cells are numbered as on the wire, from 0.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from analysis.answers import NoAnswerError, Verdict
from analysis.board.cell_calibration import CellCalibration
from analysis.board.roller import CellState, RollerPass, crossed_cells
from analysis.conventions import FloatArray
from analysis.statistics.budget import coverage_factor
from analysis.statistics.lines import ordinary_line

NOTHING_TO_DO = "Nothing to do."
_MICROSECONDS_PER_MINUTE = 60e6

# False triggers per hour of waiting that disturb nobody, and that make a session useless.
_FALSE_GOOD, _FALSE_BAD = 0.1, 10.0
# Against the median cell: noise that points at this one cell and not at the supply.
_NOISY = 3.0
# Part of the trigger level by which the rest may wander in ten minutes.
_DRIFT_GOOD, _DRIFT_BAD = 0.1, 0.5
# Answer of a cell against that of its row or its neighbours: from here on it is weak, which can be
# calibrated; from here on it is dead: calibration would carry its noise up more than five times.
WEAK_PART, DEAD_PART = 0.5, 0.2
# Resistive film commonly shows 5 to 15 % (from memory); above, place begins to depend on history.
_HYSTERESIS = 0.15
# A gain doubtful by 5 % moves the centre of a patch of ten 4 mm cells by about 0.2 mm.
_DOUBTFUL_GAIN = 0.05


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    Attributes
    ----------
    item : str
        What, in a word or two.
    value : float or None
        The number behind it; None when there is none.
    unit : str
        Unit of the value.
    verdict : Verdict
        PASS, LOOK or FAIL.
    what_to_do : str
        One sentence.
    cell : (int, int) or None
        Row and cell, when it is about one.
    """

    item: str
    value: float | None
    unit: str
    verdict: Verdict
    what_to_do: str
    cell: tuple[int, int] | None = None


def worst(findings: Iterable[Finding]) -> Verdict:
    """Worst verdict among the findings; LOOK when there are none, as nothing was looked at."""
    verdicts = {finding.verdict for finding in findings}
    if Verdict.FAIL in verdicts:
        return Verdict.FAIL
    return Verdict.LOOK if Verdict.LOOK in verdicts or not verdicts else Verdict.PASS


def graded(value: float, good: float, bad: float) -> Verdict:
    """PASS up to ``good``, LOOK up to ``bad``, FAIL above."""
    if value <= good:
        return Verdict.PASS
    return Verdict.LOOK if value <= bad else Verdict.FAIL


def resting_noise_counts(counts: ArrayLike) -> FloatArray:
    """Noise of each resting cell, free of slow drift.

    Parameters
    ----------
    counts : array_like
        Shape (n_scans, rows, cells), n_scans >= 2.

    Returns
    -------
    ndarray
        Shape (rows, cells), standard deviation of one scan, counts: the root mean square of
        neighbouring differences over sqrt(2) (von Neumann's successive differences).
    """
    steps = np.diff(np.asarray(counts, dtype=np.float64), axis=0)
    return np.asarray(np.sqrt(np.mean(steps**2, axis=0) / 2.0))


def resting_findings(
    counts: ArrayLike, t_us: ArrayLike, *, full_scale: int, trigger_counts: int
) -> list[Finding]:
    """Noise, stuck and noisy cells, preload and drift of a board that nobody touches.

    Parameters
    ----------
    counts : array_like
        Shape (n_scans, rows, cells), raw.
    t_us : array_like
        Shape (n_scans,), microseconds, increasing. Stretches with pauses between are fine.
    full_scale : int
        Greatest value a cell can have.
    trigger_counts : int
        Counts above rest at which a strike begins.

    Returns
    -------
    list of Finding
        "noise" (counts, the median cell, against the trigger level), "false triggers" (per hour,
        all cells, normal noise), "drift" (counts per minute of the worst cell), and one finding for
        each cell that is stuck, still, noisy or preloaded.

    Raises
    ------
    NoAnswerError
        Fewer than 50 scans.
    ValueError
        Shapes do not fit, times do not go up, or the trigger level is not positive.
    """
    values = np.asarray(counts, dtype=np.float64)
    t = np.asarray(t_us, dtype=np.float64)
    if values.ndim != 3 or t.shape != values.shape[:1]:
        raise ValueError("resting counts need the shape (n_scans, rows, cells), one time per scan")
    if t.size < 50:
        raise NoAnswerError(f"{t.size} resting scans are too few: leave the board alone for longer")
    if not np.all(np.diff(t) > 0) or trigger_counts <= 0:
        raise ValueError("times must go up and the trigger level must be positive")

    noise = resting_noise_counts(values)
    rest = values.mean(axis=0)
    usual = float(np.median(noise))
    findings = []
    for row, cell in np.ndindex(noise.shape):
        where, name = (row, cell), f"row {row}, cell {cell}"
        level, own = float(rest[row, cell]), float(noise[row, cell])
        constant = float(np.ptp(values[:, row, cell])) == 0.0
        if constant and level >= full_scale:
            fix = f"{name} is stuck at full scale: look for a short or a wire off its pull-down."
            findings.append(Finding("stuck cell", level, "counts", Verdict.FAIL, fix, where))
        elif constant and usual > 0:
            fix = f"{name} never moves by a count while others do: press it; if still, check it."
            findings.append(Finding("still cell", level, "counts", Verdict.LOOK, fix, where))
        elif own > _NOISY * max(usual, 1.0 / math.sqrt(12.0)):
            fix = f"{name} is noisier than the others: check its solder joint and its wire."
            verdict = Verdict.FAIL if own * 4.0 > trigger_counts else Verdict.LOOK
            findings.append(Finding("noisy cell", own, "counts", verdict, fix, where))
        if not constant and level > full_scale / 2.0:
            fix = f"{name} is pressed at rest: loosen the cover or level what lies under it."
            findings.append(Finding("preloaded cell", level, "counts", Verdict.LOOK, fix, where))
    return [
        Finding(
            "noise",
            usual,
            "counts",
            graded(usual / trigger_counts, 1.0 / 6.0, 1.0 / 4.0),
            NOTHING_TO_DO
            if 6.0 * usual <= trigger_counts
            else "All cells are noisy against the trigger: check supply, ground and shielding.",
        ),
        _false_triggers(noise, t, trigger_counts),
        _drift(values, t, trigger_counts),
        *findings,
    ]


def _false_triggers(noise: FloatArray, t: FloatArray, trigger_counts: int) -> Finding:
    scans_per_hour = 3600e6 / float(np.median(np.diff(t)))
    with np.errstate(divide="ignore"):
        beyond = ndtr(-trigger_counts / noise)
    per_hour = float(np.sum(beyond)) * scans_per_hour
    verdict = graded(per_hour, _FALSE_GOOD, _FALSE_BAD)
    # 6 standard deviations of the worst cell: under one false trigger in a day at 3 kHz and
    # 32 cells.
    needed = math.ceil(6.0 * float(np.max(noise)))
    fix = (
        NOTHING_TO_DO
        if verdict is Verdict.PASS
        else f"Noise alone starts strikes: find its source, or set the trigger to {needed} counts."
    )
    return Finding("false triggers", per_hour, "per hour", verdict, fix)


def _drift(values: FloatArray, t: FloatArray, trigger_counts: int) -> Finding:
    # Means of 20 blocks: noise of neighbouring scans is seldom independent.
    blocks = np.array_split(np.arange(t.size), 20)
    minutes = np.array([t[b].mean() for b in blocks]) / _MICROSECONDS_PER_MINUTE
    means = np.stack([values[b].mean(axis=0) for b in blocks]).reshape(len(blocks), -1)
    lines = [ordinary_line(minutes, means[:, k]) for k in range(means.shape[1])]
    # One board in a hundred may be held against by chance, over all its cells together.
    factor = coverage_factor(lines[0].dof, 1.0 - 0.01 / len(lines))
    surely = [max(abs(line.slope) - factor * line.u_slope, 0.0) for line in lines]
    k = int(np.argmax(surely))
    at_most = 10.0 * float(np.median([line.u_slope for line in lines])) * 2.0
    verdict = graded(10.0 * surely[k] / trigger_counts, _DRIFT_GOOD, _DRIFT_BAD)
    cells = values.shape[2]
    if verdict is not Verdict.PASS:
        fix = (
            f"Row {k // cells}, cell {k % cells} drifts: let the board warm up, keep it out of the "
            "sun, and see that nothing presses it."
        )
    elif at_most > _DRIFT_BAD * trigger_counts:
        verdict = Verdict.LOOK
        fix = "Too short to see drift: leave the board alone for a minute or two."
    else:
        fix = NOTHING_TO_DO
    return Finding("drift", lines[k].slope, "counts per minute", verdict, fix)


def roller_findings(
    passes: Sequence[RollerPass], calibration: CellCalibration | None, *, full_scale: int
) -> list[Finding]:
    """Find swapped wires, bad and weak cells and hysteresis from a bar drawn along the strip.

    Parameters
    ----------
    passes : sequence of RollerPass
        One or more.
    calibration : CellCalibration or None
        From the same passes; None when it could not be made.
    full_scale : int
        Greatest value a cell can have.

    Returns
    -------
    list of Finding
        "wiring order" first (the number of cells out of place), then one for each cell that is bad,
        weak or doubtful, then "hysteresis".

    Raises
    ------
    ValueError
        Malformed passes.
    """
    try:
        crossed = crossed_cells(passes, full_scale)
    except NoAnswerError as reason:
        return [Finding("wiring order", None, "cells", Verdict.FAIL, f"{reason}.")]
    findings = [
        Finding(
            "wiring order",
            float(len(crossed)),
            "cells",
            Verdict.FAIL if crossed else Verdict.PASS,
            "Swap the wires of the cells named below." if crossed else NOTHING_TO_DO,
        )
    ]
    for row, cell, place in crossed:
        fix = f"Row {row}: cell {cell} answers where cell {place} should: swap their wires."
        findings.append(
            Finding("crossed cell", float(place), "cell", Verdict.FAIL, fix, (row, cell))
        )
    if calibration is None:
        return findings
    for row, cell, word in calibration.bad_cells:
        findings.append(_bad_cell(row, cell, word))
    for row, gains in enumerate(calibration.gain):
        for cell, gain in enumerate(gains):
            u = calibration.u_gain[row][cell]
            if gain is not None and u is not None:
                findings += _gain_findings(row, cell, gain, u)
    rms = calibration.rms_hysteresis
    high = rms > _HYSTERESIS
    findings.append(
        Finding(
            "hysteresis",
            100.0 * rms,
            "%",
            Verdict.LOOK if high else Verdict.PASS,
            "Cells read differently in the two directions: press the whole strip some times to "
            "settle it, and draw the bar again."
            if high
            else NOTHING_TO_DO,
        )
    )
    return findings


_CURES = {
    CellState.DEAD: (Verdict.FAIL, "does not answer the bar: check its wire and its film"),
    CellState.STUCK: (Verdict.FAIL, "never changes: look for a short or an open wire"),
    CellState.NEGATIVE: (Verdict.FAIL, "goes down when pressed: its divider is wired upside down"),
    CellState.CLIPPED: (
        Verdict.LOOK,
        "reaches full scale under the bar: use a lighter bar or a smaller resistor",
    ),
    CellState.NOT_CROSSED: (
        Verdict.LOOK,
        "was not crossed from end to end: start and stop the bar beyond the strip",
    ),
    CellState.UNSTEADY: (
        Verdict.LOOK,
        "was never passed at an even speed: draw the bar again, without a halt",
    ),
}


def _bad_cell(row: int, cell: int, word: str) -> Finding:
    verdict, cure = _CURES[CellState(word)]
    fix = f"Row {row}, cell {cell} {cure}."
    return Finding(f"{word} cell", None, "", verdict, fix, (row, cell))


def _gain_findings(row: int, cell: int, gain: float, u: float) -> list[Finding]:
    findings = []
    if gain < WEAK_PART:
        verdict = Verdict.FAIL if gain < DEAD_PART else Verdict.LOOK
        fix = f"Row {row}, cell {cell} answers weakly: check its film and what lies over it."
        findings.append(Finding("weak cell", gain, "of mean", verdict, fix, (row, cell)))
    if u > _DOUBTFUL_GAIN * gain:
        fix = f"Row {row}, cell {cell} does not repeat from pass to pass: draw the bar more often."
        findings.append(
            Finding("doubtful gain", 100.0 * u / gain, "%", Verdict.LOOK, fix, (row, cell))
        )
    return findings
