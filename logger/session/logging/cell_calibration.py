"""Calibrations of a board's cells: kept dated, applied whenever raw scans are read."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.board.cell_calibration import CellCalibration
from analysis.board.response_law import DIVIDER, STRAIGHT, UNKNOWN, ResponseLaw
from analysis.board.roller import CellState
from analysis.conventions import FloatArray
from logger.errors import StoreError
from logger.protocol.records import Ability, Hello
from logger.store.store import Store

# As data files have stored it from the start.
CELL_CALIBRATION_KIND = "evening"
# Goes up whenever the same passes would give other gains.
CELL_CALIBRATION_METHOD = "evening 1"

RESPONSE_LAW_KIND = "response law"
RESPONSE_LAW_METHOD = "response law 1"

_SILENT = frozenset({CellState.DEAD, CellState.STUCK, CellState.NEGATIVE})


@dataclass(frozen=True, slots=True)
class DatedCalibration:
    """A cell calibration with its place in the store."""

    id: int
    from_utc_ns: int
    calibration: CellCalibration


class CalibrationsInForce:
    """Which calibration holds when, for one board.

    Parameters
    ----------
    dated
        The earliest first. None holds before the first.
    """

    def __init__(self, dated: Sequence[DatedCalibration] = ()) -> None:
        self._dated = tuple(dated)
        self._from = [one.from_utc_ns for one in self._dated]

    def at(self, utc_ns: int) -> DatedCalibration | None:
        """Return what holds for something struck at a moment."""
        place = bisect_right(self._from, utc_ns)
        return self._dated[place - 1] if place else None


def calibrations_of(store: Store, boot: int) -> CalibrationsInForce:
    """Read the calibrations of the board that had this boot.

    Raises
    ------
    StoreError
        If one cannot be read.
    """
    board = store.boards.of_boot(boot)
    dated = []
    for row in store.calibrations.of_board(board.id, CELL_CALIBRATION_KIND):
        try:
            calibration = CellCalibration.from_json(row.content)
        except (ValueError, TypeError) as error:
            raise StoreError(
                f"{store.path}: calibration {row.id} of {board.name}: {error}"
            ) from error
        dated.append(DatedCalibration(row.id, row.from_utc_ns, calibration))
    return CalibrationsInForce(dated)


class LawsInForce:
    """Which response law holds when, for one board: what was kept of it, or what it says."""

    def __init__(self, said: ResponseLaw, dated: Sequence[tuple[int, ResponseLaw]] = ()) -> None:
        self._said = said
        self._from = [moment for moment, _ in dated]
        self._laws = [law for _, law in dated]

    def at(self, utc_ns: int) -> ResponseLaw:
        """Return what holds for something struck at a moment."""
        place = bisect_right(self._from, utc_ns)
        return self._laws[place - 1] if place else self._said


def laws_of(store: Store, boot: int, hello: Hello) -> LawsInForce:
    """Read the response laws of the board that had this boot.

    Raises
    ------
    StoreError
        If one cannot be read.
    """
    board = store.boards.of_boot(boot)
    dated = []
    for row in store.calibrations.of_board(board.id, RESPONSE_LAW_KIND):
        try:
            dated.append((row.from_utc_ns, ResponseLaw.from_plain(row.content)))
        except (ValueError, TypeError) as error:
            raise StoreError(
                f"{store.path}: response law {row.id} of {board.name}: {error}"
            ) from error
    return LawsInForce(said_law(hello), dated)


def law_now(store: Store, board: int) -> ResponseLaw:
    """Return the law kept last of a board, or what its latest *hello* says."""
    rows = store.calibrations.of_board(board, RESPONSE_LAW_KIND)
    if rows:
        return ResponseLaw.from_plain(rows[-1].content)
    boot = store.boards.latest_boot(board)
    hello = None if boot is None else store.boards.hello_of(boot)
    return UNKNOWN if hello is None else said_law(hello)


def keep_law(store: Store, board: int, law: ResponseLaw, from_utc_ns: int) -> None:
    """Keep a law of a board, for what is struck from then on."""
    store.calibrations.add(
        board,
        RESPONSE_LAW_KIND,
        law.to_plain(),
        from_utc_ns=from_utc_ns,
        method_version=RESPONSE_LAW_METHOD,
    )


def said_law(hello: Hello) -> ResponseLaw:
    """Return the law of the circuit that a board says it has."""
    if Ability.DIVIDER in hello.abilities:
        return DIVIDER
    return STRAIGHT if Ability.AMPLIFIER in hello.abilities else UNKNOWN


def gain_table(calibration: CellCalibration) -> FloatArray:
    """Gains as an array, shape (rows, cells).

    NaN for a cell that gives nothing to go by. One that answers but was not calibrated (the bar
    did not cross it from end to end) counts as a mean cell.
    """
    return np.array(
        [
            [
                gain if gain is not None else (np.nan if word in _SILENT else 1.0)
                for gain, word in zip(gains, words, strict=True)
            ]
            for gains, words in zip(calibration.gain, calibration.state, strict=True)
        ],
        dtype=np.float64,
    )


def shared_doubt(calibration: CellCalibration) -> float:
    """Relative standard uncertainty of the gains, root mean square over the calibrated cells."""
    parts = [
        (u / gain) ** 2
        for gains, us in zip(calibration.gain, calibration.u_gain, strict=True)
        for gain, u in zip(gains, us, strict=True)
        if gain is not None and u is not None
    ]
    return float(np.sqrt(np.mean(parts))) if parts else 0.0


def fits_board(calibration: CellCalibration, rows: int, cells: int) -> bool:
    """Whether a calibration is of a strip with so many cells; a rebuilt board may have others."""
    return gain_table(calibration).shape == (rows, cells)


def calibrated_counts(
    raw: FloatArray, rest: FloatArray, calibration: CellCalibration, full_scale: float
) -> tuple[FloatArray, float]:
    """Even one strike's raw counts, with the rest level left in.

    Parameters
    ----------
    raw : ndarray, shape (n_scans, rows, cells)
        As the board sent them.
    rest : ndarray, shape (rows, cells)
        Of this strike, from before the trigger.
    calibration : CellCalibration
        Of this board.
    full_scale : float
        Greatest raw value.

    Returns
    -------
    counts : ndarray, shape of `raw`
        A cell that could not be calibrated keeps its value. So does the whole strike if a cell that
        moves was at full scale: what is known of such a cell is a bound in raw counts.
    full_scale : float
        What full scale is now: no calibrated value below it was at full scale.
    """
    gain = gain_table(calibration)
    at_top = raw >= full_scale
    stuck = np.all(at_top, axis=0)
    if np.any(at_top & ~stuck):
        return raw, full_scale
    usable = np.where(np.isfinite(gain), gain, 1.0)
    top = full_scale / min(1.0, float(usable.min()))
    return np.where(stuck, top, rest + (raw - rest) / usable), top
