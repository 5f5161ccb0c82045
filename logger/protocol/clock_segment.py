"""One stretch of time in which the board's clock and the host's both ran through."""

from __future__ import annotations

from bisect import bisect_right
from enum import Enum

from logger.protocol.envelope import PHI, Block, ClockLine, fit
from logger.protocol.layout import TICK_RANGE

NS_PER_S = 1_000_000_000

# Two clocks this far apart, beyond what jitter and drift explain, are not the clocks of before. A
# host sleeps, and a board needs to restart, for longer.
BREAK_NS = 500_000_000

# Records carry the ticks of their start and come after later ones by as long as a contact lasts.
_BACK_NS = 2 * NS_PER_S

# No live link holds a message back this long (the longest supervision timeout of BLE is 32 s).
_LATE_NS = 60 * NS_PER_S

# Blocks in one fit, before the next longer ones are merged or the window moves on.
BLOCKS = 16

# Bounds the memory: 42 hours, with a window of ten minutes.
_MAX_BLOCKS = 4096

# Size of delays before any was seen, and how late the quickest message may be as long as no
# exchange bounds it: a slow connection interval of BLE, or a long frame at 115 200 baud.
_ASSUMED_NS = 30_000_000


class SegmentStart(Enum):
    """Why a segment began."""

    FIRST = "first"
    ASKED = "asked"
    TICKS_WENT_BACK = "ticks went back"
    TOO_EARLY = "too early"
    """The host slept, or the board restarted."""
    TOO_LATE = "too late"
    EXCHANGE_DISAGREES = "exchange disagrees"
    SILENCE_TOO_LONG = "silence too long"


class Segment:
    """One stretch of time in which both clocks ran through."""

    def __init__(
        self,
        number: int,
        started: SegmentStart,
        ticks: int,
        arrival_ns: int,
        nominal: float,
        tolerance: float,
        longest_block: int,
    ) -> None:
        self.number = number
        self.started = started
        self.start_ns = arrival_ns
        self.points = 0
        self.last_ticks = ticks
        self._last_ns = arrival_ns
        self._nominal = nominal
        self._tolerance = tolerance
        self._longest_block = longest_block
        self._block_ticks = min(max(round(NS_PER_S / 2 / nominal), 1), longest_block)
        self._blocks: list[Block] = []
        self._lines: dict[tuple[int, int], ClockLine] = {}
        self._guide_at = 0
        self._gap_ns: float | None = None
        self.add(ticks, arrival_ns)

    def unwrap(self, ticks: int, near_ns: int) -> int:
        """Ticks with the wraps that are missing in them, nearest to a host time."""
        expected = self._guide.ticks_at(near_ns)
        return ticks + (expected - ticks + TICK_RANGE // 2) // TICK_RANGE * TICK_RANGE

    def doubt(self, ticks: int, arrival_ns: int) -> SegmentStart | None:
        """Say why a message cannot belong to this segment; None if it can."""
        guide = self._guide
        silence = max(arrival_ns - self._last_ns, 0) / guide.slope
        unsure = silence * (guide.slope_sd / guide.slope + PHI)
        if 4 * unsure > TICK_RANGE / 2:
            return SegmentStart.SILENCE_TOO_LONG
        at = self.unwrap(ticks, arrival_ns)
        late_ns = arrival_ns - guide.at(at)
        allowed = BREAK_NS + 4 * guide.uncertainty_ns(at)
        if late_ns < -allowed:
            return SegmentStart.TOO_EARLY
        if (self.last_ticks - at) * guide.slope > _BACK_NS:
            return SegmentStart.TICKS_WENT_BACK
        if late_ns > _LATE_NS + allowed:
            return SegmentStart.TOO_LATE
        return None

    def contradicts(self, sent_ns: int, received_ticks: int, arrival_ns: int) -> bool:
        """Tell whether the board would have had a question long before it was sent."""
        at = self.unwrap(received_ticks, arrival_ns)
        line = self.line_at(at)
        return line.at(at) + 4 * line.uncertainty_ns(at) + BREAK_NS < sent_ns

    def add(self, ticks: int, arrival_ns: int, question: tuple[int, int] | None = None) -> None:
        """Take in unwrapped ticks, and those of a question with the time it was sent."""
        if not self._blocks or (
            ticks // self._block_ticks > self._blocks[-1].arrivals[-1][0] // self._block_ticks
        ):
            self._blocks.append(Block())
            self._make_room()
            self._guide_at = 0
        block = self._blocks[-1]
        block.add_arrival(ticks, arrival_ns)
        if question is not None:
            block.add_question(*question)
        self.points += 1
        if ticks > self.last_ticks or self.points == 1:
            self.last_ticks, self._last_ns = ticks, arrival_ns
        # The guide tells wraps and breaks apart and need not be fresh; the lines must be.
        self._lines.pop(self._window(len(self._blocks) - 1), None)
        if self.points >= self._guide_at:
            self._guide = self.line_at(ticks)
            self._guide_at = self.points + self.points // 4 + 1
        if question is not None:
            self._gap_ns = self.line_at(ticks).gap_ns

    def read(self, ticks: int) -> tuple[int, float, float]:
        """Host time of unwrapped ticks and its uncertainty, ns, and the line's ns per tick."""
        line = self.line_at(ticks)
        gap = self.least_gap_ns(line)
        if gap is None:
            return line.at(ticks), line.uncertainty_ns(ticks) + _ASSUMED_NS, line.slope
        half = gap / 2
        return line.at(ticks) - round(half), line.uncertainty_ns(ticks) + half, line.slope

    def least_gap_ns(self, line: ClockLine) -> float | None:
        """How late the quickest message can at most be: seen near this line, or last seen."""
        gap = self._gap_ns if line.gap_ns is None else line.gap_ns
        return None if gap is None else max(gap, 0.0)

    def line_at(self, ticks: int) -> ClockLine:
        """Return the line fitted to the blocks around unwrapped ticks."""
        after = bisect_right(self._blocks, ticks, key=lambda block: block.arrivals[0][0])
        window = self._window(after - 1)
        line = self._lines.get(window)
        if line is None:
            if len(self._lines) >= 64:
                self._lines.clear()
            line = fit(self._blocks[slice(*window)], self._nominal, self._tolerance, _ASSUMED_NS)
            self._lines[window] = line
        return line

    def _window(self, block: int) -> tuple[int, int]:
        first = max(min(block - BLOCKS // 2, len(self._blocks) - BLOCKS), 0)
        return first, min(first + BLOCKS, len(self._blocks))

    def _make_room(self) -> None:
        if len(self._blocks) > BLOCKS and self._block_ticks < self._longest_block:
            self._block_ticks = min(2 * self._block_ticks, self._longest_block)
            merged: list[Block] = []
            for block in self._blocks[:-1]:
                if merged and (
                    block.arrivals[0][0] // self._block_ticks
                    == merged[-1].arrivals[0][0] // self._block_ticks
                ):
                    merged[-1].merge(block)
                else:
                    merged.append(block)
            self._blocks[:-1] = merged
            self._lines.clear()
        if len(self._blocks) > _MAX_BLOCKS:
            del self._blocks[0]
            self._lines.clear()
