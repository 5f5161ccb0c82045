"""Records of a bar drawn along the strip -> passes for `analysis.board.cell_calibration`."""

from __future__ import annotations

import numpy as np

from analysis.answers import NoAnswerError
from analysis.board.roller import Direction, RollerPass, crossed_cells
from analysis.board.roller_area import cell_responses
from logger.protocol.records import Flag, Hello, Strike

_TICK_RANGE = 1 << 32
# Nobody draws a bar along 100 mm of strip faster; a tap or a strike is shorter.
SHORTEST_PASS_S = 0.1
# Of the time that the board says the load lasted: a record with less of it in scans was cut off.
_WHOLE = 0.8
# Scans at rest to learn each cell's level from.
_REST_SCANS = 3


def is_pass(strike: Strike, hello: Hello) -> bool:
    """Whether a record lasted long enough to be a bar drawn along the strip."""
    return strike.span_ticks / hello.tick_hz >= SHORTEST_PASS_S


def pass_of(strike: Strike, hello: Hello, direction: Direction) -> RollerPass:
    """Make a pass of one record.

    A record begins when the bar first presses the strip and ends when it leaves it, because that is
    what a trigger does; the strip rested before and after. So rest is put in front and behind, from
    the record's own first scans: as many scans again on either side.

    Raises
    ------
    NoAnswerError
        The record does not hold the whole pass; says why and what to do.
    """
    if Flag.STILL_LOADED in strike.flags:
        raise NoAnswerError(
            f"the bar was on the strip for longer than the board records "
            f"({strike.span_ticks / hello.tick_hz:.1f} s): draw it faster"
        )
    if Flag.LATE_START in strike.flags or len(strike.scan_ticks) <= _REST_SCANS:
        raise NoAnswerError(
            "the board had no scans from before this pass: lift the bar, wait, draw"
        )
    elapsed = np.mod(
        strike.scan_ticks.astype(np.int64) - int(strike.scan_ticks[0]), _TICK_RANGE
    ).astype(np.float64)
    if elapsed[-1] < _WHOLE * strike.span_ticks:
        raise NoAnswerError(
            f"the board kept {len(elapsed)} scans, {1000 * elapsed[-1] / hello.tick_hz:.0f} ms of "
            f"a pass of {1000 * strike.span_ticks / hello.tick_hz:.0f} ms: its records are too "
            "short for a bar (bench.md of the build guide has what to set)"
        )
    step = float(np.median(np.diff(elapsed)))
    number = len(elapsed)
    quiet = strike.counts[:_REST_SCANS].astype(np.float64)
    rest = quiet[np.arange(number) % _REST_SCANS]
    before = elapsed[0] - step * np.arange(number, 0, -1)
    after = elapsed[-1] + step * np.arange(1, number + 1)
    return RollerPass(
        t_us=np.concatenate([before, elapsed, after]) * (1e6 / hello.tick_hz),
        counts=np.concatenate([rest, strike.counts.astype(np.float64), rest]),
        direction=direction,
    )


def refuse_unreadable(one: RollerPass, hello: Hello, scans: int) -> None:
    """Raise if a pass does not show the cells, so that it can be drawn again at once.

    One that shows swapped wires is good: to `cell_responses` it looks like a bar that turned back.

    Raises
    ------
    NoAnswerError
        Says why.
    """
    try:
        if crossed_cells([one], hello.full_scale):
            return
        cell_responses(one, hello.pitch_um / 1000, hello.full_scale)
    except NoAnswerError as reason:
        raise NoAnswerError(f"{reason} ({scans} scans came)") from None
