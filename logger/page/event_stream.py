"""``GET /events``: one viewer's stream, for as long as it reads."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from starlette.responses import Response

from logger.page.guard import Leave
from logger.page.hub import Outbox
from logger.page.messages import WordsMessage, encode

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.types import Receive, Scope, Send

    from logger.page.app import Site

# How soon a browser comes back by itself after a break.
_HELLO = b"retry: 1000\n\n"
# A comment (WHATWG HTML, 9.2.7): proves the line alive, and finds the viewer that is gone.
_BEAT = b":\n\n"


class EventStream:
    """Tells viewers."""

    def __init__(self, site: Site) -> None:
        self._site = site

    async def answer(self, request: Request) -> Response:
        """Answer a request for events with a stream."""
        site = self._site
        leave = site.leave_of(request.scope, request.cookies.get(site.cookie))
        if leave is Leave.NONE:
            return _refused("enter the code first", 401)
        if site.hub.viewers >= site.most_viewers:
            return _refused("too many look on already", 503)
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        seen = request.headers.get("last-event-id", "")
        last_seen = int(seen) if seen.isascii() and seen.isdecimal() and len(seen) < 20 else None
        return _Stream(site, last_seen, may_act=leave is Leave.ACT)


class _Stream(Response):
    def __init__(self, site: Site, last_seen: int | None, *, may_act: bool) -> None:
        super().__init__(media_type="text/event-stream")
        self._site = site
        self._last_seen = last_seen
        self._may_act = may_act

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        hub = self._site.hub
        headers = [(name, value) for name, value in self.raw_headers if name != b"content-length"]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        outbox = hub.join(self._last_seen, may_act=self._may_act)
        sending = asyncio.create_task(self._send_all(outbox, send))
        leaving = asyncio.create_task(_until_gone(receive))
        overflow = asyncio.create_task(outbox.overflowed.wait())
        tasks = (sending, leaving, overflow)
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            hub.leave(outbox)
            for task in tasks:
                task.cancel()
            ends = await asyncio.gather(*tasks, return_exceptions=True)
        if ends[0] is None or ends[1] is None:
            return
        # It stopped reading: what waits for it would wait for ever.
        self._site.connections.cut(scope["client"])

    async def _send_all(self, outbox: Outbox, send: Send) -> None:
        data = _HELLO
        while True:
            async with asyncio.timeout(self._site.stall_s):
                more = not outbox.ended
                await send({"type": "http.response.body", "body": data, "more_body": more})
            if not more:
                return
            try:
                async with asyncio.timeout(self._site.beat_s):
                    data = await outbox.take()
            except TimeoutError:
                data = _BEAT


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


def _refused(words: str, status: int) -> Response:
    return Response(encode(WordsMessage(words)), status, media_type="application/json")
