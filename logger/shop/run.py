"""Bay and shop on the network: connect, send, answer, and try again for as long as it takes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, Final, TypeAlias

from logger.errors import ProtocolError
from logger.extras import extra
from logger.hostclock import HostClock
from logger.shop.bay import BayQueue, Parcel
from logger.shop.broker import PAUSES_S, Broker, check_worth_trying, client
from logger.shop.checks import BadMessageError
from logger.shop.gather import Gatherer
from logger.shop.messages import (
    FromShop,
    Here,
    Kept,
    answer,
    ask,
    bay_of,
    read_from_shop,
    topic,
)

Tell: TypeAlias = Callable[[str], None]
# How long a shop may take to write to its disk before it is asked again.
AGAIN_S: Final = 10.0
# How often the data file is looked into for something new.
_LOOK_S: Final = 1.0


class _ShopAwayError(Exception):
    """No answer in time."""


class Forwarder:
    """Sends what is new in a bay's data file to its shop until cancelled.

    Parameters
    ----------
    queue
        Of the bay's data file.
    broker
        How to reach it.
    shop, bay
        Names.
    tell
        Told in one line what a person would want to know.
    clock
        The host's.
    once
        Return as soon as the shop has everything.
    again_s
        After so long without an answer the shop is asked again.
    """

    def __init__(
        self,
        queue: BayQueue,
        broker: Broker,
        shop: str,
        bay: str,
        tell: Tell,
        clock: HostClock,
        *,
        once: bool = False,
        again_s: float = AGAIN_S,
    ) -> None:
        self._queue = queue
        self._broker = broker
        self._sent, self._kept = topic(shop, bay, "sent"), topic(shop, bay, "kept")
        self._tell = tell
        self._clock = clock
        self._once = once
        self._again_s = again_s
        self._name = f"lieboard-{shop}-{bay}-{queue.next_number():x}"
        self._records = self._sessions = 0

    async def run(self) -> None:
        """Forward.

        Raises
        ------
        LinkError
            The broker does not let us in.
        ProtocolError
            The shop refuses something; the bay's data file keeps it.
        """
        await _keep_trying(self._broker, self._connected, self._name, self._tell)

    async def _connected(self, link: Any) -> None:  # noqa: ANN401 - an aiomqtt.Client
        await link.subscribe(self._kept, qos=1)
        while True:
            try:
                await self._find_shop(link)
                await self._send_all(link)
                return
            except _ShopAwayError:
                self._tell("the shop does not answer: everything is kept here and sent later")

    async def _find_shop(self, link: Any) -> None:  # noqa: ANN401
        told = False
        while True:
            number = self._queue.next_number()
            try:
                said = await self._answer(link, number, (ask(number),))
            except _ShopAwayError:
                if not told:
                    self._tell("waiting for the shop")
                told = True
                continue
            if isinstance(said, Here):
                if await asyncio.to_thread(self._queue.begin, said.file):
                    self._tell("the shop's data file is new to this bay: sending everything")
                return

    async def _send_all(self, link: Any) -> None:  # noqa: ANN401
        while True:
            utc_ms = self._clock.utc_ns() // 1_000_000
            parcel = await asyncio.to_thread(self._queue.next_parcel, utc_ms=utc_ms)
            if parcel is not None:
                await self._send(link, parcel)
                continue
            if self._records or self._sessions:
                self._tell(
                    f"the shop has {self._records} records and {self._sessions} sessions more"
                )
                self._records = self._sessions = 0
            if self._once:
                return
            await asyncio.sleep(_LOOK_S)

    async def _send(self, link: Any, parcel: Parcel) -> None:  # noqa: ANN401
        said = await self._answer(link, parcel.message, parcel.payloads)
        if isinstance(said, Kept):
            await asyncio.to_thread(parcel.kept)
            self._records += parcel.records
            self._sessions += parcel.session is not None
        elif isinstance(said, Here) or said.missing is None:
            reason = "an answer that makes no sense" if isinstance(said, Here) else said.reason
            raise ProtocolError(
                f"the shop refuses {parcel.what}: {reason}; nothing is lost here, but nothing more "
                "is sent until this is mended"
            )
        else:
            await asyncio.to_thread(self._queue.missing, said.missing)

    async def _answer(self, link: Any, message: int, payloads: tuple[bytes, ...]) -> FromShop:  # noqa: ANN401
        """Send payloads and return what the shop says of them."""
        for payload in payloads:
            await link.publish(self._sent, payload, qos=1)
        try:
            async with asyncio.timeout(self._again_s):
                async for got in link.messages:
                    try:
                        said = read_from_shop(bytes(got.payload))
                    except BadMessageError as error:
                        self._tell(
                            f"something that is no answer came from the shop: {error.reason}"
                        )
                        continue
                    # Answers to what was sent twice come twice.
                    if said.message == message:
                        return said
        except TimeoutError as error:
            raise _ShopAwayError from error
        raise _ShopAwayError


async def gather(gatherer: Gatherer, broker: Broker, shop: str, tell: Tell, name: str) -> None:
    """Store what bays send until cancelled.

    Raises
    ------
    LinkError
        The broker does not let us in.
    StoreError
        The shop's data file cannot be written; the bays keep what they have.
    """

    async def connected(link: Any) -> None:  # noqa: ANN401 - an aiomqtt.Client
        await link.subscribe(topic(shop, "+", "sent"), qos=1)
        tell("open")
        async for got in link.messages:
            bay = bay_of(str(got.topic))
            # What the broker kept for later subscribers is not from a bay of now.
            if bay is None or got.retain:
                continue
            said = await asyncio.to_thread(gatherer.take, bay, bytes(got.payload))
            if said is not None:
                await link.publish(topic(shop, bay, "kept"), answer(said), qos=1)

    await _keep_trying(broker, connected, name, tell)


async def _keep_trying(
    broker: Broker,
    connected: Callable[[Any], Coroutine[Any, Any, None]],
    name: str,
    tell: Tell,
) -> None:
    """Connect again whenever the connection is lost; return when ``connected`` does."""
    with extra("shop"):
        import aiomqtt
    failed = 0
    while True:
        try:
            async with client(broker, name) as link:
                failed = 0
                await connected(link)
                return
        except aiomqtt.MqttError as error:
            check_worth_trying(broker, error)
            if failed == 0:
                tell(f"{broker.host}:{broker.port} is out of reach ({error}): trying again")
        await asyncio.sleep(PAUSES_S[min(failed, len(PAUSES_S) - 1)])
        failed += 1
