"""Scans of a board at rest, picked out of the records that it sends."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.protocol.layout import TICK_RANGE
from logger.protocol.records import Hello, Strike

# Scans that surely come before the trigger: the reference firmware keeps three.
_SURELY_BEFORE = 3
# Up to this share of the trigger a scan counts as untouched. What is pressed slowly rises just
# below the trigger for longer than the scans from before it reach back.
_UNTOUCHED = 0.5


def fits_hello(strike: Strike, hello: Hello) -> bool:
    """Whether a strike has the cells that its board said it has, and scans one after the other."""
    steps = np.mod(np.diff(strike.scan_ticks.astype(np.int64)), TICK_RANGE)
    in_order = bool(np.all((steps > 0) & (steps < TICK_RANGE // 2)))
    return strike.counts.shape[1:] == (hello.rows, hello.cells) and in_order


@dataclass(frozen=True, slots=True, eq=False)
class RestingScans:
    """Scans in which nothing touched the strip.

    Attributes
    ----------
    t_us : ndarray
        Shape (n,), increasing, microseconds on the board's clock from the first of them.
    counts : ndarray
        Shape (n, rows, cells), raw.
    """

    t_us: NDArray[np.float64]
    counts: NDArray[np.uint16]


def usual_rest(strikes: Iterable[Strike]) -> NDArray[np.float64] | None:
    """Rest of each cell, shape (rows, cells); None without strikes.

    The median over records of what came first in each: most records press only some of the cells.
    """
    first = [np.median(s.counts[:_SURELY_BEFORE], axis=0) for s in strikes]
    return np.asarray(np.median(np.stack(first), axis=0)) if first else None


def resting_scans(
    untouched: Sequence[Strike],
    pressed: Sequence[Strike],
    hello: Hello,
    trigger_level: int,
) -> RestingScans | None:
    """Pick the scans at rest out of records.

    Parameters
    ----------
    untouched : sequence of Strike
        Records that noise began while nobody touched the board: what came before the noise peak.
    pressed : sequence of Strike
        Records of presses: only the leading scans that lie well under the trigger.
    hello : Hello
        Of the board.
    trigger_level : int
        In force when `pressed` came.

    Returns
    -------
    RestingScans or None
        None if there is none. A stretch of rest must not be cut by how high it was, or noise would
        look smaller than it is; so a record gives all of its leading scans or fewer, never some
        picked from the middle.
    """
    rest = usual_rest([*untouched, *pressed])
    if rest is None:
        return None
    ticks: list[NDArray[np.int64]] = []
    counts: list[NDArray[np.uint16]] = []
    ordered = sorted([(s, True) for s in untouched] + [(s, False) for s in pressed],
                     key=lambda pair: pair[0].sequence)  # fmt: skip
    for strike, is_noise in ordered:
        # A stuck cell is over any level all the time and begins nothing.
        live = rest < hello.full_scale
        above = np.where(live, strike.counts - rest, 0.0).max(axis=(1, 2))
        if is_noise:
            # The highest scan is the one that began the record.
            n = int(np.argmax(above))
        else:
            over = np.flatnonzero(above >= _UNTOUCHED * trigger_level)
            n = int(over[0]) if len(over) else len(above)
        if n:
            ticks.append(strike.scan_ticks[:n].astype(np.int64))
            counts.append(strike.counts[:n])
    if not ticks:
        return None
    steps = np.mod(np.diff(np.concatenate(ticks)), TICK_RANGE)
    # Records of two boots, or one that came twice, would repeat a moment.
    keep = np.concatenate([[True], steps > 0])
    elapsed = np.concatenate([[0], np.cumsum(steps)])[keep]
    t_us = elapsed * (1e6 / hello.tick_hz)
    return RestingScans(t_us, np.concatenate(counts)[keep])


def steady_ticks(strikes: Sequence[Strike]) -> NDArray[np.uint32]:
    """Ticks of consecutive scans, from the record that shows most of them.

    A board may keep only every second or fourth scan of a long press; of such a record the scans
    from before the trigger are taken.
    """
    best = np.zeros(0, dtype=np.uint32)
    for strike in strikes:
        ticks = strike.scan_ticks
        if len(ticks) < _SURELY_BEFORE:
            continue
        steps = np.mod(np.diff(ticks.astype(np.int64)), TICK_RANGE)
        base = float(np.median(steps[: _SURELY_BEFORE - 1]))
        thinned = float(np.median(steps)) > 1.5 * base
        if thinned:
            ticks = ticks[:_SURELY_BEFORE]
        if len(ticks) > len(best):
            best = ticks
    return best
