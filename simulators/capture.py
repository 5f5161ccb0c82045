"""What the firmware does between cells and records: scan, trigger, keep scans, find the end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators import encode
from simulators.sole import FloatArray
from simulators.strip import Counts, Memory, Scanning, Strip

# Depth of press (1, scans, rows, cells) in mm at sample moments (1, scans, rows, cells) in ns.
Field = Callable[[NDArray[np.int64]], FloatArray]

BLOCK_SCANS = 32
# Once a record is full the firmware only watches for the end of the load, this often.
WATCH_NS = 500_000
# A cell with less than this part of the strike's peak is not loaded any more: a cover that is slow
# to rise must not keep a record open.
PEAK_SHARE = 32


@dataclass(frozen=True, kw_only=True)
class CaptureRules:
    """When a strike begins and ends, and how much of it is kept."""

    # Scans kept from before the trigger.
    pre_scans: int = 8
    # The load is gone after so many scans in a row with every cell near rest.
    quiet_scans: int = 4
    # Scans in a record; beyond, only its length is followed.
    max_scans: int = 64
    # A load that lasts longer is closed as "still loaded", and nothing more is recorded until it
    # has gone.
    close_after_ns: int = 100_000_000
    # After a record, before the next may begin.
    hold_off_ns: int = 2_000_000


@dataclass(frozen=True)
class Captured:
    """One contact as the firmware has it in memory."""

    # (scans,), start of each scan, ns on the board's true time axis.
    scan_ns: NDArray[np.int64]
    # (scans, rows, cells), raw.
    counts: Counts
    # (rows, cells), what the firmware takes for rest.
    rest: FloatArray
    first_loaded: int
    trigger_ns: int
    span_ns: int
    flags: int
    # When the record is complete, and when the next one may begin.
    closed_ns: int
    armed_ns: int

    @property
    def loaded(self) -> FloatArray:
        """Counts above rest from the trigger on, not below zero, (scans, rows, cells)."""
        above = self.counts[self.first_loaded :].astype(np.float64) - self.rest
        return np.asarray(np.maximum(above, 0.0))


class Capture:
    """The scanning part of the firmware, driven by whoever owns the time axis."""

    def __init__(
        self, strip: Strip, scanning: Scanning, rules: CaptureRules, rng: np.random.Generator
    ) -> None:
        grid = strip.grid
        self.strip = strip
        self.rules = rules
        self.period_ns = scanning.period_ns(grid)
        self.offsets_ns = scanning.offsets_ns(grid)
        self._rng = rng
        room = 32 * encode.scans_per_part(grid.rows, grid.cells, 2)
        self.max_scans = min(rules.max_scans, room)

    def run(
        self, armed_ns: int, first_ns: int, last_ns: int, level: int, field: Field
    ) -> Captured | None:
        """Look for a strike among loads between `first_ns` and `last_ns`.

        `armed_ns` is when the firmware began to watch: no scan before it can be in the record.
        Returns None if the trigger level is never reached before `last_ns`.
        """
        lead_ns = (self.rules.pre_scans + 1) * self.period_ns
        start_ns = self._skip_idle(max(armed_ns, first_ns - lead_ns), last_ns, level, field)
        if start_ns is None:
            return None
        rest = self.strip.rest_counts(start_ns)
        memory = self.strip.memory()
        scan = -(-start_ns // self.period_ns)
        floor = rest[0]
        watched = floor < self.strip.sensing.full_scale
        times: list[NDArray[np.int64]] = []
        blocks: list[Counts] = []
        trigger: int | None = None
        end: int | None = None
        seen = 0
        peak = 0.0
        while end is None:
            block_ns = (scan + np.arange(BLOCK_SCANS, dtype=np.int64)) * self.period_ns
            if trigger is None and block_ns[0] > last_ns:
                return None
            counts = self._read(block_ns, rest, memory, field)
            above = np.where(watched, counts - floor, 0.0).max(axis=(1, 2))
            times.append(block_ns)
            blocks.append(counts)
            scan += BLOCK_SCANS
            seen += BLOCK_SCANS
            if trigger is None:
                reached = np.flatnonzero(above >= level)
                if not len(reached):
                    continue
                trigger = seen - BLOCK_SCANS + int(reached[0])
            heights = np.where(watched, np.concatenate(blocks) - floor, 0.0).max(axis=(1, 2))
            end, peak = self._find_end(heights, trigger, level)
            if seen - trigger + self.rules.pre_scans >= self.max_scans + BLOCK_SCANS:
                break
        assert trigger is not None
        return self._close(np.concatenate(times), np.concatenate(blocks), trigger, end, peak, level,
                           rest, memory, field)  # fmt: skip

    def noise(self, at_ns: int, level: int, pre_scans: int) -> Captured:
        """Make a record that nothing but noise began: one cell over the level in one scan."""
        grid = self.strip.grid
        scans = pre_scans + 1 + self.rules.quiet_scans
        first = at_ns // self.period_ns - pre_scans
        scan_ns = (first + np.arange(scans, dtype=np.int64)) * self.period_ns
        rest = self.strip.rest_counts(at_ns)
        counts = self.strip.to_counts(np.zeros((1, scans, grid.rows, grid.cells)), rest, self._rng)
        row, cell = int(self._rng.integers(grid.rows)), int(self._rng.integers(grid.cells))
        spike = np.ceil(rest[0, row, cell] + level + self._rng.exponential(0.4))
        counts[0, pre_scans, row, cell] = min(int(spike), self.strip.sensing.full_scale)
        closed_ns = int(scan_ns[-1]) + self.period_ns
        flags = 0 if pre_scans == self.rules.pre_scans else encode.LATE_START
        return Captured(scan_ns, counts[0], rest[0], pre_scans, int(scan_ns[pre_scans]), 0, flags,
                        closed_ns, closed_ns + self.rules.hold_off_ns)  # fmt: skip

    def _read(
        self, scan_ns: NDArray[np.int64], rest: FloatArray, memory: Memory, field: Field
    ) -> Counts:
        t_ns = scan_ns[None, :, None, None] + self.offsets_ns
        load = self.strip.load_counts(field(t_ns), t_ns / 1e6, memory)
        counts: Counts = self.strip.to_counts(load, rest, self._rng)[0]
        return counts

    def _skip_idle(self, start_ns: int, last_ns: int, level: int, field: Field) -> int | None:
        """Leap over what cannot trigger: a long light load need not be scanned at full rate."""
        step_ns = 4 * WATCH_NS
        if last_ns - start_ns < 8 * step_ns:
            return start_ns
        looks = np.arange(start_ns, last_ns + step_ns, step_ns, dtype=np.int64)
        zero = np.zeros((self.strip.grid.rows, self.strip.grid.cells), dtype=np.int64)
        pressed = field(looks[None, :, None, None] + zero).max(axis=(0, 2, 3))
        # Half of what is needed, so that gain and noise of a cell cannot hide a trigger.
        near = np.flatnonzero(pressed * self.strip.sensing.counts_per_mm >= level / 2)
        if not len(near):
            return None
        return max(start_ns, int(looks[near[0]]) - step_ns)

    def _find_end(self, heights: FloatArray, trigger: int, level: int) -> tuple[int | None, float]:
        """Index of the first scan of the quiet run that ends the load, and the peak up to it."""
        after = heights[trigger:]
        peaks = np.maximum.accumulate(after)
        # A share of the peak, too: what a slow cover keeps is no longer load.
        quiet = after < np.maximum(level / 2, peaks / PEAK_SHARE)
        need = self.rules.quiet_scans
        runs = np.convolve(quiet, np.ones(need, dtype=int), mode="valid") == need
        found = np.flatnonzero(runs)
        if not len(found):
            return None, float(peaks[-1])
        return trigger + int(found[0]), float(peaks[found[0]])

    def _close(
        self, times: NDArray[np.int64], counts: Counts, trigger: int, end: int | None, peak: float,
        level: int, rest: FloatArray, memory: Memory, field: Field,
    ) -> Captured:  # fmt: skip
        first = max(0, trigger - self.rules.pre_scans)
        flags = encode.LATE_START if trigger < self.rules.pre_scans else 0
        trigger_ns = int(times[trigger])
        if end is not None:
            # Up to the last loaded scan.
            span_ns = int(times[max(trigger, end - 1)]) - trigger_ns
            closed_ns = int(times[end + self.rules.quiet_scans - 1]) + self.period_ns
            armed_ns = closed_ns + self.rules.hold_off_ns
            stop = end + self.rules.quiet_scans
        else:
            still, gone_ns = self._watch(
                int(times[-1]), trigger_ns, peak, level, rest, memory, field
            )
            limit_ns = trigger_ns + self.rules.close_after_ns
            flags |= encode.STILL_LOADED if still else 0
            closed_ns = limit_ns if still else gone_ns
            span_ns = closed_ns - trigger_ns
            armed_ns = max(gone_ns, closed_ns) + self.rules.hold_off_ns
            stop = len(times)
        stop = min(stop, first + self.max_scans)
        kept = counts[first:stop]
        self.strip.let_go(memory, armed_ns)
        live = rest[0] < self.strip.sensing.full_scale
        at_top = (kept >= self.strip.sensing.full_scale) & live
        flags |= encode.SATURATED if at_top.any() else 0
        ends = (kept[:, :, [0, -1]] - rest[0][:, [0, -1]]) * live[:, [0, -1]]
        flags |= encode.EDGE if (ends >= max(level, peak / PEAK_SHARE)).any() else 0
        return Captured(times[first:stop], kept, rest[0], trigger - first, trigger_ns, span_ns,
                        flags, closed_ns, armed_ns)  # fmt: skip

    def _watch(
        self, from_ns: int, trigger_ns: int, peak: float, level: int, rest: FloatArray,
        memory: Memory, field: Field,
    ) -> tuple[bool, int]:  # fmt: skip
        """Follow a load beyond a full record: still there at the limit, and when it has gone."""
        limit_ns = trigger_ns + self.rules.close_after_ns
        now_ns = from_ns
        while True:
            # A closed record only waits for the strip to be free: no hurry.
            step_ns = WATCH_NS if now_ns <= limit_ns else 20 * WATCH_NS
            looks = now_ns + step_ns * np.arange(1, BLOCK_SCANS + 1, dtype=np.int64)
            counts = self._read(looks, rest, memory, field)
            watched = rest[0] < self.strip.sensing.full_scale
            heights = np.where(watched, counts - rest[0], 0.0).max(axis=(1, 2))
            peaks = np.maximum.accumulate(np.concatenate([[peak], heights]))[1:]
            quiet = np.flatnonzero(heights < np.maximum(level / 2, peaks / PEAK_SHARE))
            if len(quiet):
                gone_ns = int(looks[quiet[0]])
                return gone_ns > limit_ns, gone_ns
            now_ns, peak = int(looks[-1]), float(peaks[-1])
