"""Asking the board at a port who it is; nothing of it is taken or confirmed."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import NoReturn

from logger.collector.connection import BoardConnection
from logger.collector.recording import BoardIdentity, KnownBoot, TimedRecord
from logger.errors import LinkTimeoutError
from logger.hostclock import HostClock
from logger.links.open import link_from_url
from logger.protocol.sequence import Hole

# A board that starts when its port is opened, then says hello; a sketch that speaks text says
# nothing until it is pressed, and somebody has to walk there.
_ANSWER_S = 30.0
_PRESS_AFTER_S = 4.0


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
