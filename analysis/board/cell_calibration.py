"""Cell calibration: gain and offset of each, from a weighted bar drawn along the strip.

Raw counts stay raw in the store. What is kept with them is one `CellCalibration`, and every reader
corrects the counts at the moment of reading (`CellCalibration.apply`).

What can be known. Area over place (`roller_area`) of pass p at cell i is ``load_p * gain_i``. So
the gains are known up to one factor, which is fixed by mean gain = 1, and

- a load that differs from pass to pass drops out;
- a load that rises along the strip in one pass but not in the others shows as scatter, and is in
  the uncertainty;
- a load that rises along the strip in *every* pass alike (the same hand leaning the same way) looks
  exactly like gains that rise: turn the bar end for end and pull from both sides;
- with two rows, a bar that leans on one row in every pass looks like a stronger row: turning the
  bar helps here too;
- a hand that halts for a moment spoils the cells around that place; they are left out of that pass;
- cells that are not placed exactly a pitch apart look stronger or weaker by that part of a pitch,
  spread over the seven cells that the speed is taken from.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.answers import NoAnswerError
from analysis.board.roller import (
    FEWEST_SCANS,
    CellState,
    Direction,
    RollerPass,
    crossed_cells,
)
from analysis.board.roller_area import CellResponse, cell_responses
from analysis.conventions import FloatArray

FEWEST_PASSES_EACH_WAY = 2

Table = tuple[tuple[float | None, ...], ...]


def _table(values: FloatArray) -> Table:
    """Rows of plain numbers, None for NaN: JSON has no NaN."""
    return tuple(tuple(float(v) if math.isfinite(v) else None for v in row) for row in values)


def _array(table: Table) -> FloatArray:
    return np.array([[np.nan if v is None else v for v in row] for row in table], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class CellCalibration:
    """Gain and offset of every cell, valid from the day it was made.

    Tables have one tuple per row of the board, one entry per cell; None where a cell is not good.

    Attributes
    ----------
    made : str
        When the bar was drawn, as the caller wrote it (ISO 8601 UTC).
    pitch_mm : float
        Pitch of the cells.
    gain : table
        Response of the cell over the mean response of all good cells.
    u_gain : table
        Standard uncertainty of the gain.
    offset_counts, u_offset_counts : table
        Resting level and its standard uncertainty, also for cells that are not good.
    noise_counts : table
        Standard deviation of one resting scan.
    hysteresis : table
        Gain drawn toward positive less gain drawn toward negative, as a part of the gain; 0 for the
        median cell, because what all cells share cannot be told from the load.
    state : tuple of tuple of str
        `roller.CellState` of each cell.
    passes_used : int
        Passes that went into it.
    left_out : tuple of str
        One sentence for each pass that could not be used.
    """

    made: str
    pitch_mm: float
    gain: Table
    u_gain: Table
    offset_counts: Table
    u_offset_counts: Table
    noise_counts: Table
    hysteresis: Table
    state: tuple[tuple[str, ...], ...]
    passes_used: int
    left_out: tuple[str, ...]

    @property
    def rms_hysteresis(self) -> float:
        """Root mean square of the hysteresis over the good cells."""
        return float(np.sqrt(np.nanmean(_array(self.hysteresis) ** 2)))

    @property
    def bad_cells(self) -> tuple[tuple[int, int, str], ...]:
        """Every cell that is not good: (row, cell, what it is)."""
        return tuple(
            (r, c, word)
            for r, row in enumerate(self.state)
            for c, word in enumerate(row)
            if word != CellState.GOOD
        )

    def apply(self, counts: ArrayLike, *, rest_counts: ArrayLike | None = None) -> FloatArray:
        """Correct raw counts: ``(counts - rest) / gain``.

        Parameters
        ----------
        counts : array_like
            Shape (..., rows, cells), raw counts.
        rest_counts : array_like, optional
            Shape (rows, cells): rest level of this very strike, from its scans before the trigger.
            Better than the stored offset, which may have drifted since; left out, that one is used.

        Returns
        -------
        ndarray
            Shape of `counts`, counts of a mean cell above rest; NaN for a cell that is not good.

        Raises
        ------
        ValueError
            The counts do not have this board's rows and cells.
        """
        gain = _array(self.gain)
        values = np.asarray(counts, dtype=np.float64)
        if values.shape[-2:] != gain.shape:
            raise ValueError(
                f"counts of shape {values.shape} do not fit a board of {gain.shape[0]} rows and "
                f"{gain.shape[1]} cells: was it calibrated as another board?"
            )
        rest = (
            _array(self.offset_counts)
            if rest_counts is None
            else np.asarray(rest_counts, dtype=np.float64)
        )
        return np.asarray((values - rest) / gain)

    def to_json(self) -> dict[str, Any]:
        """Plain dict of numbers, strings, lists and None, for ``json.dumps``."""
        return {
            "made": self.made,
            "pitch_mm": self.pitch_mm,
            **{name: [list(row) for row in getattr(self, name)] for name in (*_TABLES, "state")},
            "passes_used": self.passes_used,
            "left_out": list(self.left_out),
        }

    @classmethod
    def from_json(cls, plain: Mapping[str, Any]) -> CellCalibration:
        """Inverse of `to_json`.

        Raises
        ------
        ValueError
            A field is missing.
        """
        try:
            return cls(
                made=str(plain["made"]),
                pitch_mm=float(plain["pitch_mm"]),
                **{name: tuple(tuple(row) for row in plain[name]) for name in (*_TABLES, "state")},
                passes_used=int(plain["passes_used"]),
                left_out=tuple(plain["left_out"]),
            )
        except KeyError as missing:
            raise ValueError(
                f"this cell calibration lacks {missing}: draw the bar again"
            ) from missing


_TABLES = ("gain", "u_gain", "offset_counts", "u_offset_counts", "noise_counts", "hysteresis")


def calibrate_cells(
    passes: Sequence[RollerPass], *, pitch_mm: float, full_scale: int, made: str
) -> CellCalibration:
    """Gain and offset per cell from several passes of a weighted bar in both directions.

    Parameters
    ----------
    passes : sequence of RollerPass
        At least two each way, each from beyond one end of the strip to beyond the other.
    pitch_mm : float
        From one cell's middle to the next, mm.
    full_scale : int
        Greatest value a cell can have.
    made : str
        When it was done, kept as given.

    Returns
    -------
    CellCalibration

    Raises
    ------
    NoAnswerError
        Fewer than two usable passes in a direction (with the reason of each that was left out),
        swapped wires, or fewer than half of the cells good.
    ValueError
        Passes of different boards, or malformed arrays.

    Notes
    -----
    Log areas are split into passes and cells (two-way additive fit; the pass effect is a median
    over cells, so that one bad cell does not move the others). Both directions count the same,
    however many passes each has. The standard uncertainty of a gain holds the scatter of its own
    passes, not less than that of all cells pooled, and the two directions' difference as a
    rectangular half-width (GUM 4.3.7).
    """
    if not passes:
        raise NoAnswerError("draw the bar along the strip, at least twice each way")
    shape = np.asarray(passes[0].counts).shape[1:]
    if any(np.asarray(p.counts).shape[1:] != shape for p in passes):
        raise ValueError("the passes do not all have the same rows and cells")
    # First, because swapped cells would look like a bar that turned back.
    swapped = crossed_cells([p for p in passes if len(p.t_us) >= FEWEST_SCANS], full_scale)
    if swapped:
        row, cell, place = swapped[0]
        raise NoAnswerError(
            f"row {row}: cell {cell} answers where cell {place} should: the wires are swapped, "
            "put them right before calibrating the cells"
        )
    responses, directions, left_out = _usable(passes, pitch_mm, full_scale)
    for heading in Direction:
        words = "positive" if heading > 0 else "negative"
        number = directions.count(heading)
        if number < FEWEST_PASSES_EACH_WAY:
            raise NoAnswerError(
                f"{number} usable passes toward {words}, {FEWEST_PASSES_EACH_WAY} are needed: "
                "draw the bar again" + "".join(f"; {reason}" for reason in left_out)
            )
    way = np.array(directions)
    state = _overall_state(responses, way)
    good = state == CellState.GOOD
    if 2 * good.sum() < good.size:
        raise NoAnswerError("fewer than half of the cells answered the bar: check the wiring first")

    areas = np.stack([r.area for r in responses])
    # A cell that missed single passes is still good; those passes are NaN here.
    log_area = np.log(np.where(good & (areas > 0), areas, np.nan))
    log_gain, residual, difference = _split(log_area, way)
    number = np.sum(np.isfinite(log_area), axis=0)
    scatter = _scatter(residual, way, number)
    u_log = np.hypot(scatter / np.sqrt(np.maximum(number, 1)), difference / 2.0 / math.sqrt(3.0))
    gain = np.exp(log_gain)
    gain /= np.nanmean(gain)

    rests = np.stack([r.rest_counts for r in responses])
    noise = np.median(np.stack([r.noise_counts for r in responses]), axis=0)
    u_rest = np.std(rests, axis=0, ddof=1) / math.sqrt(len(responses))
    return CellCalibration(
        made=made,
        pitch_mm=pitch_mm,
        gain=_table(gain),
        u_gain=_table(gain * u_log),
        offset_counts=_table(np.mean(rests, axis=0)),
        u_offset_counts=_table(u_rest),
        noise_counts=_table(noise),
        hysteresis=_table(difference),
        state=tuple(tuple(str(word) for word in row) for row in state),
        passes_used=len(responses),
        left_out=tuple(left_out),
    )


def _usable(
    passes: Sequence[RollerPass], pitch_mm: float, full_scale: int
) -> tuple[list[CellResponse], list[Direction], list[str]]:
    responses: list[CellResponse] = []
    directions: list[Direction] = []
    left_out: list[str] = []
    for index, one in enumerate(passes):
        try:
            responses.append(cell_responses(one, pitch_mm, full_scale))
        except NoAnswerError as reason:
            left_out.append(f"pass {index + 1}: {reason}")
            continue
        directions.append(Direction(one.direction))
    return responses, directions, left_out


def _overall_state(responses: Sequence[CellResponse], way: NDArray[np.int_]) -> NDArray[np.object_]:
    """Name each cell over all passes: good if good in two passes each way, else its usual fault."""
    states = np.stack([r.state for r in responses])
    result = np.empty(states.shape[1:], dtype=object)
    for cell in np.ndindex(result.shape):
        seen = states[(slice(None), *cell)]
        fine = seen == CellState.GOOD
        if all(int(np.sum(fine & (way == d))) >= FEWEST_PASSES_EACH_WAY for d in Direction):
            result[cell] = CellState.GOOD
        else:
            fault = [str(word) for word in seen[~fine]]
            result[cell] = max(sorted(set(fault)), key=fault.count)
    return result


def _mean(values: FloatArray) -> FloatArray:
    """Mean over passes without NaN; NaN where a cell has none."""
    number = np.sum(np.isfinite(values), axis=0)
    total = np.nansum(values, axis=0)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _split(
    log_area: FloatArray, way: NDArray[np.int_]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Split (n_passes, rows, cells) into log gain, residuals and difference of directions."""
    log_gain = np.zeros(log_area.shape[1:])
    # With all cells in all passes one round is exact; missing entries need a few more.
    for _ in range(20):
        load = np.nanmedian(log_area - log_gain, axis=(1, 2))
        rest = log_area - load[:, None, None]
        there, back = _mean(rest[way > 0]), _mean(rest[way < 0])
        log_gain = (there + back) / 2.0
    residual = np.where(way[:, None, None] > 0, rest - there, rest - back)
    difference = there - back
    return log_gain, residual, difference - np.nanmedian(difference)


def _scatter(residual: FloatArray, way: NDArray[np.int_], number: NDArray[np.int_]) -> FloatArray:
    """Take the scatter of one pass at each cell, not less than that of all cells pooled."""
    squares = np.nansum(residual**2, axis=0)
    # One mean per direction was taken out.
    dof = np.maximum(number - 2, 1)
    pooled = float(np.sum(squares) / np.sum(np.where(number > 2, number - 2, 0)))
    return np.asarray(np.sqrt(np.maximum(squares / dof, pooled)))
