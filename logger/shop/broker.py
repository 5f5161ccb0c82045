"""How to reach a broker: who we are there, and over what. Nothing in the clear by mistake."""

from __future__ import annotations

import asyncio
import ipaddress
import ssl
import sys
from collections.abc import Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from logger.errors import LinkError, UsageError
from logger.extras import extra
from logger.shop.messages import MAX_PAYLOAD_BYTES

# Connection refused for good: MQTT 5.0 (OASIS), 3.2.2.2: malformed or unsupported protocol, client
# identifier, bad user name or password, not authorized, banned.
_FOR_GOOD: Final = {0x81, 0x82, 0x84, 0x85, 0x86, 0x87, 0x8A}
# Room for topic and properties beside the payload.
_MAX_PACKET_BYTES: Final = MAX_PAYLOAD_BYTES + 4096
# What waits in memory to be looked at; what comes beyond is dropped unconfirmed and comes again.
_MOST_WAITING: Final = 100
PAUSES_S: Final = (1.0, 2.0, 4.0, 8.0, 15.0, 30.0)


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker and how to speak to it."""

    host: str
    port: int
    user: str
    password: str = field(repr=False)
    ca: Path | None = None
    """Certificate that the broker's is signed with; None: those that this computer trusts."""
    tls: bool = True


def broker_at(
    address: str,
    *,
    user: str,
    password: str | None,
    ca: Path | None = None,
    tls: bool = False,
    no_tls: bool = False,
) -> Broker:
    """Make out how to reach a broker from what a person typed.

    Raises
    ------
    UsageError
        With one line that says what is missing.
    """
    host, colon, port_text = address.rpartition(":")
    if not colon or address.endswith("]"):
        host, port_text = address, ""
    host = host.strip("[]")
    encrypted = tls or ca is not None
    if not host or not (port_text == "" or (port_text.isascii() and port_text.isdigit())):
        raise UsageError(f"--broker {address}: write HOST or HOST:PORT")
    # Assigned by IANA: secure-mqtt and mqtt.
    port = int(port_text) if port_text else 8883 if encrypted else 1883
    if not 1 <= port <= 65535:
        raise UsageError(f"--broker {address}: a port is 1 to 65535")
    if encrypted and no_tls:
        raise UsageError("--no-tls cannot go with --tls or --ca")
    if not (encrypted or no_tls or _is_this_computer(host)):
        raise UsageError(
            f"{host} is another computer: use --ca FILE or --tls, so that passwords and names do "
            "not go in the clear (--no-tls if the line is safe by itself)"
        )
    if not password:
        raise UsageError(
            "put the password of the broker's user into LIEBOARD_SHOP_PASSWORD, or into a file "
            "and name that with --password-file"
        )
    if ca is not None and not ca.is_file():
        raise UsageError(f"--ca {ca}: there is no such file")
    return Broker(host, port, user, password, ca, encrypted)


def _is_this_computer(host: str) -> bool:
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def client(broker: Broker, name: str) -> Any:  # noqa: ANN401 - known only where it is installed
    """Make an MQTT 5 client, to be entered with ``async with``; ``name`` is nobody else's."""
    with extra("shop"):
        import aiomqtt
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties
    limits = Properties(PacketTypes.CONNECT)
    # The broker then keeps from us what is greater than any message of ours.
    limits.MaximumPacketSize = _MAX_PACKET_BYTES
    return aiomqtt.Client(
        broker.host,
        broker.port,
        username=broker.user,
        password=broker.password,
        identifier=name,
        protocol=aiomqtt.ProtocolVersion.V5,
        # The data file is the queue: nothing needs to wait at the broker for us.
        clean_start=True,
        properties=limits,
        tls_context=_tls(broker),
        max_queued_incoming_messages=_MOST_WAITING,
        keepalive=30,
    )


def _tls(broker: Broker) -> ssl.SSLContext | None:
    if not broker.tls:
        return None
    try:
        return ssl.create_default_context(cafile=None if broker.ca is None else str(broker.ca))
    except (OSError, ssl.SSLError) as error:
        raise UsageError(f"--ca {broker.ca}: this is no certificate ({error})") from error


def check_worth_trying(broker: Broker, error: Exception) -> None:
    """Raise if a connection that failed will fail again however long one waits.

    Raises
    ------
    LinkError
        With one line that says what to mend.
    """
    code = getattr(error, "rc", None)
    value = getattr(code, "value", code)
    if isinstance(value, int) and value in _FOR_GOOD:
        raise LinkError(
            f"{broker.host}:{broker.port} does not let {broker.user} in ({code}): check user and "
            "password"
        ) from error
    if "certificate" in str(error).lower():
        raise LinkError(
            f"{broker.host}:{broker.port}: its certificate is not trusted ({error}): check --ca"
        ) from error


def run(main: Coroutine[Any, Any, None]) -> None:
    """Run to the end on an event loop that MQTT clients can wait on."""
    # On Windows the usual loop cannot watch a socket, and the client needs that.
    system: str = sys.platform
    factory = asyncio.SelectorEventLoop if system == "win32" else None
    with asyncio.Runner(loop_factory=factory) as runner:
        runner.run(main)
