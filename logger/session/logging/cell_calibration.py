"""The evening of a board's cells: kept dated, applied whenever raw scans are read."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.board.cell_calibration import Evening
from analysis.board.roller import CellState
from analysis.conventions import FloatArray
from logger.errors import StoreError
from logger.store.store import Store

EVENING_KIND = "evening"
# Goes up whenever the same passes would give other gains.
EVENING_METHOD = "evening 1"

_SILENT = frozenset({CellState.DEAD, CellState.STUCK, CellState.NEGATIVE})


@dataclass(frozen=True, slots=True)
class DatedEvening:
    """An evening with its place in the store."""

    id: int
    from_utc_ns: int
    evening: Evening


class EveningsInForce:
    """Which evening holds when, for one board.

    Parameters
    ----------
    dated
        The earliest first. None holds before the first.
    """

    def __init__(self, dated: Sequence[DatedEvening] = ()) -> None:
        self._dated = tuple(dated)
        self._from = [one.from_utc_ns for one in self._dated]

    def at(self, utc_ns: int) -> DatedEvening | None:
        """Return what holds for something struck at a moment."""
        place = bisect_right(self._from, utc_ns)
        return self._dated[place - 1] if place else None


def evenings_of(store: Store, boot: int) -> EveningsInForce:
    """Read the evenings of the board that had this boot.

    Raises
    ------
    StoreError
        If one cannot be read.
    """
    board = store.boards.of_boot(boot)
    dated = []
    for row in store.calibrations.of_board(board.id, EVENING_KIND):
        try:
            evening = Evening.from_json(row.content)
        except (ValueError, TypeError) as error:
            raise StoreError(f"{store.path}: evening {row.id} of {board.name}: {error}") from error
        dated.append(DatedEvening(row.id, row.from_utc_ns, evening))
    return EveningsInForce(dated)


def gain_table(evening: Evening) -> FloatArray:
    """Gains as an array, shape (rows, cells).

    NaN for a cell that gives nothing to go by. One that answers but could not be evened (the bar
    did not cross it from end to end) counts as a mean cell.
    """
    return np.array(
        [
            [
                gain if gain is not None else (np.nan if word in _SILENT else 1.0)
                for gain, word in zip(gains, words, strict=True)
            ]
            for gains, words in zip(evening.gain, evening.state, strict=True)
        ],
        dtype=np.float64,
    )


def shared_doubt(evening: Evening) -> float:
    """Relative standard uncertainty of the gains, root mean square over the evened cells."""
    parts = [
        (u / gain) ** 2
        for gains, us in zip(evening.gain, evening.u_gain, strict=True)
        for gain, u in zip(gains, us, strict=True)
        if gain is not None and u is not None
    ]
    return float(np.sqrt(np.mean(parts))) if parts else 0.0


def fits_board(evening: Evening, rows: int, cells: int) -> bool:
    """Whether an evening is of a strip with so many cells; a rebuilt board may have others."""
    return gain_table(evening).shape == (rows, cells)


def evened_counts(
    raw: FloatArray, rest: FloatArray, evening: Evening, full_scale: float
) -> tuple[FloatArray, float]:
    """Even one strike's raw counts, with the rest level left in.

    Parameters
    ----------
    raw : ndarray, shape (n_scans, rows, cells)
        As the board sent them.
    rest : ndarray, shape (rows, cells)
        Of this strike, from before the trigger.
    evening : Evening
        Of this board.
    full_scale : float
        Greatest raw value.

    Returns
    -------
    counts : ndarray, shape of `raw`
        A cell that could not be evened keeps its value. So does the whole strike if a cell that
        moves was at full scale: what is known of such a cell is a bound in raw counts.
    full_scale : float
        What full scale is now: no evened value below it was at full scale.
    """
    gain = gain_table(evening)
    at_top = raw >= full_scale
    stuck = np.all(at_top, axis=0)
    if np.any(at_top & ~stuck):
        return raw, full_scale
    usable = np.where(np.isfinite(gain), gain, 1.0)
    top = full_scale / min(1.0, float(usable.min()))
    return np.where(stuck, top, rest + (raw - rest) / usable), top
