"""A board on the air as a test has it: a link to it, whether it works, why it does not open."""

from __future__ import annotations

import asyncio

import pytest

from logger.errors import LinkClosedError, LinkOpenError
from logger.links.ble import BleLink
from logger.links.ble_find import BoardFinder
from logger.links.ble_session import BleSettings
from logger.protocol.framing import encode_frame
from logger.protocol.records import AskHello
from logger.protocol.wire import encode

ASK_HELLO = encode_frame(encode(AskHello()))
ADDRESS = "C0:00:5E:00:53:10"
QUICK = BleSettings(find_s=2, connect_s=2, subscribe_s=1, quiet_s=0.8, answer_s=1)


def link_to(board, settings=QUICK, target=None):
    return BleLink(BoardFinder(target or board.url.removeprefix("ble://")), settings)


async def why_not(link):
    with pytest.raises(LinkOpenError) as caught:
        await link.open()
    await link.close()
    text = str(caught.value)
    assert "\n" not in text
    return text


async def read_until_closed(link, limit_s=8):
    async with asyncio.timeout(limit_s):
        while True:
            try:
                await link.read()
            except LinkClosedError as error:
                return str(error)


async def works(board, **how):
    link = link_to(board, **how)
    await link.open()
    try:
        await link.write(ASK_HELLO)
        return (await link.read()).data
    finally:
        await link.close()


async def names_on_bus():
    """How many connections the message bus has, by its own count."""
    from dbus_fast import BusType, Message
    from dbus_fast.aio import MessageBus

    bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
    try:
        reply = await bus.call(
            Message(destination="org.freedesktop.DBus", path="/org/freedesktop/DBus",
                    interface="org.freedesktop.DBus", member="ListNames")
        )  # fmt: skip
        return sum(name.startswith(":") for name in reply.body[0])
    finally:
        bus.disconnect()
        await bus.wait_for_disconnect()
