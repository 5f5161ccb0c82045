"""Runs ``lieboard`` and notes when a strike passed each of its parts: for `live.py`.

::

    python tests/benchmarks/live_hops.py FILE.json log PORT --page ...

The parts are watched from outside, so that what is measured is the program as it is: each watched
call costs a clock reading and an append. At the end the file holds
``{hop: [[key, epoch ms], ...]}`` in the order they happened; the key is the strike's id where
the hop knows it, else nothing.
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
from logger.page.hub import Hub, Outbox
from logger.protocol.decoding import Decoder
from logger.protocol.records import RawRecord
from logger.session.logging.recorder import SessionRecorder

HOPS: dict[str, list[tuple[int | None, float]]] = {
    name: [] for name in ("read", "taken", "filed", "published", "sent", "worked_out")
}


def note(hop: str, key: int | None = None) -> None:
    HOPS[hop].append((key, time.time_ns() / 1e6))


def watch() -> None:
    """Put a clock reading at each part."""
    feed, take, tell = Decoder.feed, BoardConnection._take, SessionRecorder._tell
    publish, send, keep = Hub.publish_strikes, Outbox.take, Hub.publish_state

    @functools.wraps(feed)
    def fed(self: Decoder, *rest: Any) -> Any:
        note("read")
        return feed(self, *rest)

    @functools.wraps(take)
    async def taken(self: BoardConnection, batch: Any) -> None:
        if any(isinstance(item, RawRecord) for item, _ in batch):
            note("taken")
        await take(self, batch)

    @functools.wraps(tell)
    def told(self: SessionRecorder, filed: Any) -> None:
        if filed:
            note("filed")
        tell(self, filed)

    @functools.wraps(publish)
    def published(self: Hub, strikes: Any, *, again: bool = False) -> None:
        known = self._strikes.keys()
        fresh = [strike.id for strike in strikes if strike.id not in known]
        publish(self, strikes, again=again)
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

    Decoder.feed = fed  # type: ignore[method-assign]
    BoardConnection._take = taken  # type: ignore[method-assign]
    SessionRecorder._tell = told  # type: ignore[method-assign]
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
