"""Noticing what was decided elsewhere: on the page, or by another program on the same file."""

from __future__ import annotations

import asyncio

from logger.page.look import Looker
from logger.store.store import Store

# Quick for a person, and one look at a counter.
_EVERY_S = 0.1


async def notice_changes(reading: Store, session: int, changed: asyncio.Event) -> None:
    """Set ``changed`` whenever the strikes that count or the club that is up are others."""
    looker = Looker(reading, session)
    version: int | None = None
    shown: object = None
    while True:
        now = reading.live.data_version()
        if now != version:
            look = await asyncio.to_thread(looker.look)
            stands = (look.basis, look.current_club)
            if stands != shown:
                shown = stands
                changed.set()
            version = now
        await asyncio.sleep(_EVERY_S)
