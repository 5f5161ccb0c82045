"""The desk's server: the web server in a thread of its own, the logging in another."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from logger.page.guard import Codes
from logger.page.hub import Hub
from logger.page.server import CLOSING, PageSettings, WebServer

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from logger.page.protocol import Connections


class DeskServer(WebServer):
    """Serves the desk of one data file until it is stopped.

    Parameters
    ----------
    settings
        Where and to whom.
    path
        The data file; made if it is not there.
    demo
        Makes of a path the command that fills a data file with the demo; None: there is no demo.
    note
        Stands above every view.
    """

    def __init__(
        self,
        settings: PageSettings,
        path: Path,
        demo: Callable[[Path], list[str]] | None = None,
        note: str = "",
    ) -> None:
        super().__init__(settings)
        # It may be shown in the network later; until then nothing but this computer reaches it.
        self._codes = self._codes or Codes(let_in=True)
        self._path = path
        self._demo = demo
        self._note = note
        self._app: ASGIApp | None = None
        self._connections: Connections | None = None

    def start(self, *, failed: Callable[[BaseException], None] | None = None) -> None:
        """Begin to serve; returns at once."""
        self._tell_failure = failed
        self._begin(self._serve)

    async def share(self) -> None:
        """Show it in the network too.

        Raises
        ------
        UsageError, LieboardError
            There is no network, or the port is taken there.
        """
        assert self._app is not None
        assert self._connections is not None
        await self._share(self._app, self._connections)

    def leave(self) -> None:
        """End the desk, as soon as what is being answered was answered."""
        if self._loop is not None and self._stopping is not None:
            self._loop.call_soon_threadsafe(self._stopping.set)

    async def _serve(self) -> None:
        from logger.desk.app import build_desk
        from logger.desk.bays import Bays
        from logger.desk.demo import Demo
        from logger.desk.house import House
        from logger.desk.jobs import Jobs
        from logger.desk.live import DeskActor, LiveFeeds
        from logger.desk.shell.desk import Desk
        from logger.page.app import WayIn

        self._listen()
        if self._stop_wanted:
            return
        loop = asyncio.get_running_loop()
        house = House(self._path)
        jobs = Jobs()

        def changed(session: int) -> None:
            # Told in the logging's thread; a loop that has ended hears nothing.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(live.nudge, session)

        bays = Bays(self._path, changed)
        hub = Hub(first_revision=time.time_ns() // 1_000_000)
        site = self._site(hub, DeskActor(house, bays), lambda: None)
        live = LiveFeeds(house, bays, site)
        demo = None
        if self._demo is not None:
            demo = Demo(self._path, self._demo, lambda path, note: _started(path, note))

        async def stop_looking() -> None:
            await bays.let_go()
            await live.close()

        desk = Desk(
            house=house, bays=bays, jobs=jobs, way_in=WayIn(site), demo=demo, screen=self,
            stop_looking=stop_looking, note=self._note,
        )  # fmt: skip
        self._connections = site.connections
        self._app = app = build_desk(desk, site, live)
        house.remember(port=self._places.port)
        try:
            await self._answer(app, site.connections, closing=lambda: live.say_closing(CLOSING))
        finally:
            jobs.cancel_all()
            if demo is not None:
                await asyncio.to_thread(demo.close)
            await live.close()
            await bays.close()
            house.close()


def _started(path: Path, note: str) -> DeskServer:
    """Begin another desk, for another data file, at any port that is free."""
    server = DeskServer(PageSettings(port=0), path, note=note)
    server.start()
    server.wait_ready()
    return server
