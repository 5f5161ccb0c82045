"""``lieboard watch``: a session in the browser while another program logs it."""

from __future__ import annotations

import signal
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import MOST_ROWS, DbOption, open_store, say
from logger.cli.page_options import USUAL_PORT, LetInOption, PortOption, ShareOption, page_settings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from logger.page.acts import Actor


def watch(
    session: Annotated[
        int | None,
        typer.Option(
            "--session",
            min=1,
            max=MOST_ROWS,
            help="Number of the session. Left out: the one being logged, or the last.",
        ),
    ] = None,
    port: PortOption = USUAL_PORT,
    share: ShareOption = False,
    let_in: LetInOption = False,
    db: DbOption = None,
) -> None:
    """Show a session live in the browser: every strike, every club, the board.

    Reads the data file while 'lieboard log' writes it, and shows the next session as soon as it
    begins. Ends with Ctrl-C; the logging goes on.

    Example: lieboard watch --share
    """
    from logger.page.server import PageServer

    settings = page_settings(port=port, share=share, let_in=let_in)
    with open_store(db, read_only=True) as store:
        path = store.path
        if session is not None:
            store.sessions.get(session)
    with _actor(path) as actor, PageServer(settings) as page:
        stopped = stopped_by_signal()
        # At once: the port answers from here on, as soon as what it needs is loaded.
        for line in page.lines:
            say(line)
        if actor is None:
            say("the data file cannot be written: the page only shows")
        say("Ctrl-C ends it")
        page.start(path, session=session, actor=actor)
        while not stopped.wait(0.2):
            if page.wait(0):
                break
        page.stop()
        if page.failure is not None:
            raise page.failure


@contextmanager
def _actor(path: Path) -> Iterator[Actor | None]:
    """Open the data file for what viewers may change; None if it cannot be written."""
    from logger.errors import SchemaVersionError, StoreError
    from logger.page.acts import FileActor
    from logger.store.store import Store

    try:
        store = Store.open(path)
    except SchemaVersionError:
        raise
    except StoreError:
        yield None
        return
    with store:
        yield FileActor(store)


def stopped_by_signal() -> threading.Event:
    """Return what Ctrl-C or a polite kill sets."""
    stopped = threading.Event()
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is None or signal.getsignal(number) is signal.SIG_IGN:
            continue
        signal.signal(number, lambda *_: stopped.set())
    return stopped
