"""The guided check of a board: hands off, trigger down, presses along the strip."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.board.check import resting_noise_counts
from logger.bench.connection import BoardBench
from logger.bench.findings import PartsSeen, strikes_in
from logger.bench.presses import presses_of, silent_between, words_for_cells
from logger.bench.rest import resting_scans
from logger.protocol.records import Ability, Reading, Strike

# So many noise records a second still go over 115 200 baud: a strike of 900 bytes takes 80 ms.
_FLOOD_PER_S = 10.0
_STEP_S = 1.5
# Scans at rest after which more would not change the answer.
ENOUGH_SCANS = 400
_PROGRESS_S = 5.0
_PRESSES_EACH = 2
_LAST_WORDS_S = 1.2
_SENT_AGAIN_S = 4.0
# One slip of a hand must not cost the check: so often it is tried to have the board left alone.
_HANDS_OFF_TRIES = 3


@dataclass(frozen=True, slots=True)
class CheckPlan:
    """How long each part of a check may take."""

    untouched_s: float = 10.0
    rest_s: float = 30.0
    press_s: float = 60.0
    greeting_s: float = 20.0
    lower_trigger: bool = True


class BoardCheck:
    """Runs the parts of a check on a bench connection.

    Parameters
    ----------
    bench
        Open.
    plan
        How long.
    say
        Told what the person has to do; returns at once.
    """

    def __init__(self, bench: BoardBench, plan: CheckPlan, say: Callable[[str], None]) -> None:
        self._bench = bench
        self._plan = plan
        self._say = say
        self._seen = 0

    async def run(self) -> PartsSeen:
        """Collect; the board's trigger is put back, whatever happens."""
        bench, plan = self._bench, self._plan
        await bench.require_greeting(plan.greeting_s, self._say)
        watched = PartsSeen(trigger_level=bench.trigger_level, press_level=bench.trigger_level)
        if bench.replaying:
            # Nobody can be asked: all that was pressed then counts as pressed.
            await bench.wait(0.0)
            watched.pressed = self._new_records()
            return watched
        if bench.recorder.kept_before:
            self._say(
                f"The board still held {bench.recorder.kept_before} records from before: stored."
            )
        if plan.untouched_s > 0:
            await self._hands_off(watched)
        if plan.lower_trigger and plan.rest_s > 0 and self._can_be_lowered():
            await self._lowered(watched)
        if plan.press_s > 0:
            await self._pressed_clear_of_noise(watched)
        # What was pressed last is still on its way, and so is a status that counts it.
        before = len(bench.tap.statuses)
        if bench.hello is not None:
            await bench.wait(_LAST_WORDS_S, lambda: len(bench.tap.statuses) > before)
            # A record that the line damaged is asked for again: it is not lost before that failed.
            await bench.wait(_SENT_AGAIN_S, self._all_there)
        return watched

    async def _hands_off(self, watched: PartsSeen) -> None:
        """See what comes with nobody at the board; if something does, once more."""
        seconds = self._plan.untouched_s
        watched.untouched_s = seconds
        self._say(f"Hands off the board for {seconds:.0f} s.")
        for left in reversed(range(_HANDS_OFF_TRIES)):
            await self._bench.wait(seconds)
            fresh = self._new_records()
            watched.untouched = fresh
            if not fresh or not left:
                return
            watched.disturbed.append(len(fresh))
            self._say(
                f"{_count(len(fresh), 'record')} came: did something touch it? Once more, hands "
                f"off for {seconds:.0f} s."
            )

    def _all_there(self) -> bool:
        """Whether every record that the board has told of is here."""
        statuses, recorder = self._bench.tap.statuses, self._bench.recorder
        if not statuses:
            return True
        known = range(recorder.first_expected, statuses[-1].next_sequence)
        return recorder.sequences.issuperset(known)

    def _strikes(self, records: Sequence[Strike | Reading]) -> list[Strike]:
        hello = self._bench.hello
        return [] if hello is None else strikes_in(records, hello)

    def _new_records(self) -> list[Strike | Reading]:
        new = self._bench.records[self._seen :]
        self._seen = len(self._bench.records)
        return [r.raw.record for r in new if isinstance(r.raw.record, Strike | Reading)]

    def _can_be_lowered(self) -> bool:
        hello = self._bench.hello
        return (
            self._bench.sends_scans
            and hello is not None
            and Ability.SETTABLE_TRIGGER in hello.abilities
        )

    async def _lowered(self, watched: PartsSeen) -> None:
        """Lower the trigger until noise alone begins a few records a second."""
        scans = sum(len(s.scan_ticks) for s in self._strikes(watched.untouched))
        if scans >= ENOUGH_SCANS:
            # The trigger that it came with was low enough.
            return
        self._say(
            f"Still hands off, for {self._plan.rest_s:.0f} s at most: the trigger goes down to see "
            "the noise, and back afterwards."
        )
        try:
            await self._go_down(watched)
        finally:
            if not self._bench.over:
                await self._bench.set_trigger(watched.trigger_level)
            # Noise that was recorded under the low trigger is no press.
            self._new_records()

    async def _go_down(self, watched: PartsSeen) -> None:
        bench = self._bench
        noise = max((s.noise_counts or 0.0 for s in bench.tap.statuses), default=0.0)
        # Five standard deviations hardly begin a record; the search goes down from there.
        level = max(1, math.ceil(5.0 * noise) if noise else watched.trigger_level // 2)
        level = min(level, watched.trigger_level)
        flooded = 0
        left_s = self._plan.rest_s
        while left_s > 0:
            in_force = await bench.set_trigger(level)
            if in_force is not None and in_force > level:
                # It keeps its trigger clear of its own noise: no record will come untouched.
                watched.floor = in_force
                return
            step_s = min(_STEP_S, left_s)
            self._new_records()
            await bench.wait(step_s)
            left_s -= step_s
            new = self._strikes(self._new_records())
            watched.lowered += new
            enough = sum(len(s.scan_ticks) for s in watched.lowered) >= ENOUGH_SCANS
            if enough and left_s < self._plan.rest_s / 2:
                return
            if len(new) > _FLOOD_PER_S * step_s:
                flooded = level
                level += 1
            elif not new and level > flooded + 1:
                level -= 1

    async def _pressed_clear_of_noise(self, watched: PartsSeen) -> None:
        """Let press; with a trigger that lies in the noise, presses would drown in noise."""
        needed = self._level_over_noise(watched)
        if needed is None:
            await self._pressed(watched)
            return
        self._say(
            f"Noise alone begins records at {watched.trigger_level} counts: for the presses the "
            f"trigger goes up to {needed}, and back afterwards."
        )
        try:
            watched.press_level = await self._bench.set_trigger(needed) or needed
            self._new_records()
            await self._pressed(watched)
        finally:
            if not self._bench.over:
                await self._bench.set_trigger(watched.trigger_level)

    def _level_over_noise(self, watched: PartsSeen) -> int | None:
        """Trigger to press with, if noise has been beginning records by itself."""
        hello = self._bench.hello
        untouched = self._strikes(watched.untouched)
        if hello is None or len(untouched) < watched.untouched_s or not self._can_be_lowered():
            return None
        rest = resting_scans(untouched, [], hello, watched.trigger_level)
        if rest is None or len(rest.counts) < 2:
            return None
        noise = float(np.max(resting_noise_counts(rest.counts)))
        # Something that presses or shakes the strip is no noise.
        return math.ceil(6.0 * noise) if 6.0 * noise > watched.trigger_level else None

    async def _pressed(self, watched: PartsSeen) -> None:
        bench = self._bench
        how = (
            "from the end with cell 0 to the other, cell by cell, with a fingertip or a rolled "
            "bar; then all over with the sole of a club, ends too."
            if bench.sends_scans
            else "from one end to the other."
        )
        self._say(f"Now press along the strip for {self._plan.press_s:.0f} s at most: {how}")
        left_s = self._plan.press_s
        last = ""
        while left_s > 0:
            step_s = min(_PROGRESS_S, left_s)
            done = await bench.wait(step_s, lambda: self._covered(watched))
            left_s -= step_s
            watched.pressed += self._new_records()
            if done or self._covered(watched):
                return
            now = self._progress(watched)
            if now != last:
                self._say(now)
                last = now

    def _covered(self, watched: PartsSeen) -> bool:
        """Whether each cell was pressed often enough, or is surely silent."""
        hello = self._bench.hello
        if hello is None or not self._bench.sends_scans:
            return False
        strikes = self._strikes(watched.pressed)
        unseen = [r.raw.record for r in self._bench.records[self._seen :]]
        strikes += strikes_in(unseen, hello)
        if len(strikes) < 2 * _PRESSES_EACH:
            return False
        presses = presses_of(strikes, hello, watched.press_level)
        if not len(presses.height):
            return False
        often = (presses.answered.sum(axis=0) >= _PRESSES_EACH) | presses.stuck
        for row, cell in silent_between(presses):
            often[row, cell] = True
        return bool(often.all())

    def _progress(self, watched: PartsSeen) -> str:
        hello = self._bench.hello
        if hello is None or not self._bench.sends_scans:
            return f"{len(watched.pressed)} contacts"
        presses = presses_of(self._strikes(watched.pressed), hello, watched.press_level)
        if not len(presses.height):
            return "nothing yet"
        alive = presses.alive | presses.stuck
        missing = [(int(r), int(c)) for r, c in zip(*(~alive).nonzero(), strict=True)]
        count = f"{len(presses.height)} presses"
        return f"{count}; not yet: {words_for_cells(missing, hello.rows)}" if missing else count


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + "s" * (number != 1)
