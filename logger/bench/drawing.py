"""Guides a person through drawing a bar along the strip, pass by pass."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.answers import NoAnswerError
from analysis.board.roller import Direction, RollerPass, crossed_cells
from analysis.board.roller_area import cell_responses
from logger.bench.connection import BoardBench
from logger.bench.findings import strikes_in
from logger.errors import LinkTimeoutError, ProtocolError, UsageError
from logger.protocol.layout import TICK_RANGE
from logger.protocol.records import Flag, Hello, Strike

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
        strike.scan_ticks.astype(np.int64) - int(strike.scan_ticks[0]), TICK_RANGE
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


_WAYS = {
    Direction.TOWARD_POSITIVE: "from the end with cell 0 to the other",
    Direction.TOWARD_NEGATIVE: "back to the end with cell 0",
}
_GREETING_S = 20.0
# Tries for each pass that is wanted, before it is the board and not the hand.
_TRIES = 3


@dataclass(slots=True)
class Drawn:
    """What was drawn."""

    hello: Hello
    passes: list[RollerPass] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    """One sentence for each pass that could not be used."""


def joined(one: Drawn, other: Drawn) -> Drawn:
    """Put passes of two loads together."""
    return Drawn(one.hello, [*one.passes, *other.passes], [*one.refused, *other.refused])


class BarDrawing:
    """Collects passes of a weighted bar, alternately each way.

    Parameters
    ----------
    bench
        Open.
    each_way
        Passes wanted in either direction.
    wait_s
        How long to wait for one.
    say
        Told what to do; returns at once.
    """

    def __init__(
        self, bench: BoardBench, each_way: int, wait_s: float, say: Callable[[str], None]
    ) -> None:
        self._bench = bench
        self._each_way = each_way
        self._wait_s = wait_s
        self._say = say

    async def run(self, order: Sequence[Direction] = ()) -> Drawn:
        """Collect; of a capture, ``order`` says which way each pass went.

        Raises
        ------
        ProtocolError
            If the board sends no scans.
        LinkTimeoutError
            If nobody drew the bar.
        UsageError
            If none of what was drawn could be used.
        """
        await self._bench.require_greeting(_GREETING_S, self._say)
        hello = self._bench.hello
        if hello is None or not self._bench.sends_scans:
            raise ProtocolError(
                f"{self._bench.tap.url}: this board sends places and no scans, so its cells cannot "
                "be calibrated from here; let it send strike scans"
            )
        drawn = Drawn(hello)
        if self._bench.replaying:
            await self._played(drawn, order)
        else:
            await self._live(drawn)
        if not drawn.passes:
            why = drawn.refused[-1] if drawn.refused else "no record lasted as long as a pass does"
            raise UsageError(f"{self._bench.tap.url}: no pass of a bar could be used: {why}")
        return drawn

    async def _played(self, drawn: Drawn, order: Sequence[Direction]) -> None:
        await self._bench.wait(0.0)
        records = [r.raw.record for r in self._bench.records]
        found = [r for r in strikes_in(records, drawn.hello) if is_pass(r, drawn.hello)]
        if order and len(order) != len(found):
            raise UsageError(
                f"{self._bench.tap.url}: it holds {len(found)} passes, --order tells of "
                f"{len(order)}"
            )
        ways = order or [_way(index) for index in range(len(found))]
        for number, (strike, way) in enumerate(zip(found, ways, strict=True), 1):
            self._take(drawn, strike, way, f"pass {number}")

    async def _live(self, drawn: Drawn) -> None:
        wanted = 2 * self._each_way
        tries = 0
        while len(drawn.passes) < wanted and tries < _TRIES * wanted:
            tries += 1
            way = _way(len(drawn.passes))
            number = len(drawn.passes) + 1
            self._say(
                f"Pass {number} of {wanted}: draw the bar {_WAYS[way]}, evenly, in one go, on and "
                "off beyond both ends."
            )
            self._take(drawn, await self._next_pass(drawn.hello), way, f"pass {number}")

    async def _next_pass(self, hello: Hello) -> Strike:
        seen = len(self._bench.records)
        left_s = self._wait_s
        loop_s = 0.5
        while left_s > 0:
            new = await self._bench.next_records(seen, loop_s)
            left_s -= loop_s if not new else 0.0
            seen += len(new)
            for strike in strikes_in([timed.raw.record for timed in new], hello):
                if is_pass(strike, hello):
                    return strike
                span_ms = 1000 * strike.span_ticks / hello.tick_hz
                self._say(f"  a touch of {span_ms:.0f} ms: no pass")
        raise LinkTimeoutError(
            f"{self._bench.tap.url}: no bar was drawn for {self._wait_s:.0f} s. Start again when "
            "it is at hand"
        )

    def _take(self, drawn: Drawn, strike: Strike, way: Direction, name: str) -> None:
        try:
            one = pass_of(strike, drawn.hello, way)
            refuse_unreadable(one, drawn.hello, len(strike.scan_ticks))
        except NoAnswerError as reason:
            drawn.refused.append(f"{name}: {reason}")
            self._say(f"  not usable: {reason}")
            return
        drawn.passes.append(one)
        self._say(f"  good: {len(strike.scan_ticks)} scans")


def _way(index: int) -> Direction:
    return Direction.TOWARD_NEGATIVE if index % 2 else Direction.TOWARD_POSITIVE


def read_order(text: str) -> list[Direction]:
    """Read the ways of passes, such as ``+-+-``.

    Raises
    ------
    UsageError
        If it holds anything else.
    """
    ways = {"+": Direction.TOWARD_POSITIVE, "-": Direction.TOWARD_NEGATIVE}
    if not text or any(mark not in ways for mark in text):
        raise UsageError(f"--order {text!r}: write + for a pass from cell 0 on and - for one back")
    return [ways[mark] for mark in text]
