"""Headers of every answer, and the first look at every request."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from logger.page.guard import fit_for_us
from logger.page.messages import WordsMessage, encode

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

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
    """

    def __init__(self, app: ASGIApp, hosts: Mapping[str, frozenset[str]]) -> None:
        self._app = app
        self._hosts = hosts

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
        if not fit_for_us(headers, hosts, changing=changing, landing=landing):
            words = "this page answers only at its own address: use the one that lieboard printed"
            body = encode(WordsMessage(words))
            head = [(b"content-type", b"application/json"), (b"content-length", b"%d" % len(body))]
            await with_headers({"type": "http.response.start", "status": 403, "headers": head})
            await with_headers({"type": "http.response.body", "body": body})
            return
        await self._app(scope, receive, with_headers)
