"""Boards that were never used: asking who answers at a port, and whether it is the fitter's."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Sequence
from typing import NoReturn, TypeVar

import typer

from logger.cli.common import utc_now_ns
from logger.collector.connection import BoardConnection
from logger.collector.recording import BoardIdentity, KnownBoot, TimedRecord
from logger.errors import LinkTimeoutError, StrangeBoardError, UsageError
from logger.hostclock import HostClock
from logger.links.open import link_from_url
from logger.protocol.sequence import Hole
from logger.store.store import Store

# A board that starts when its port is opened, then says hello; a sketch that speaks text says
# nothing until it is pressed, and somebody has to walk there.
_ANSWER_S = 30.0
_PRESS_AFTER_S = 4.0

T = TypeVar("T")


class _AnsweredError(Exception):
    """Ends a connection as soon as the board has said who it is."""

    def __init__(self, identity: BoardIdentity) -> None:
        super().__init__(identity.board_key)
        self.identity = identity


class _Asker:
    """A `logger.collector.recording.Recorder` that takes nothing."""

    async def begin_boot(self, identity: BoardIdentity) -> KnownBoot:
        raise _AnsweredError(identity)

    async def store(
        self,
        boot_row: int,
        records: Sequence[TimedRecord],
        in_order: Sequence[TimedRecord] = (),
    ) -> NoReturn:
        raise AssertionError("nothing is stored before a boot begins")

    async def file(self, boot_row: int, records: Sequence[TimedRecord]) -> NoReturn:
        raise AssertionError("nothing is filed before a boot begins")

    async def lost(self, boot_row: int, holes: Sequence[Hole], reason: str) -> NoReturn:
        raise AssertionError("nothing is counted before a boot begins")


def who_answers(url: str, baud: int, say: Callable[[str], None]) -> BoardIdentity:
    """Ask the board at a port who it is; nothing of it is taken or confirmed.

    Raises
    ------
    LinkError, ProtocolError
        Nothing is there, or it is no board.
    """
    return asyncio.run(_who_answers(url, baud, say))


async def _who_answers(url: str, baud: int, say: Callable[[str], None]) -> BoardIdentity:
    link = link_from_url(url, baud)
    await link.open()
    connection = BoardConnection(link, _Asker(), lambda event: None, HostClock())
    running = asyncio.create_task(connection.run())
    try:
        done, _ = await asyncio.wait({running}, timeout=_PRESS_AFTER_S)
        if not done:
            say("Nothing from the board yet. If it speaks text, press the strip once.")
            done, _ = await asyncio.wait({running}, timeout=_ANSWER_S - _PRESS_AFTER_S)
        if done:
            running.result()
    except _AnsweredError as answered:
        return answered.identity
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    raise LinkTimeoutError(
        f"{url}: no board answered. Check that this is its port, its supply and cable, and that "
        "--baud is its baud rate"
    )


def agree_at_port(store: Store, url: str, baud: int, say: Callable[[str], None]) -> BoardIdentity:
    """Agree to whatever board answers at a port; return which it was."""
    identity = who_answers(url, baud, say)
    store.agreed.add(identity.board_key, identity.name, at_utc_ns=utc_now_ns())
    return identity


def on_the_bench(
    store: Store, port: str, *, accept: bool, run: Callable[[str, bool], T], ask: bool | None = None
) -> T:
    """Run with a board that the fitter agreed to, or agrees to now, and give what comes of it.

    Parameters
    ----------
    store
        Where agreements are kept.
    port
        As it was typed.
    accept
        The fitter says yes beforehand.
    run
        Told where the board is, and whether it may agree to the board that answers there.
    ask
        Whether somebody is there to be asked; by default whether there is a terminal.
    """
    if ask is None:
        ask = sys.stdin.isatty() and sys.stdout.isatty()
    if port.lower().startswith("ble:"):
        from logger.cli.board.air import agree_on_board

        port, _ = agree_on_board(store, port, accept=accept, ask=ask, wait=False)
    if accept or not ask:
        return run(port, accept)
    return until_agreed(store, lambda: run(port, False))


def until_agreed(store: Store, run: Callable[[], T]) -> T:
    """Run; if a board answers that was never used, ask whether it is the fitter's, and run again.

    Raises
    ------
    UsageError
        It is not.
    """
    while True:
        try:
            return run()
        except StrangeBoardError as stranger:
            if not typer.confirm(
                f"Board {stranger.key} ({stranger.name}) was never used here. Is it yours?"
            ):
                raise UsageError(
                    f"board {stranger.key} was not used; nothing of it was stored"
                ) from stranger
            store.agreed.add(stranger.key, stranger.name, at_utc_ns=utc_now_ns())
