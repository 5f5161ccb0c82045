"""What is answered at which path: the page, its files, the events, the acts, the way in."""

from __future__ import annotations

import asyncio
import html
import json
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from logger.errors import LieboardError, StoreError
from logger.page.acts import Actor
from logger.page.guard import Codes, Leave, LongLineError, TooManyGuessesError, fit_for_us
from logger.page.hub import Hub, Outbox
from logger.page.messages import WordsMessage, decode_act, encode
from logger.page.protocol import Connections

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.types import ASGIApp, Message, Receive, Scope, Send


ASSETS = Path(__file__).parent / "assets"
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".woff2": "font/woff2",
}
MOST_BODY_BYTES = 8192
_SESSION_S = 12 * 3600
# Follows a link from elsewhere: a cookie that is set now is only sent with what our own page asks.
_ON_TO_THE_PAGE = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>lieboard</title>'
    # Takes the place of the address with the code, so that it stays in no history either.
    '<script src="/assets/onward.js"></script>'
    '<meta http-equiv="refresh" content="0;url=/"><a href="/">on to the page</a></html>'
)


@dataclass(frozen=True, slots=True)
class Site:
    """What the answers are made of."""

    hub: Hub
    actor: Actor | None
    """None: nobody may act, whoever they are."""
    session: Callable[[], int | None]
    """Number of the session that is shown."""
    connections: Connections
    port: int
    local_address: str
    """Connections to it come from this computer."""
    codes: Codes | None
    hosts: Mapping[str, frozenset[str]]
    beat_s: float
    stall_s: float
    most_viewers: int
    now_ns: Callable[[], int] = time.monotonic_ns
    acting: asyncio.Lock = field(default_factory=asyncio.Lock)

    def leave_of(self, scope: Scope, token: str | None) -> Leave:
        """Tell what whoever sends a request may do; who may has a place among those let in."""
        leave = self._leave_of(scope, token)
        if leave is not Leave.NONE:
            self.connections.let_in(scope.get("client"))
        return leave

    def _leave_of(self, scope: Scope, token: str | None) -> Leave:
        server = scope.get("server") or ("", None)
        if server[0] == self.local_address:
            leave = Leave.ACT
        elif self.codes is not None:
            leave = self.codes.leave_of(token)
        else:
            leave = Leave.NONE
        return leave if self.actor is not None else min(leave, Leave.LOOK)

    @property
    def cookie(self) -> str:
        """Name of the cookie; browsers share cookies between ports."""
        return f"lieboard_{self.port}"


def build_app(site: Site) -> ASGIApp:
    """Put the application together."""
    way_in, live, assets = WayIn(site), LiveSession(site), Assets(ASSETS)

    async def home(request: Request) -> Response:
        stopped = await way_in.stop(request)
        return assets.file("index.html") if stopped is None else stopped

    app = Starlette(
        routes=[
            Route("/", home, methods=["GET"]),
            Route("/enter", way_in.enter, methods=["POST"]),
            Route("/assets/{name}", assets.answer, methods=["GET"]),
            Route("/state", live.state, methods=["GET"]),
            Route("/act", live.act, methods=["POST"]),
            Route("/events", live.events, methods=["GET"]),
        ]
    )
    return Doorkeeper(app, site.hosts)


class Assets:
    """Files of a page by name; only what is there is served: no name ever becomes a path."""

    def __init__(self, *folders: Path) -> None:
        self._files = {
            file.name: file
            for folder in folders
            for file in folder.iterdir()
            if file.suffix in _TYPES
        }

    async def answer(self, request: Request) -> Response:
        """Answer a request for one; a document has a path of its own, and a template none."""
        name = request.path_params["name"]
        return self.file("" if name.endswith(".html") else name)

    def file(self, name: str) -> Response:
        """Return one."""
        file = self._files.get(name)
        if file is None:
            return words_answer("there is no such file", 404)
        return Response(file.read_bytes(), media_type=_TYPES[file.suffix])

    def text(self, name: str) -> str:
        """Return the text of one that is there."""
        return self._files[name].read_text("utf-8")


