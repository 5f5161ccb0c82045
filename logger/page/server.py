"""The page's server: a thread with an event loop of its own, so that it cannot hold up logging."""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Coroutine
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from logger.page.guard import Codes, host_names, spelled
from logger.page.sockets import (
    LOOPBACK,
    USUAL_PORT,
    BoundSockets,
    bind_also,
    bind_places,
    network_address,
    own_names,
)

if TYPE_CHECKING:
    from starlette.types import ASGIApp
    from uvicorn import Server

    from logger.page.acts import Actor
    from logger.page.app import Site
    from logger.page.feed import Feed
    from logger.page.hub import Hub
    from logger.page.numbers import NumberWorks
    from logger.page.protocol import Connections
    from logger.session.logging.run import RunEvent

# A viewer that reads has its last word within this; another is cut off.
_FAREWELL_S = 0.3
CLOSING = "the server was closed"
_MOST_HEARD = 1024


@dataclass(frozen=True, slots=True)
class PageSettings:
    """Where and to whom the page is shown."""

    port: int = USUAL_PORT
    share_on: str | None = None
    """Address of ours in the network; None = this computer only."""
    let_in: bool = False
    """One viewer in the network may act."""
    beat_s: float = 5.0
    """Between proofs of life on a quiet line."""
    stall_s: float = 10.0
    """A viewer that has not read for so long is let go."""
    most_viewers: int = 64


