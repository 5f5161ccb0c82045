"""Sessions that somebody looks at live: each has a feed while there are viewers."""

from __future__ import annotations

import asyncio
import contextlib
import time
from dataclasses import dataclass, replace
from typing import Any

from logger.desk.bays import Bays
from logger.desk.house import House
from logger.errors import LieboardError, UsageError
from logger.page.acts import perform
from logger.page.app import LiveSession, Site
from logger.page.feed import Feed
from logger.page.hub import Hub
from logger.session.corrections.acts import Said
from logger.session.corrections.words import keep_mark
from logger.session.logging.fitting import FittingSession, club_of
from logger.store.store import Store

# A feed looks into the data file again and again: one that nobody sees is ended.
_UNSEEN_S = 30.0
# As well as a mark is placed with a finger on a tablet, mm.
TAPPED_U_MM = 1.5
_MOST_TOE_MM, _MOST_TRAIL_MM = 60.0, 25.0


class DeskActor:
    """Acts on a session: through its run where it is logged here, else on the data file."""

    def __init__(self, house: House, bays: Bays) -> None:
        self._house = house
        self._bays = bays

    async def do(self, session: int, act: dict[str, Any]) -> str:
        """Do one act; return what was done in words."""
        if act.get("act") == "mark":
            return await self._house.act(lambda store, said: _mark(store, session, act, said))
        logged = self._bays.actor(session)
        if logged is not None:
            return await logged.do(session, act)
        clock = self._house.clock
        return await self._house.act(
            lambda store, said: perform(FittingSession(store, session), act, clock.utc_ns)
        )


def _mark(store: Store, session: int, act: dict[str, Any], said: Said) -> str:
    """Keep a mark that was tapped on the drawn sole."""
    places = []
    for name, most in (("toe_mm", _MOST_TOE_MM), ("trail_mm", _MOST_TRAIL_MM)):
        value = act.get(name)
        if not isinstance(value, int | float) or isinstance(value, bool) or abs(value) > most:
            raise UsageError(f"a mark needs {name}, a number of millimetres within {most:g}")
        places.append(round(float(value), 1))
    row = store.sessions.get(session)
    club = club_of(store.sets.get(row.set), str(act.get("club", "")))
    return keep_mark(
        store, session, club, said, toe_mm=places[0], trail_mm=places[1], u_mm=TAPPED_U_MM
    )


@dataclass
class _Shown:
    store: Store
    feed: Feed
    hub: Hub
    answers: LiveSession
    task: asyncio.Task[None]
    seen_s: float


class LiveFeeds:
    """Feeds by session.

    Parameters
    ----------
    site
        Who may look and act; its hub and session are another for each session.
    """

    def __init__(self, house: House, bays: Bays, site: Site) -> None:
        self._house = house
        self._site = replace(site, actor=DeskActor(house, bays))
        self._shown: dict[int, _Shown] = {}
        self._revision = time.time_ns() // 1_000_000

    async def answers(self, session: int) -> LiveSession:
        """Return what answers for a session that is looked at."""
        shown = self._shown.get(session)
        if shown is None or shown.task.done():
            shown = await self._begin(session)
        shown.seen_s = time.monotonic()
        return shown.answers

    async def _begin(self, session: int) -> _Shown:
        house = self._house
        store = await asyncio.to_thread(lambda: Store.open(house.path, read_only=True))
        try:
            await asyncio.to_thread(store.sessions.get, session)
        except LieboardError:
            store.close()
            raise
        # Meanwhile somebody else may have asked for the same.
        other = self._shown.get(session)
        if other is not None and not other.task.done():
            store.close()
            return other
        self._revision += 1_000_000
        hub = Hub(first_revision=self._revision)
        feed = Feed(store, hub, session, house.works(session).work_out, heard=None)
        site = replace(self._site, hub=hub, session=lambda: session, acting=asyncio.Lock())
        task = asyncio.create_task(self._run(session, feed, hub, store))
        shown = _Shown(store, feed, hub, LiveSession(site), task, time.monotonic())
        self._shown[session] = shown
        await feed.first_look()
        return shown

    async def _run(self, session: int, feed: Feed, hub: Hub, store: Store) -> None:
        watching = asyncio.create_task(feed.run())
        try:
            while not watching.done():
                await asyncio.wait((watching,), timeout=5.0)
                shown = self._shown[session]
                if hub.viewers:
                    shown.seen_s = time.monotonic()
                elif time.monotonic() - shown.seen_s > _UNSEEN_S:
                    return
        finally:
            watching.cancel()
            with contextlib.suppress(asyncio.CancelledError, LieboardError, BaseExceptionGroup):
                await watching
            hub.close("the desk stopped showing it")
            store.close()

    def nudge(self, session: int) -> None:
        """Look again now at a session in which something happened; on the event loop."""
        shown = self._shown.get(session)
        if shown is not None:
            shown.feed.nudge()

    def say_closing(self, words: str) -> None:
        """Tell all viewers that the desk is closing."""
        for shown in self._shown.values():
            shown.hub.close(words)

    async def close(self) -> None:
        """End all feeds."""
        tasks = [shown.task for shown in self._shown.values()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        self._shown.clear()
