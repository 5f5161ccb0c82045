"""What presses along the strip show of each cell: does it answer, and in its place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.answers import Verdict
from analysis.board.check import DEAD_PART, NOTHING_TO_DO, WEAK_PART, Finding
from analysis.board.roller import (
    FEWEST_SCANS_PRESSED,
    Direction,
    RollerPass,
    crossed_cells,
    passing_times_us,
)
from analysis.strikes.scans import rest_levels
from logger.protocol.records import Flag, Hello, Strike

# Of the record's highest cell: what is pressed at all.
_ANSWERED = 0.05
# Both sides must be pressed this hard before silence in between counts against a cell.
_SURROUNDED = 0.2
_FEWEST = 2
# Rank correlation of cells with the moments of their heaviest press, from which on the presses
# count as made in order along the strip.
_IN_ORDER = 0.9
_FEWEST_IN_ORDER = 4
_PRESS_US = 1e6
# Of the step from one press to the next: closer than this, two cells have no order.
_APART = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Presses:
    """Highest reading of each cell in each of n presses, counts above rest.

    Attributes
    ----------
    height : ndarray
        Shape (n, rows, cells).
    full : ndarray of bool
        Shape (n, rows, cells): the cell was at full scale.
    lowest : ndarray
        Shape (n, rows, cells): lowest reading, counts above rest.
    stuck : ndarray of bool
        Shape (rows, cells): always at full scale.
    """

    height: NDArray[np.float64]
    full: NDArray[np.bool_]
    lowest: NDArray[np.float64]
    stuck: NDArray[np.bool_]

    @property
    def answered(self) -> NDArray[np.bool_]:
        """Which cells rose in which press, shape (n, rows, cells)."""
        top = self.height.max(axis=(1, 2), keepdims=True)
        return np.asarray((self.height > _ANSWERED * top) & ~self.stuck)

    @property
    def alive(self) -> NDArray[np.bool_]:
        """Which cells rose in any press, shape (rows, cells)."""
        return np.asarray(self.answered.any(axis=0))


def presses_of(strikes: Sequence[Strike], hello: Hello, trigger_level: int) -> Presses:
    """Take the presses out of records; what hardly reaches the trigger is noise and is left out."""
    heights, fulls, lows = [], [], []
    shape = (hello.rows, hello.cells)
    always_full = np.ones(shape, dtype=np.bool_)
    for strike in strikes:
        raw = strike.counts.astype(np.float64)
        always_full &= np.all(raw >= hello.full_scale, axis=0)
        rest, _, _ = rest_levels(raw, late_start=Flag.LATE_START in strike.flags)
        above = np.where(rest >= hello.full_scale, 0.0, raw - rest)
        if above.max() < 2 * trigger_level:
            continue
        heights.append(above.max(axis=0))
        fulls.append(np.any(raw >= hello.full_scale, axis=0))
        lows.append(above.min(axis=0))
    if not heights:
        none = np.zeros((0, *shape))
        return Presses(none, none.astype(np.bool_), none, np.zeros(shape, dtype=np.bool_))
    return Presses(np.stack(heights), np.stack(fulls), np.stack(lows), always_full)


def silent_between(presses: Presses) -> list[tuple[int, int]]:
    """Cells (row, cell) that stayed silent while the nearest live ones on both sides were pressed.

    At an end of the strip there is one side only. A press whose reading falls from cell to cell
    away from the end is centred at that end, so cells as far out as it reaches in must answer.
    """
    found = []
    alive = presses.alive & ~presses.stuck
    top = presses.height.max(axis=(1, 2))
    rows, cells = alive.shape
    for row in range(rows):
        living = np.flatnonzero(alive[row])
        height = presses.height[:, row]
        for cell in np.flatnonzero(~alive[row] & ~presses.stuck[row]):
            left, right = living[living < cell], living[living > cell]
            if left.size and right.size:
                sides = np.minimum(height[:, left[-1]], height[:, right[0]])
                if int(np.sum(sides >= _SURROUNDED * top)) >= _FEWEST:
                    found.append((row, int(cell)))
                continue
            inward = living[:3] if not left.size else living[::-1][:3]
            out = abs(int(inward[0]) - int(cell)) if inward.size == 3 else cells
            if out > 1:
                continue
            first, second, third = (height[:, k] for k in inward)
            toward = (first > second) & (second > third) & (third >= _SURROUNDED * top)
            if int(np.sum(toward)) >= _FEWEST:
                found.append((row, int(cell)))
    return found


def share_of_neighbours(presses: Presses) -> NDArray[np.float64]:
    """Median over presses of a cell's reading over the mean of its neighbours'.

    Shape (rows, cells); NaN at the ends of the strip and where fewer than two presses covered a
    cell and both of its neighbours. About 1 for even cells under anything smooth and wide; a narrow
    fingertip makes it greater, never smaller.
    """
    height = np.where(presses.full | presses.stuck, np.nan, presses.height)
    top = presses.height.max(axis=(1, 2), keepdims=True)
    result = np.full(height.shape[1:], np.nan)
    beside = np.minimum(height[..., :-2], height[..., 2:])
    between = (height[..., :-2] + height[..., 2:]) / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(beside >= _SURROUNDED * top, height[..., 1:-1] / between, np.nan)
    for row, cell in np.ndindex(share.shape[1:]):
        own = share[:, row, cell]
        own = own[np.isfinite(own)]
        if own.size >= _FEWEST:
            result[row, cell + 1] = float(np.median(own))
    return result


def press_findings(presses: Presses) -> list[Finding]:
    """Find cells that are dead, stuck, weak or upside down, and those that nobody pressed.

    Returns
    -------
    list of Finding
        "cells that answered" first (their number), then one for each cell that is amiss.
    """
    rows, cells = presses.alive.shape
    silent = silent_between(presses)
    share = share_of_neighbours(presses)
    named: list[Finding] = []
    for row, cell in np.ndindex(rows, cells):
        where, name = (row, cell), f"Row {row}, cell {cell}"
        if presses.stuck[row, cell]:
            # Told from its rest already.
            continue
        fix: str
        if where in silent:
            # At least one: presses of a silent cell were found.
            if _goes_down(presses, row, cell):
                fix = f"{name} goes down when pressed: its divider is wired upside down."
            else:
                fix = f"{name} does not answer a press that covers it: check its wire and its film."
            named.append(Finding("dead cell", 0.0, "of neighbours", Verdict.FAIL, fix, where))
        elif share[row, cell] < WEAK_PART:
            part = float(share[row, cell])
            verdict = Verdict.FAIL if part < DEAD_PART else Verdict.LOOK
            fix = (
                f"{name} answers weakly: check its film; 'lieboard board calibrate' measures its "
                "gain."
            )
            named.append(Finding("weak cell", part, "of neighbours", verdict, fix, where))
    answered = int(np.sum(presses.alive))
    unseen = [
        (row, cell)
        for row, cell in np.ndindex(rows, cells)
        if not (presses.alive[row, cell] or presses.stuck[row, cell] or (row, cell) in silent)
    ]
    if unseen:
        fix = (
            f"Not pressed, or they do not answer: {words_for_cells(unseen, rows)}. Press right on "
            "them and check again."
        )
    else:
        fix = NOTHING_TO_DO
    verdict = Verdict.LOOK if unseen else Verdict.PASS
    return [Finding("cells that answered", float(answered), "cells", verdict, fix), *named]


def _goes_down(presses: Presses, row: int, cell: int) -> bool:
    low, top = presses.lowest[:, row, cell], presses.height.max(axis=(1, 2))
    return int(np.sum(-low >= _SURROUNDED * top)) >= _FEWEST


def words_for_cells(places: Sequence[tuple[int, int]], rows: int) -> str:
    """Name cells as ranges: "cells 0-3, 7", with the row in front if there are several."""
    parts = []
    for row in sorted({row for row, _ in places}):
        cells = sorted(cell for r, cell in places if r == row)
        runs: list[list[int]] = []
        for cell in cells:
            if runs and cell == runs[-1][-1] + 1:
                runs[-1].append(cell)
            else:
                runs.append([cell])
        text = ", ".join(f"{r[0]}" if len(r) == 1 else f"{r[0]}-{r[-1]}" for r in runs)
        word = "cell" if len(cells) == 1 else "cells"
        parts.append(f"{word} {text}" if rows == 1 else f"row {row} {word} {text}")
    return "; ".join(parts)


def order_finding(strikes: Sequence[Strike], hello: Hello, trigger_level: int) -> list[Finding]:
    """Find swapped wires from presses made one after the other along the strip.

    Each cell's moment is that of its heaviest press; where the presses did not go along the strip
    in order this says so and claims nothing.
    """
    not_seen = Finding(
        "wiring order",
        None,
        "",
        Verdict.LOOK,
        "Not seen: press along the strip in order, from the end with cell 0 to the other, or draw "
        "a bar with 'lieboard board calibrate'.",
    )
    series = _as_one_pass(strikes, hello, trigger_level)
    if series is None:
        return [not_seen]
    when = passing_times_us(series, hello.full_scale)
    correlation = _rank_correlation(when)
    if correlation is None or abs(correlation) < _IN_ORDER:
        return [not_seen]
    if correlation < 0:
        fix = (
            "The cells answered from the far end to cell 0: press from cell 0 on; if you did, the "
            "ribbon cable is plugged in the wrong way round."
        )
        return [Finding("wiring order", None, "", Verdict.LOOK, fix)]
    crossed = [
        (row, cell, place)
        for row, cell, place in crossed_cells([series], hello.full_scale)
        # Two cells that were always pressed together have no order.
        if abs(when[row, cell] - when[row, place]) > _APART * _PRESS_US
    ]
    fix = "Swap the wires of the cells named below." if crossed else NOTHING_TO_DO
    verdict = Verdict.FAIL if crossed else Verdict.PASS
    findings = [Finding("wiring order", float(len(crossed)), "out of place", verdict, fix)]
    for row, cell, place in crossed:
        words = f"Row {row}: cell {cell} answers where cell {place} should: swap their wires."
        findings.append(
            Finding("crossed cell", float(place), "cell", Verdict.FAIL, words, (row, cell))
        )
    return findings


def _as_one_pass(strikes: Sequence[Strike], hello: Hello, trigger_level: int) -> RollerPass | None:
    """Join the heights of presses as one series in the order of time, a second each.

    Only the order counts: how long the pauses were says nothing of the wiring.
    """
    heights = presses_of(strikes, hello, trigger_level).height
    if len(heights) < _FEWEST_IN_ORDER:
        return None
    body = np.repeat(heights, FEWEST_SCANS_PRESSED, axis=0)
    # As much rest on either side, so that every cell rests for more than half of the series.
    rest = np.zeros_like(body)
    counts = np.concatenate([rest, body, rest])
    t_us = np.arange(len(counts), dtype=np.float64) * (_PRESS_US / FEWEST_SCANS_PRESSED)
    return RollerPass(t_us, counts, Direction.TOWARD_POSITIVE)


def _rank_correlation(when: NDArray[np.float64]) -> float | None:
    """Spearman's, of cells against the moments they were pressed; of the worst row."""
    worst: float | None = None
    for row in when:
        seen = np.flatnonzero(np.isfinite(row))
        if seen.size < _FEWEST_IN_ORDER or np.ptp(row[seen]) < 2 * _PRESS_US:
            return None
        ranks = np.argsort(np.argsort(row[seen], kind="stable"), kind="stable")
        value = float(np.corrcoef(np.arange(seen.size), ranks)[0, 1])
        if worst is None or abs(value) < abs(worst):
            worst = value
    return worst
