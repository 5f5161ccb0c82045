"""The desk's server: the web server in a thread of its own, the logging in another."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from pathlib import Path

from logger.page.hub import Hub
from logger.page.server import CLOSING, PageSettings, WebServer


class DeskServer(WebServer):
    """Serves the desk of one data file until it is stopped.

    Parameters
    ----------
    settings
        Where and to whom.
    path
        The data file; made if it is not there.
    demo
        Makes of a path the command that fills a data file with the demo.
    """

    def __init__(
        self,
        settings: PageSettings,
        path: Path,
        demo: Callable[[Path], list[str]] | None = None,
    ) -> None:
        super().__init__(settings)
        self._path = path
        self._demo = demo

    def start(self, *, failed: Callable[[BaseException], None] | None = None) -> None:
        """Begin to serve; returns at once."""
        self._tell_failure = failed
        self._begin(self._serve)

    async def _serve(self) -> None:
        from logger.desk.app import build_desk
        from logger.desk.bays import Bays
        from logger.desk.house import House
        from logger.desk.jobs import Jobs
        from logger.desk.live import DeskActor, Live

        self._listen()
        if self._stop_wanted:
            return
        loop = asyncio.get_running_loop()
        house = House(self._path)
        jobs = Jobs()
        live: Live

        def changed(session: int) -> None:
            # Told in the logging's thread; a loop that has ended hears nothing.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(live.nudge, session)

        bays = Bays(self._path, changed)
        hub = Hub(first_revision=time.time_ns() // 1_000_000)
        site = self._site(hub, DeskActor(house, bays), lambda: None)
        live = Live(house, bays, site)
        house.remember(port=self._places.port)
        app = build_desk(site, house, bays, jobs, live, lambda: self.lines, self._demo)
        try:
            await self._answer(app, site.connections, closing=lambda: live.say_closing(CLOSING))
        finally:
            jobs.cancel_all()
            await live.close()
            await bays.close()
            house.close()
