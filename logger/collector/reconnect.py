"""Decides if and when the next connection is made; runs none itself.

A connection is used once (`logger.links`). `Reconnector` makes one after the other, pausing longer
after each failure, until something ends it for good.
"""

from __future__ import annotations

import asyncio
import logging
import random
import time
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Generic, Protocol, TypeVar

from logger.errors import LieboardError, LinkError, LinkOpenError

_log = logging.getLogger(__name__)


class SingleUse(Protocol):
    """What is made for each attempt; a `logger.links.base.Link` is one."""

    async def open(self) -> None:
        """Open, or raise `LinkOpenError`."""
        ...

    async def close(self) -> None:
        """Close; never raises."""
        ...


L = TypeVar("L", bound=SingleUse)


class ReachState(Enum):
    """Where we stand with the board."""

    CONNECTING = "connecting"
    CONNECTED = "connected"
    OUT_OF_REACH = "out of reach"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Reach:
    """What a listener is told at each change."""

    state: ReachState
    attempts: int = 0
    """Failed ones in a row."""
    next_try_s: float | None = None
    """Seconds until the next attempt; only when out of reach."""
    last_error: LieboardError | None = None


@dataclass(frozen=True, slots=True)
class Pauses:
    """How long to wait before the next attempt.

    The first pause is ``first_s``; each is ``growth`` times the one before, up to ``longest_s``.
    Each is then shortened by a random part of up to ``jitter``, so that two loggers that lost the
    same bridge do not come back in step.
    """

    first_s: float = 0.5
    growth: float = 2.0
    longest_s: float = 15.0
    jitter: float = 0.25
    lived_s: float = 10.0
    """A connection that held this long starts the pauses again (so does `Reconnector.note_use`)."""

    def __post_init__(self) -> None:
        if not (0 < self.first_s <= self.longest_s and self.growth >= 1 and 0 <= self.jitter < 1):
            raise ValueError("pauses must be above 0 and grow, with a jitter from 0 to below 1")

    def after(self, failures: int, rng: random.Random) -> float:
        """Seconds to wait after so many failures in a row, at least one."""
        # The exponent is capped so that a night of failures does not overflow a float.
        grown = self.first_s * self.growth ** min(failures - 1, 64)
        return min(grown, self.longest_s) * (1 - self.jitter * rng.random())


class Reconnector(Generic[L]):
    """Makes connections until cancelled or until an error that trying again cannot mend.

    Parameters
    ----------
    make_link : callable
        Makes a new link, not yet open.
    run_connection : async callable
        Uses an open link until it ends. Returning means that it is done for good. A `LinkError`
        means that the link failed; any other exception ends everything. Out of an exception
        group of our errors the first that is no `LinkError` counts.
    listener : callable, optional
        Told of every change of state. Must not raise.
    pauses : Pauses
    patient : bool
        If False, a link that does not open on the very first attempt ends everything: it
        is more likely a wrong port than a board that is off for a moment.
    once : bool
        If True there is no second connection (a capture does not come back).
    rng, sleep, now_ns
        Chance, pause and monotonic clock; given by tests.
    """

    def __init__(
        self,
        make_link: Callable[[], L],
        run_connection: Callable[[L], Awaitable[None]],
        *,
        listener: Callable[[Reach], None] | None = None,
        pauses: Pauses | None = None,
        patient: bool = False,
        once: bool = False,
        rng: random.Random | None = None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._make_link = make_link
        self._run_connection = run_connection
        self._listener = listener
        self._pauses = pauses or Pauses()
        self._patient = patient
        self._once = once
        self._rng = rng or random.Random()
        self._sleep = sleep
        self._now_ns = now_ns
        self._failures = 0
        self._ever_opened = False
        self._reach = Reach(ReachState.STOPPED)

    @property
    def reach(self) -> Reach:
        """What the listener was told last."""
        return self._reach

    def note_use(self) -> None:
        """Take note that this connection is of use: the pauses start again when it ends."""
        self._failures = 0

    async def run(self) -> None:
        """Connect, and again, until done.

        Raises
        ------
        LieboardError
            What ended it: `ProtocolError`, `StoreError`, `UsageError`, ... from
            ``run_connection`` or ``make_link``; `LinkOpenError` of the first attempt
            unless patient; the last `LinkError` if ``once``.
        """
        last_error: LieboardError | None = None
        try:
            while True:
                try:
                    await self._connect_once()
                    return
                except LinkError as error:
                    last_error = error
                    gives_up = not self._patient and not self._ever_opened
                    if self._once or (gives_up and isinstance(error, LinkOpenError)):
                        raise
                self._failures += 1
                pause_s = self._pauses.after(self._failures, self._rng)
                _log.info("next attempt in %.1f s: %s", pause_s, last_error)
                self._tell(Reach(ReachState.OUT_OF_REACH, self._failures, pause_s, last_error))
                await self._sleep(pause_s)
        except LieboardError as error:
            last_error = error
            raise
        finally:
            self._tell(Reach(ReachState.STOPPED, self._failures, None, last_error))

    async def _connect_once(self) -> None:
        self._tell(Reach(ReachState.CONNECTING, self._failures, None, self._reach.last_error))
        link = self._make_link()
        try:
            await link.open()
            self._ever_opened = True
            self._tell(Reach(ReachState.CONNECTED))
            since_ns = self._now_ns()
            try:
                await self._run_connection(link)
            except (LinkError, BaseExceptionGroup):
                # One that opens and fails at once must not be tried at full speed for ever.
                if self._now_ns() - since_ns >= self._pauses.lived_s * 1e9:
                    self._failures = 0
                raise
        except BaseExceptionGroup as group:
            raise _what_counts(group) from group
        finally:
            await link.close()

    def _tell(self, reach: Reach) -> None:
        self._reach = reach
        if self._listener is not None:
            self._listener(reach)


def _what_counts(group: BaseExceptionGroup[BaseException]) -> BaseException:
    ours, others = group.split(LieboardError)
    if ours is None or others is not None:
        return group
    leaves = list(_leaves(ours))
    return next((leaf for leaf in leaves if not isinstance(leaf, LinkError)), leaves[0])


def _leaves(group: BaseExceptionGroup[BaseException]) -> Iterator[BaseException]:
    for error in group.exceptions:
        if isinstance(error, BaseExceptionGroup):
            yield from _leaves(error)
        else:
            yield error
