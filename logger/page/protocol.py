"""uvicorn's connection with what it leaves out: a viewer can be cut off, and must say something."""

from __future__ import annotations

import asyncio
import os
import socket
import struct
from collections import Counter
from typing import Any, cast

from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

# A request is some hundred bytes; who takes longer to send one only holds a connection.
_REQUEST_S = 10.0
_LOOK_EVERY_S = 1.0
# A browser opens up to six to one server; a bay's viewers come one after the other.
_MOST_STRANGERS = 64
_MOST_IN_ALL = 256
# For the data file, ports, captures and what Python opens by itself.
_FILES_KEPT_BACK = 64
# What waits for a viewer beyond our own queue: enough for a few states, and no more.
_SEND_BUFFER_BYTES = 64 * 1024


_AT_ONCE = struct.pack("hh" if os.name == "nt" else "ii", 1, 0)


def most_connections() -> int:
    """How many connections may be open, so that the logging never lacks a file."""
    try:
        import resource
    except ImportError:
        return _MOST_IN_ALL
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return _MOST_IN_ALL
    return max(min(_MOST_IN_ALL, soft - 2 * _FILES_KEPT_BACK), 8)


class Connections:
    """All open connections, by the viewer's address.

    Those that were not let in (yet) have few places, which the one who holds most of them gives up
    first: a neighbour who opens many keeps nobody else out.

    Parameters
    ----------
    most
        In all; None: as many as leave files for the logging.
    strangers
        Of those not let in.
    """

    def __init__(self, most: int | None = None, strangers: int = _MOST_STRANGERS) -> None:
        self._open: dict[Any, asyncio.Transport] = {}
        self._strangers: dict[Any, None] = {}
        self._most = most_connections() if most is None else most
        self._most_strangers = min(strangers, self._most // 2)

    def add(self, client: Any, transport: asyncio.Transport) -> None:  # noqa: ANN401
        """Remember one; another may have to go for it."""
        self._open[client] = transport
        self._strangers[client] = None
        if len(self._strangers) > self._most_strangers or len(self._open) > self._most:
            self._cut_a_stranger()

    def let_in(self, client: Any) -> None:  # noqa: ANN401
        """Take note that whoever is there has the right to be."""
        self._strangers.pop(client, None)

    def forget(self, client: Any) -> None:  # noqa: ANN401
        """Forget one that is closed."""
        self._open.pop(client, None)
        self._strangers.pop(client, None)

    def _cut_a_stranger(self) -> None:
        hosts = Counter(client[0] for client in self._strangers if client)
        crowd = hosts.most_common(1)[0][0] if hosts else None
        oldest = next((c for c in self._strangers if c and c[0] == crowd), None)
        self._strangers.pop(oldest, None)
        self.cut(oldest)

    def cut(self, client: Any) -> None:  # noqa: ANN401
        """Close one at once, whatever still waits to be sent."""
        transport = self._open.get(client)
        if transport is None:
            return
        own = transport.get_extra_info("socket")
        if own is not None:
            # Closed without lingering: else the system keeps what nobody reads for minutes.
            own.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _AT_ONCE)
        transport.abort()

    def cut_all(self) -> None:
        """Close all at once."""
        for transport in list(self._open.values()):
            transport.abort()


class PageProtocol(H11Protocol):
    """One connection of a browser."""

    connections_by_client: Connections

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin."""
        super().connection_made(transport)
        own = transport.get_extra_info("socket")
        if own is not None:
            own.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER_BYTES)
        # Since when a request is waited for; None while none is.
        self._asking_since_s: float | None = self.loop.time()
        self._had: object | None = None
        self._look = self.loop.call_later(_LOOK_EVERY_S, self._cut_if_slow)
        self.connections_by_client.add(self.client, transport)

    def data_received(self, data: bytes) -> None:
        """Take bytes."""
        if self._asking_since_s is None:
            self._asking_since_s = self.loop.time()
        super().data_received(data)
        cycle = cast("RequestResponseCycle | None", self.cycle)
        if cycle is not None and cycle is not self._had and not cycle.more_body:
            self._had, self._asking_since_s = cycle, None

    def connection_lost(self, exc: Exception | None) -> None:
        """End."""
        self._look.cancel()
        self.connections_by_client.forget(self.client)
        super().connection_lost(exc)

    def _cut_if_slow(self) -> None:
        # uvicorn itself only limits how long a connection may idle after a whole request.
        since_s = self._asking_since_s
        if since_s is not None and self.loop.time() - since_s > _REQUEST_S:
            self.transport.abort()
            return
        self._look = self.loop.call_later(_LOOK_EVERY_S, self._cut_if_slow)


def protocol_for(connections: Connections) -> type[PageProtocol]:
    """Return the protocol class that notes its connections there."""
    return type("PageProtocolHere", (PageProtocol,), {"connections_by_client": connections})
