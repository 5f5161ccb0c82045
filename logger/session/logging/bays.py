"""Logging of one bay or several: a run for each, side by side, on one store."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from logger.collector.recording import BoardIdentity
from logger.errors import LieboardError, LinkError, UsageError
from logger.hostclock import HostClock
from logger.links.open import same_port
from logger.session.logging.fitting import FittingSession
from logger.session.logging.run import LoggingRun, RunEvent, RunSettings
from logger.session.logging.store_thread import StoreThread

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Bay:
    """One place to hit from: a board and the session that its strikes belong to."""

    name: str
    """Empty if there is no other and nobody named it."""
    session: FittingSession
    settings: RunSettings

    @property
    def before(self) -> str:
        """What begins a line that is about this bay."""
        return f"{self.name}: " if self.name else ""

    @property
    def title(self) -> str:
        """Bay, session, player and set in one line."""
        own = self.session.set
        return f"{self.before}session {self.session.row.id} · {own.player.name} · {own.name}"


@dataclass(frozen=True, slots=True)
class BayEnded:
    """A bay logs no more, and the others go on."""

    error: LieboardError | None
    """Why; None if it was asked to, or its recording came to its end."""


BayEvent: TypeAlias = RunEvent | BayEnded


class BaysRun:
    """Logs from one board or several until cancelled or until all bays have ended.

    Each bay has its own link, connection and pauses: one whose board is silent, mad or gone does
    not hold up the others. They share one store and the thread that works on it, in turn.

    Parameters
    ----------
    bays
        All sessions on one store.
    listener
        Told of everything with its bay, on the event loop; must return at once and must not raise.
    clock
        The host's clocks.

    Raises
    ------
    UsageError
        Two bays have one port or one session.
    """

    def __init__(
        self,
        bays: Sequence[Bay],
        listener: Callable[[Bay, BayEvent], None],
        clock: HostClock | None = None,
    ) -> None:
        _check(bays)
        self._tell = listener
        self._thread = StoreThread(bays[0].session.store)
        self._claims = BoardClaims()
        self.runs = {bay.name: self._run_of(bay, clock) for bay in bays}
        self._bays = {bay.name: bay for bay in bays}
        self._tasks: dict[str, asyncio.Task[None]] = {}

    def _run_of(self, bay: Bay, clock: HostClock | None) -> LoggingRun:
        def hear(event: RunEvent) -> None:
            self._tell(bay, event)

        def may_use(identity: BoardIdentity) -> None:
            self._claims.take(bay.name, identity)

        return LoggingRun(
            bay.session, bay.settings, hear, clock, thread=self._thread, may_use=may_use
        )

    async def run(self) -> None:
        """Log until cancelled, or until the last bay has ended.

        Raises
        ------
        StoreError
            The data file, which all share, could not be written; nothing unwritten was confirmed.
        LieboardError
            What ended the first of the bays, if all have ended.
        """
        errors: list[LieboardError] = []
        try:
            for name, run in self.runs.items():
                task = asyncio.create_task(self._run_one(name, run, errors))
                self._tasks[name] = task
            await self._until_all_ended()
        finally:
            for task in self._tasks.values():
                task.cancel()
            await asyncio.gather(*self._tasks.values(), return_exceptions=True)
            await asyncio.to_thread(self._thread.close)
        if errors:
            raise errors[0]

    def end_bay(self, name: str) -> None:
        """Stop logging at one bay."""
        task = self._tasks.get(name)
        if task is not None:
            task.cancel()

    async def _until_all_ended(self) -> None:
        going = set(self._tasks.values())
        while going:
            ended, going = await asyncio.wait(going, return_when=asyncio.FIRST_COMPLETED)
            for task in ended:
                # What is no trouble of one bay, such as a full disk, ends all of them.
                if not task.cancelled():
                    task.result()

    async def _run_one(self, name: str, run: LoggingRun, errors: list[LieboardError]) -> None:
        bay = self._bays[name]
        try:
            await run.run()
        except Exception as error:
            # A data file that refuses is every bay's trouble; anything else is this one's.
            if self._thread.refusal is not None or len(self._bays) == 1:
                raise
            ours = error
            if not isinstance(ours, LieboardError):
                _log.debug("bay %s", name, exc_info=error)
                ours = LieboardError(
                    f"a fault of this program ({type(error).__name__}: {error}): what was stored "
                    "before is safe; report it"
                )
            errors.append(ours)
            self._tell(bay, BayEnded(ours))
        except asyncio.CancelledError:
            self._tell(bay, BayEnded(None))
            raise
        else:
            self._tell(bay, BayEnded(None))
        finally:
            self._claims.release(name)


def _check(bays: Sequence[Bay]) -> None:
    for place, bay in enumerate(bays):
        for other in bays[:place]:
            if bay.name == other.name:
                raise UsageError(f"two bays are called {bay.name}: give each a name of its own")
            if same_port(bay.settings.url, other.settings.url):
                raise UsageError(
                    f"{other.name} and {bay.name} have the same port {bay.settings.url}: "
                    "leave one of them out"
                )
            if bay.session.row.id == other.session.row.id:
                own = bay.session.set
                raise UsageError(
                    f"{other.name} and {bay.name} both log {own.player.name} ({own.name}): "
                    "each bay needs a player, or a set, of its own"
                )


class BoardClaims:
    """A board that spoke at a bay is that bay's until the bay ends.

    Ports swap their names when cables are pulled and put back: a board that turns up at another
    bay would have its strikes filed under another player.
    """

    def __init__(self) -> None:
        self._bay_of: dict[str, str] = {}

    def take(self, bay: str, identity: BoardIdentity) -> None:
        """Note that a board speaks at a bay.

        Raises
        ------
        UsageError
            Another bay has it, and this one never had a board: the same board is on two ports.
        LinkError
            Another bay has it, and this one had a board of its own before: cables were swapped.
            Trying again later makes sense.
        """
        key, name = identity.board_key, identity.name
        owner = self._bay_of.get(key)
        if owner is not None and owner != bay:
            if bay in self._bay_of.values():
                raise LinkError(
                    f"{bay}: board {name} of {owner} speaks here now; nothing of it was stored. "
                    "Swap the cables back"
                )
            advice = "leave one of them out"
            if identity.hello is None:
                advice += ", or give each board a name of its own (b= in its lines)"
            raise UsageError(f"{bay} and {owner} are the same board, {name}: {advice}")
        self.release(bay)
        self._bay_of[key] = bay

    def release(self, bay: str) -> None:
        """Let another bay have what this one had."""
        self._bay_of = {key: owner for key, owner in self._bay_of.items() if owner != bay}
