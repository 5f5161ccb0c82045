"""Rests of a head on the board at angles that a person reads off an inclinometer."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from logger.bench.connection import BoardBench
from logger.collector.recording import TimedRecord
from logger.errors import LinkTimeoutError
from logger.protocol.records import Reading, Strike
from logger.session.logging.cell_calibration import CalibrationsInForce
from logger.session.logging.contacts_of import ContactReader

# Readings of one rest may come in a stream: it is over when none has come for so long.
_QUIET_S = 0.4


@dataclass(frozen=True, slots=True)
class Rested:
    """One rest of the head."""

    angle_deg: float
    board_mm: float


class Rocking:
    """Pairs what a person types with where the board was then pressed.

    Parameters
    ----------
    bench
        Open, and greeted.
    ask
        Gives the next angle; None ends the series.
    wait_s
        How long to wait for the head to be set down.
    say
        Told what happens; returns at once.
    calibrations
        Of this board.
    """

    def __init__(
        self,
        bench: BoardBench,
        ask: Callable[[], Awaitable[float | None]],
        wait_s: float,
        say: Callable[[str], None],
        calibrations: CalibrationsInForce,
    ) -> None:
        self._calibrations = calibrations
        self._bench = bench
        self._ask = ask
        self._wait_s = wait_s
        self._say = say
        self.rests: list[Rested] = []
        """What was collected so far."""

    async def run(self) -> list[Rested]:
        """Collect until the person has enough.

        Raises
        ------
        LinkTimeoutError
            If the head was not set down.
        """
        rests = self.rests
        while True:
            angle = await self._unless_the_link_ends(self._ask())
            if angle is None:
                return rests
            self._say("  now set the head down and lift it")
            place = await self._next_place()
            rests.append(Rested(angle, place))
            self._say(f"  {len(rests)}: {angle:g}° touches at {place:+.1f} mm on the board")

    async def _unless_the_link_ends(self, asking: Awaitable[float | None]) -> float | None:
        """Wait for a person, but not for one who waits for a board that is gone."""
        task = asyncio.ensure_future(asking)
        try:
            await self._bench.wait(float("inf"), task.done)
            return await task
        finally:
            task.cancel()

    async def _next_place(self) -> float:
        seen = len(self._bench.records)
        if not await self._bench.next_records(seen, self._wait_s):
            raise LinkTimeoutError(
                f"{self._bench.tap.url}: nothing touched the strip for {self._wait_s:.0f} s; press "
                "harder, or check the board with 'lieboard board check'"
            )
        count = 0
        while count < len(self._bench.records) - seen:
            count = len(self._bench.records) - seen
            await self._bench.wait(_QUIET_S)
        places = places_of(self._bench, self._bench.records[seen:], self._calibrations)
        if not places:
            self._say("  that could not be read: set it down again")
            return await self._next_place()
        # The first touch: what follows is the head being lifted or slipping.
        return places[0]


def places_of(
    bench: BoardBench, records: list[TimedRecord], calibrations: CalibrationsInForce
) -> list[float]:
    """Where the strip was pressed, mm in the board frame, in the order of time."""
    reader = ContactReader(bench.hello, calibrations)
    contacts = []
    for timed in records:
        record = timed.raw.record
        if isinstance(record, Strike | Reading):
            contacts += reader.read(timed.sequence, record, timed.struck_utc_ns)
    contacts += reader.flush()
    return [c.board_mm for c in contacts if math.isfinite(c.board_mm)]