class WayIn:
    """Lets viewers in by their codes."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._assets = Assets(ASSETS)

    def leave(self, request: Request) -> Leave:
        """Tell what whoever asks may do."""
        return self._site.leave_of(request.scope, request.cookies.get(self._site.cookie))

    async def stop(self, request: Request) -> Response | None:
        """Return what a viewer at the front door gets instead of the page; None: the page."""
        code = request.query_params.get("code")
        # What a browser fetches ahead must not use up a code.
        ahead = "prefetch" in request.headers.get("sec-purpose", "")
        if code and request.method == "GET" and not ahead:
            return await self._let_in(request, code, HTMLResponse(_ON_TO_THE_PAGE))
        if self.leave(request) is Leave.NONE:
            return self.ask()
        if code is not None:
            return RedirectResponse("/", status_code=303)
        return None

    async def enter(self, request: Request) -> Response:
        """Take the code that was typed."""
        body = await body_of(request)
        if body is None:
            return words_answer("that is too long for a code", 413)
        from urllib.parse import parse_qs

        code = parse_qs(body.decode(errors="replace")).get("code", [""])[0]
        return await self._let_in(request, code, RedirectResponse("/", status_code=303))

    async def _let_in(self, request: Request, code: str, granted: Response) -> Response:
        site = self._site
        if site.codes is None:
            return granted
        viewer = request.client.host if request.client else ""
        try:
            wait_ns = site.codes.take_turn(viewer, site.now_ns())
        except LongLineError:
            return self.ask("many try to get in: try again in a moment", 503)
        try:
            if wait_ns:
                await asyncio.sleep(wait_ns / 1e9)
            token = site.codes.exchange(code, viewer, site.now_ns())
        except TooManyGuessesError:
            return self.ask("too many wrong codes: wait ten minutes", 429)
        finally:
            site.codes.leave_line(viewer)
        if token is None:
            return self.ask("that is not the code: ask who runs the board", 403)
        granted.set_cookie(
            site.cookie, token, max_age=_SESSION_S, httponly=True, samesite="strict", path="/"
        )
        return granted

    def ask(self, words: str = "", status: int = 200) -> Response:
        """Return the page that asks for the code."""
        page = self._assets.text("enter.html")
        return HTMLResponse(page.replace("<!-- words -->", html.escape(words)), status)


class LiveSession:
    """State, events and acts of the session that is shown."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def _leave(self, request: Request) -> Leave:
        return self._site.leave_of(request.scope, request.cookies.get(self._site.cookie))

    async def state(self, request: Request) -> Response:
        """Return all of it as JSON."""
        leave = self._leave(request)
        if leave is Leave.NONE:
            return words_answer("enter the code first", 401)
        return _json(
            b'{"state":%s,"strikes":%s}' % self._site.hub.whole(may_act=leave is Leave.ACT)
        )

    async def events(self, request: Request) -> Response:
        """Answer with a stream of events."""
        site = self._site
        leave = self._leave(request)
        if leave is Leave.NONE:
            return words_answer("enter the code first", 401)
        if site.hub.viewers >= site.most_viewers:
            return words_answer("too many look on already", 503)
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        seen = request.headers.get("last-event-id", "")
        last_seen = int(seen) if seen.isascii() and seen.isdecimal() and len(seen) < 20 else None
        return _Stream(site, last_seen, may_act=leave is Leave.ACT)

    async def act(self, request: Request) -> Response:
        """Do an act."""
        site = self._site
        if self._leave(request) is not Leave.ACT or site.actor is None:
            return words_answer("you may only look on here", 403)
        if request.headers.get("content-type", "").partition(";")[0] != "application/json":
            return words_answer("an act is sent as application/json", 415)
        body = await body_of(request)
        if body is None:
            return words_answer("that is too long for an act", 413)
        session = site.session()
        if session is None:
            return words_answer("there is no session to act on", 400)
        try:
            act = decode_act(body)
            # One after the other: two fingers on two tablets mean two steps.
            async with site.acting:
                return words_answer(await site.actor.do(session, act))
        except StoreError as error:
            return words_answer(str(error), 503)
        except LieboardError as error:
            return words_answer(str(error), 400)
        except (json.JSONDecodeError, UnicodeDecodeError, RecursionError, ValueError) as error:
            return words_answer(f"that is no act: {error}", 400)


async def body_of(request: Request, most_bytes: int = MOST_BODY_BYTES) -> bytes | None:
    """Return the body of a request; None if it is longer than that."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > most_bytes:
            return None
    return body


def words_answer(words: str, status: int = 200) -> Response:
    """Return one line for the fitter, as JSON."""
    return _json(encode(WordsMessage(words)), status)


def _json(body: bytes, status: int = 200) -> Response:
    return Response(body, status, media_type="application/json")


_POLICY = "; ".join(
    [
        "default-src 'none'",
        *(f"{kind} 'self'" for kind in ("script-src", "style-src", "img-src", "font-src")),
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    ]
)
_HEADERS = [
    (b"content-security-policy", _POLICY.encode()),
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
]


class Doorkeeper:
    """Answers only what is meant for us and comes from our page; puts its headers on every answer.

    Parameters
    ----------
    app
        Everything else.
    hosts
        By the address at which a connection came in: the names it may be addressed by.
    most_body
        How many bytes may be sent to a path.
    """

    def __init__(
        self,
        app: ASGIApp,
        hosts: Mapping[str, frozenset[str]],
        most_body: Callable[[str], int] = lambda path: MOST_BODY_BYTES,
    ) -> None:
        self._app = app
        self._hosts = hosts
        self._most_body = most_body

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_HEADERS]
            await send(message)

        server = scope.get("server") or ("", None)
        headers: dict[str, str] = {}
        for name, value in scope["headers"]:
            text = value.decode("latin-1")
            # Of two hosts or origins neither can be believed.
            key = name.decode("latin-1")
            headers[key] = f"{headers[key]}, {text}" if key in headers else text
        changing = scope["method"] not in ("GET", "HEAD")
        hosts = self._hosts.get(server[0], frozenset())
        landing = scope["path"] == "/"
        refusal = None
        if not fit_for_us(headers, hosts, changing=changing, landing=landing):
            words = "this page answers only at its own address: use the one that lieboard printed"
            refusal = 403, words
        elif not headers.get("content-length", "0").isdecimal() or (
            int(headers.get("content-length", "0")[:20]) > self._most_body(scope["path"])
        ):
            refusal = 413, "that is longer than anything that is asked here"
        if refusal is not None:
            status, words = refusal
            body = encode(WordsMessage(words))
            head = [
                (b"content-type", b"application/json"),
                (b"content-length", b"%d" % len(body)),
                (b"connection", b"close"),
            ]
            await with_headers({"type": "http.response.start", "status": status, "headers": head})
            await with_headers({"type": "http.response.body", "body": body})
            return
        await self._app(scope, receive, with_headers)


# How soon a browser comes back by itself after a break.
_HELLO = b"retry: 1000\n\n"
# A comment (WHATWG HTML, 9.2.7): proves the line alive, and finds the viewer that is gone.
_BEAT = b":\n\n"


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
