"""The live page of a bay that is logged: nothing where it was not asked for."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.page.numbers import NumberWorks
    from logger.page.server import PageServer
    from logger.session.logging.fitting import FittingSession
    from logger.session.logging.run import LoggingRun, RunEvent


class LivePage:
    """The page of one session that is logged in this process.

    Parameters
    ----------
    server
        Its port is taken already; None: there is no page.
    """

    def __init__(self, server: PageServer | None = None) -> None:
        self._server = server

    @classmethod
    def wanted(cls, *, page: bool, port: int, share: bool, let_in: bool) -> Self:
        """Take a port, this or the next that is free, for the page that was asked for.

        Raises
        ------
        UsageError, LieboardError
            The options make no sense together, or no port is free.
        """
        from logger.errors import UsageError

        if not page:
            if share or let_in:
                raise UsageError("--share and --let-in are about the page: add --page")
            return cls()
        from logger.cli.page_options import page_settings
        from logger.page.server import PageServer

        return cls(PageServer(page_settings(port=port, share=share, let_in=let_in)))

    @property
    def lines(self) -> list[str]:
        """Where it is and how others get in."""
        return [] if self._server is None else self._server.lines

    def begin(
        self,
        session: FittingSession,
        run: LoggingRun,
        say: Callable[[str], None],
        works: NumberWorks | None = None,
    ) -> None:
        """Serve the session; on the run's event loop.

        Parameters
        ----------
        session, run
            What is logged.
        say
            Tells the fitter, on this event loop, that the page has ended; the logging goes on.
        works
            Shared with the logging screen.
        """
        if self._server is None:
            return
        from logger.page.acts import RunActor

        loop = asyncio.get_running_loop()

        def failed(error: BaseException) -> None:
            # The logging may have ended too.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(say, f"the page has ended: {error}; the logging goes on")

        actor = RunActor(session)
        actor.attach(run.recorder.call, run.clock.utc_ns)
        self._server.start(
            session.store.path,
            session=session.row.id,
            actor=actor,
            told=True,
            works=works,
            failed=failed,
        )

    def hear(self, event: RunEvent) -> None:
        """Take in what the run tells; returns at once."""
        if self._server is not None:
            self._server.hear(event)

    def end(self) -> None:
        """Tell viewers, and close; may be called more than once."""
        if self._server is not None:
            self._server.stop()
