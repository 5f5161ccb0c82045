"""uvicorn's connection with what it leaves out: a viewer can be cut off, and must say something."""

from __future__ import annotations

import asyncio
import os
import socket
import struct
from typing import Any, cast

from uvicorn.protocols.http.h11_impl import H11Protocol

# A request is some hundred bytes; who takes longer to send one only holds a connection.
_REQUEST_S = 10.0
# What waits for a viewer beyond our own queue: enough for a few states, and no more.
_SEND_BUFFER_BYTES = 64 * 1024


_AT_ONCE = struct.pack("hh" if os.name == "nt" else "ii", 1, 0)


class Connections:
    """All open connections, by the viewer's address."""

    def __init__(self) -> None:
        self._open: dict[Any, asyncio.Transport] = {}

    def add(self, client: Any, transport: asyncio.Transport) -> None:  # noqa: ANN401
        """Remember one."""
        self._open[client] = transport

    def forget(self, client: Any) -> None:  # noqa: ANN401
        """Forget one that is closed."""
        self._open.pop(client, None)

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
        self.connections_by_client.add(self.client, transport)
        self._first_request = self.loop.call_later(_REQUEST_S, self._cut_if_silent)

    def connection_lost(self, exc: Exception | None) -> None:
        """End."""
        self._first_request.cancel()
        self.connections_by_client.forget(self.client)
        super().connection_lost(exc)

    def _cut_if_silent(self) -> None:
        # uvicorn itself only limits how long a connection may idle after a first request.
        if cast("object | None", self.cycle) is None:
            self.transport.abort()


def protocol_for(connections: Connections) -> type[PageProtocol]:
    """Return the protocol class that notes its connections there."""
    return type("PageProtocolHere", (PageProtocol,), {"connections_by_client": connections})
