"""Guides a person through drawing a bar along the strip, pass by pass."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from analysis.answers import NoAnswerError
from analysis.board.roller import Direction, RollerPass
from logger.bench.connection import BoardBench
from logger.bench.findings import strikes_in
from logger.bench.passes import is_pass, pass_of, refuse_unreadable
from logger.errors import LinkTimeoutError, ProtocolError, UsageError
from logger.protocol.records import Hello, Strike

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
                "be evened from here; let it send strike scans"
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