class WebServer:
    """Serves an application in a thread of its own; its ports are taken when it is made.

    Parameters
    ----------
    settings
        Where and to whom.

    Raises
    ------
    UsageError, LieboardError
        No port can be taken.
    """

    def __init__(self, settings: PageSettings) -> None:
        self._settings = settings
        self._places: BoundSockets = bind_places(settings.port, share_on=settings.share_on)
        self._codes = None
        if settings.share_on is not None:
            self._codes = Codes(let_in=settings.let_in)
        self._host_names = self._hosts()
        self._also: list[tuple[Server, asyncio.Task[None]]] = []
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping: asyncio.Event | None = None
        self._ready = threading.Event()
        self._stop_wanted = False
        self._tell_failure: Callable[[BaseException], None] | None = None
        self.failure: BaseException | None = None
        """What ended it, if it was not stopped."""

    # -- what the fitter is told ------------------------------------------------------------

    @property
    def address(self) -> str:
        """Address of the page on this computer."""
        return f"http://{LOOPBACK}:{self._places.port}/"

    @property
    def lines(self) -> list[str]:
        """Where the page is and how others get in, each one line."""
        port, wanted = self._places.port, self._settings.port
        taken = f" (port {wanted} is taken)" if wanted not in (0, port) else ""
        found = [f"page: {self.address}{taken}"]
        codes, shared = self._codes, self.shared
        if codes is not None and shared is not None:
            found.append(
                f"for others, to look on: {shared}?code={codes.look} "
                f"(or {shared} and the code {spelled(codes.look)})"
            )
            if codes.act is not None:
                found.append(f"for one other who may act: {shared} and the code "
                             f"{spelled(codes.act)}")  # fmt: skip
        return found

    # -- running ----------------------------------------------------------------------------

    def _begin(self, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Do all of it in a thread; returns at once."""
        self._thread = threading.Thread(
            target=self._run, args=(work,), name="lieboard page", daemon=True
        )
        self._thread.start()

    def _run(self, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        try:
            asyncio.run(work())
        except BaseException as error:  # noqa: BLE001 - kept for whoever started it
            self.failure = error
            if self._tell_failure is not None:
                self._tell_failure(error)
        finally:
            self._places.close()
            self._ready.set()

    def wait_ready(self) -> None:
        """Wait until it answers, or failed to; until then, connections wait too."""
        self._ready.wait()

    def wait(self, timeout_s: float) -> bool:
        """Wait until it has ended; return whether it has."""
        assert self._thread is not None
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def stop(self) -> None:
        """Tell viewers, and end; may be called more than once, and before it was begun."""
        self._stop_wanted = True
        loop, stopping = self._loop, self._stopping
        if loop is not None and stopping is not None:
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(stopping.set)
        if self._thread is not None:
            self._thread.join()
        self._places.close()

    @property
    def shared(self) -> str | None:
        """Address of the page in the network; None: it is shown on this computer only."""
        at = self._places.shared_address
        return None if at is None else f"http://{at}:{self._places.port}/"

    @property
    def codes(self) -> Codes | None:
        """What lets others in."""
        return self._codes

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.stop()

    # -- in the thread ----------------------------------------------------------------------

    def _site(self, hub: Hub, actor: Actor | None, session: Callable[[], int | None]) -> Site:
        from logger.page.app import Site
        from logger.page.protocol import Connections

        return Site(
            hub=hub,
            actor=actor,
            session=session,
            connections=Connections(),
            port=self._places.port,
            local_address=LOOPBACK,
            codes=self._codes,
            hosts=self._host_names,
            beat_s=self._settings.beat_s,
            stall_s=self._settings.stall_s,
            most_viewers=self._settings.most_viewers,
        )

    def _listen(self) -> None:
        """From here on `stop` is heard; on the event loop."""
        self._loop = asyncio.get_running_loop()
        self._stopping = asyncio.Event()

    async def _answer(
        self,
        app: ASGIApp,
        connections: Connections,
        *beside: Coroutine[Any, Any, None],
        closing: Callable[[], None],
    ) -> None:
        """Answer until stopped, or until one of the works beside it ends."""
        assert self._stopping is not None
        server = web_server(app, connections)
        serving = asyncio.create_task(server.serve(sockets=list(self._places.sockets)))
        works = [asyncio.create_task(one) for one in beside]
        stopped = asyncio.create_task(self._stopping.wait())
        self._ready.set()
        try:
            await asyncio.wait((serving, stopped, *works), return_when=asyncio.FIRST_COMPLETED)
        finally:
            closing()
            for one, _ in self._also:
                one.should_exit = True
            server.should_exit = True
            await asyncio.wait((serving, *(it for _, it in self._also)), timeout=_FAREWELL_S)
            connections.cut_all()
            for task in (stopped, *works):
                task.cancel()
            also = (it for _, it in self._also)
            await asyncio.gather(serving, stopped, *also, return_exceptions=True)
            for task in works:
                with contextlib.suppress(asyncio.CancelledError):
                    await task

    def _hosts(self) -> dict[str, frozenset[str]]:
        port = self._places.port
        hosts = {LOOPBACK: host_names((LOOPBACK, "localhost"), port)}
        shared = self._places.shared_address
        if shared is not None:
            hosts[shared] = host_names(own_names(shared), port)
        return hosts

    async def _share(self, app: ASGIApp, connections: Connections) -> None:
        """Answer at our address in the network too, from now on; on the event loop."""
        if self.shared is not None:
            return
        self._places = await asyncio.to_thread(lambda: bind_also(self._places, network_address()))
        # What the doorkeeper looks into grows with it.
        self._host_names.update(self._hosts())
        server = web_server(app, connections)
        serving = asyncio.create_task(server.serve(sockets=[self._places.sockets[-1]]))
        self._also.append((server, serving))


class PageServer(WebServer):
    """Serves the live page of one session, or of the one in which something happened last."""

    def __init__(self, settings: PageSettings) -> None:
        super().__init__(settings)
        self._feed: Feed | None = None
        self._nudging = False
        # What is told faster than it can be taken in was overtaken anyway: the file has it all.
        self._heard: deque[RunEvent] = deque(maxlen=_MOST_HEARD)

    def start(
        self,
        path: Path,
        *,
        session: int | None,
        actor: Actor | None,
        told: bool = False,
        works: NumberWorks | None = None,
        failed: Callable[[BaseException], None] | None = None,
    ) -> None:
        """Begin to serve; returns at once, what it takes is loaded beside.

        Parameters
        ----------
        path
            The data file.
        session
            Which to show; None: the one in which something happened last.
        actor
            Does what viewers ask for; None: nobody may act.
        told
            Whether `hear` will be told by the logging.
        works
            Shared with somebody who needs the numbers too, and left open; None makes one.
        failed
            Told, in the page's thread, what ended it if it was not stopped.
        """
        self._tell_failure = failed
        self._begin(lambda: self._serve(path, session, actor, told, works))

    def hear(self, event: RunEvent) -> None:
        """Take in what the logging tells; from any thread, returns at once, never raises."""
        self._heard.append(event)
        loop = self._loop
        # One call waits in the page's loop at most, however long that is busy.
        if loop is not None and not self._nudging:
            self._nudging = True
            # A page that has ended hears nothing.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(self._nudge)

    def _nudge(self) -> None:
        self._nudging = False
        if self._feed is not None:
            self._feed.nudge()

    async def _serve(
        self,
        path: Path,
        session: int | None,
        actor: Actor | None,
        told: bool,
        works: NumberWorks | None,
    ) -> None:
        from logger.page.app import build_app
        from logger.page.feed import Feed
        from logger.page.hub import Hub
        from logger.page.numbers import NumberWorks
        from logger.store.store import Store

        with ExitStack() as stack:
            store = stack.enter_context(Store.open(path, read_only=True))
            own = None if works is not None else stack.enter_context(NumberWorks(path))
            found = works or own
            assert found is not None
            # A later server has greater revisions, unless the computer's clock was set back; then
            # too a browser's number is not one of ours.
            hub = Hub(first_revision=time.time_ns() // 1_000_000)
            feed = Feed(store, hub, session, found.work_out, heard=self._heard if told else None)
            site = self._site(hub, actor, lambda: None if feed.session is None else feed.session.id)
            self._feed = feed
            self._listen()
            if self._stop_wanted:
                return
            await feed.first_look()

            def closing() -> None:
                hub.close(CLOSING)
                if own is not None:
                    # What is being worked out is given up, and not waited for.
                    own.close()

            await self._answer(build_app(site), site.connections, feed.run(), closing=closing)


def web_server(app: ASGIApp, connections: Connections) -> Server:
    """Return what answers on sockets that are bound already."""
    from uvicorn import Config, Server

    from logger.page.protocol import protocol_for

    return Server(
        Config(
            app,
            http=protocol_for(connections),
            ws="none",
            lifespan="off",
            loop="asyncio",
            # Its words are not for the fitter; they would break into the logging screen.
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            date_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=2,
        )
    )
