"""Where the page is served: a free port, on this computer and, if wanted, on the network."""

from __future__ import annotations

import errno
import os
import socket
from dataclasses import dataclass

from logger.errors import LieboardError, UsageError

LOOPBACK = "127.0.0.1"
USUAL_PORT = 8642
_TRIES = 20
# Documentation addresses (RFC 5737, RFC 3849): nothing is sent there; asking for the way tells
# which of our addresses faces the network.
_FAR_AWAY = ("192.0.2.1", 9)


@dataclass(frozen=True, slots=True)
class BoundSockets:
    """Bound sockets, not yet listening."""

    port: int
    sockets: tuple[socket.socket, ...]
    shared_address: str | None
    """Address on the network; None = this computer only."""

    def close(self) -> None:
        """Give the port back."""
        for one in self.sockets:
            one.close()


def bind_places(wanted_port: int, *, share_on: str | None = None) -> BoundSockets:
    """Take the wanted port or the next that is free; 0 takes any.

    Parameters
    ----------
    wanted_port
        0 to 65535.
    share_on
        Also at this address of ours.

    Raises
    ------
    UsageError
        This computer has no such address.
    LieboardError
        None of the ports tried is free.
    """
    last = min(wanted_port + _TRIES, 65535)
    # Any port may be free here and taken there.
    for port in range(wanted_port, last + 1) if wanted_port else [0] * _TRIES:
        bound: list[socket.socket] = []
        try:
            bound.append(_bound(LOOPBACK, port))
            actual: int = bound[0].getsockname()[1]
            if share_on is not None:
                bound.append(_bound(share_on, actual))
            return BoundSockets(actual, tuple(bound), share_on)
        except OSError as error:
            for one in bound:
                one.close()
            if error.errno == errno.EADDRNOTAVAIL:
                raise UsageError(f"{share_on}: this computer has no such address") from error
            # Below 1024 ports may need rights that this program should not have.
            if error.errno not in (errno.EADDRINUSE, errno.EACCES):
                raise LieboardError(f"port {port}: {error.strerror}") from error
    raise LieboardError(f"ports {wanted_port} to {last} are all taken: name a free one with --port")


def bind_also(places: BoundSockets, address: str) -> BoundSockets:
    """Take the same port at another address of ours too.

    Raises
    ------
    LieboardError
        It is taken there.
    """
    try:
        more = _bound(address, places.port)
    except OSError as error:
        raise LieboardError(f"{address}, port {places.port}: {error.strerror}") from error
    return BoundSockets(places.port, (*places.sockets, more), address)


def network_address() -> str:
    """Return the address at which the network reaches this computer.

    Raises
    ------
    UsageError
        It is in no network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(_FAR_AWAY)
            address = str(asking.getsockname()[0])
        except OSError:
            address = "0.0.0.0"
    if address == "0.0.0.0" or address.startswith("127."):
        raise UsageError("--share: this computer is in no network: join the bay's first")
    return address


def own_names(address: str) -> tuple[str, ...]:
    """Return what this computer may be called at an address of its own."""
    name = socket.gethostname()
    return (address, name, f"{name}.local")


def _bound(address: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix":
            # A server that just ended does not keep its port taken. Elsewhere the option means
            # that two may share a port.
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((address, port))
        # Bound alone does not keep another program from the port.
        made.listen(64)
    except BaseException:
        made.close()
        raise
    return made
