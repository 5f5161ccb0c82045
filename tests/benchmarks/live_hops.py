"""Runs ``lieboard`` and notes when a strike passed each of its parts: for `live.py`.

::

    python tests/benchmarks/live_hops.py FILE.json log PORT --page ...

The parts are watched from outside, so that what is measured is the program as it is: each watched
call costs a clock reading and an append. At the end the file holds ``{hop: [[key, epoch ms], ...]}``
in the order they happened; the key is the strike's id where the hop knows it, else nothing.
"""

from __future__ import annotations

import atexit
import functools
import json
import sys
import time
from pathlib import Path
from typing import Any

from logger.collector.connection import BoardConnection
from logger.links.serial_port import SerialLink
from logger.page.feed import Feed
from logger.page.hub import Hub, Outbox
from logger.records import RawRecord
from logger.session.recorder import SessionRecorder

HOPS: dict[str, list[tuple[int | None, float]]] = {
    name: [] for name in ("read", "decoded", "stored", "filed", "published", "sent", "worked_out")
}


def note(hop: str, key: int | None = None) -> None:
    HOPS[hop].append((key, time.time_ns() / 1e6))


def watch() -> None:
    """Put a clock reading at each part."""
    hand_over, take, store, file = (
        SerialLink._hand_over, BoardConnection._take, SessionRecorder.store, SessionRecorder.file,
    )  # fmt: skip
    publish, send, keep = Hub.publish_strikes, Outbox.take, Hub.publish_state

    @functools.wraps(hand_over)
    def handed_over(self: SerialLink, *rest: Any) -> None:
        note("read")
        hand_over(self, *rest)

    @functools.wraps(take)
    async def taken(self: BoardConnection, batch: Any) -> None:
        if any(isinstance(item, RawRecord) for item, _ in batch):
            note("decoded")
        await take(self, batch)

    @functools.wraps(store)
    async def stored(self: SessionRecorder, *rest: Any) -> None:
        await store(self, *rest)
        note("stored")

    @functools.wraps(file)
    async def filed(self: SessionRecorder, *rest: Any) -> None:
        await file(self, *rest)
        note("filed")

    @functools.wraps(publish)
    def published(self: Hub, strikes: Any, *, anew: bool = False) -> None:
        known = self._strikes.keys()
        fresh = [strike.id for strike in strikes if strike.id not in known]
        publish(self, strikes, anew=anew)
        for strike in fresh:
            note("published", strike)

    @functools.wraps(send)
    async def sent(self: Outbox) -> bytes:
        data = await send(self)
        note("sent", data.count(b"event: strikes"))
        return data

    @functools.wraps(keep)
    def kept(self: Hub, state: Any) -> None:
        keep(self, state)
        if state.up_to_date:
            note("worked_out", sum(club.used + club.set_aside for club in state.clubs))

    SerialLink._hand_over = handed_over  # type: ignore[method-assign]
    BoardConnection._take = taken  # type: ignore[method-assign]
    SessionRecorder.store = stored  # type: ignore[method-assign]
    SessionRecorder.file = filed  # type: ignore[method-assign]
    Hub.publish_strikes = published  # type: ignore[method-assign]
    Outbox.take = sent  # type: ignore[method-assign]
    Hub.publish_state = kept  # type: ignore[method-assign]


def main() -> None:
    """Watch, and be the program."""
    found = Path(sys.argv.pop(1))
    atexit.register(lambda: found.write_text(json.dumps(HOPS)))
    watch()
    from logger.cli import main as program

    program()


if __name__ == "__main__":
    main()
