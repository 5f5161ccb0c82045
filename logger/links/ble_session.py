"""One Bluetooth LE connection to one board. All of it runs on the Bluetooth loop."""

from __future__ import annotations

import asyncio
import logging
import sys
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from logger.errors import LinkClosedError, LinkOpenError, LinkTimeoutError
from logger.links.base import Chunk
from logger.links.ble_find import BoardFinder, SeenBoard
from logger.links.ble_trouble import explain, went_away
from logger.links.bounded import bounded, put_down
from logger.links.gatt import (
    BATTERY,
    BATTERY_LEVEL,
    BOARD_TO_HOST,
    DEVICE_INFORMATION,
    HOST_TO_BOARD,
    SERVICE,
)

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic

_log = logging.getLogger(__name__)
_T = TypeVar("_T")

# What was notified before the end can reach us after the news of the end, since it takes another
# way through the system; a socket that holds something is read within one turn of the loop.
_LAST_WORDS_S = 0.02
# The least that fits a write: ATT_MTU is at least 23, and 3 of that are the header (core
# specification, volume 3, part F, 3.4.5).
_LEAST_WRITE_BYTES = 20


@dataclass(frozen=True, slots=True)
class BleSettings:
    """How to reach a board over Bluetooth LE, and how long to wait for what."""

    pair: bool = False
    find_s: float = 10.0
    connect_s: float = 20.0
    subscribe_s: float = 6.0
    write_s: float = 4.0
    # After this long without a notification the board is asked something: a system whose
    # Bluetooth service died says nothing and calls the board connected for ever.
    quiet_s: float = 3.0
    answer_s: float = 4.0
    let_go_s: float = 5.0


class BleSession:
    """Used once: open, write, close.

    Parameters
    ----------
    finder
        Says which board.
    url
        For messages.
    on_chunk, on_end
        Told of every notification and, once, of the end; called on the Bluetooth loop.
    """

    def __init__(
        self,
        finder: BoardFinder,
        url: str,
        settings: BleSettings,
        on_chunk: Callable[[Chunk], None],
        on_end: Callable[[LinkClosedError], None],
    ) -> None:
        self._finder = finder
        self._url = url
        self._settings = settings
        self._on_chunk = on_chunk
        self._on_end = on_end
        self._client: BleakClient | None = None
        self._from_board: BleakGATTCharacteristic | None = None
        self._to_board: BleakGATTCharacteristic | None = None
        self._opening: asyncio.Task[Any] | None = None
        self._helpers: set[asyncio.Task[None]] = set()
        self._writing = asyncio.Lock()
        self._closing = False
        self._over: LinkClosedError | None = None
        self._heard_s = 0.0
        self._heard_count = 0

    # -- open ----------------------------------------------------------------------------------

    async def open(self) -> SeenBoard:
        """Find the board, connect and subscribe.

        Raises
        ------
        LinkOpenError
            With one line that says what to do; nothing is left behind.
        """
        self._opening = asyncio.current_task()
        try:
            if self._closing:
                raise LinkOpenError(f"the link to {self._url} was closed while it was opening")
            return await self._open()
        except asyncio.CancelledError:
            await self._let_go()
            if self._closing:
                raise LinkOpenError(
                    f"the link to {self._url} was closed while it was opening"
                ) from None
            raise
        except Exception as error:
            # bleak lets through what libraries below it raise: of D-Bus, of sockets, assertions.
            await self._let_go()
            raise LinkOpenError(explain(error, self._url)) from error
        finally:
            self._opening = None

    async def _open(self) -> SeenBoard:
        from bleak import BleakClient

        settings = self._settings
        seen = await self._finder.find(settings.find_s)
        client = BleakClient(
            seen.device, self._lost, [SERVICE, BATTERY, DEVICE_INFORMATION],
            timeout=settings.connect_s, pair=settings.pair,
        )  # fmt: skip
        self._client = client
        await bounded(client.connect(), settings.connect_s + 1)
        self._from_board = client.services.get_characteristic(BOARD_TO_HOST)
        self._to_board = client.services.get_characteristic(HOST_TO_BOARD)
        if self._from_board is None or self._to_board is None:
            raise LinkOpenError(
                f"{seen} calls itself a lie board but does not offer what one must: see "
                "firmware_notes/ble.md, or choose another (lieboard boards)"
            )
        try:
            await bounded(self._subscribe(client, self._from_board), settings.subscribe_s)
        except TimeoutError as error:
            raise LinkOpenError(
                f"{seen} does not confirm that it will send: press its reset button"
            ) from error
        self._heard_s = time.monotonic()
        self._help(self._watch(client))
        return seen

    async def _subscribe(
        self, client: BleakClient, characteristic: BleakGATTCharacteristic
    ) -> None:
        from bleak.exc import BleakError

        if sys.platform == "linux":
            try:
                # A socket of its own for the notifications: faster, and no message bus in between.
                await client.start_notify(
                    characteristic, self._notified, bluez={"use_start_notify": False}
                )
            except BleakError as error:
                if not client.is_connected:
                    raise
                _log.info("%s: no socket for notifications: %s", self._url, error)
            else:
                return
        await client.start_notify(characteristic, self._notified)

    # -- while open ----------------------------------------------------------------------------

    def _notified(self, _: BleakGATTCharacteristic, data: bytearray) -> None:
        arrival_ns = time.monotonic_ns()
        self._heard_s = arrival_ns / 1e9
        self._heard_count += 1
        self._on_chunk(Chunk(bytes(data), arrival_ns))

    async def write(self, data: bytes) -> None:
        """Send all of ``data``; one piece at a time is on its way, in the order of the calls.

        Raises
        ------
        LinkClosedError, LinkTimeoutError
        """
        from bleak.exc import BleakError

        async with self._writing:
            client, characteristic = self._client, self._to_board
            if self._over is not None:
                raise LinkClosedError(str(self._over))
            if self._closing or client is None or characteristic is None:
                raise LinkClosedError(f"the link to {self._url} is not open")
            unanswered = "write-without-response" in characteristic.properties
            size = max(_LEAST_WRITE_BYTES, characteristic.max_write_without_response_size)
            try:
                async with asyncio.timeout(self._settings.write_s):
                    for start in range(0, len(data), size):
                        piece = data[start : start + size]
                        await client.write_gatt_char(characteristic, piece, response=not unanswered)
            except TimeoutError as error:
                raise LinkTimeoutError(
                    f"{self._url} takes no more bytes: the board hangs; press its reset button"
                ) from error
            except (BleakError, OSError, EOFError, AssertionError) as error:
                self._end(went_away(self._url) if not client.is_connected
                          else explain(error, self._url))  # fmt: skip
                raise LinkClosedError(str(self._over)) from error

    async def _watch(self, client: BleakClient) -> None:
        """Ask something of a board that has gone quiet, and end the link if no answer comes."""
        from bleak.exc import BleakGATTProtocolError

        settings = self._settings
        question = _something_to_read(client)
        while self._over is None:
            await asyncio.sleep(settings.quiet_s / 6)
            if not client.is_connected:
                self._end(went_away(self._url))
            if question is None or time.monotonic() - self._heard_s < settings.quiet_s:
                continue
            try:
                await bounded(client.read_gatt_char(question), settings.answer_s)
            except BleakGATTProtocolError:
                # A refusal is an answer.
                pass
            except TimeoutError:
                self._end(went_away(self._url))
            except Exception as error:  # noqa: BLE001 - whatever it is, there is no link any more
                self._end(explain(error, self._url))
            self._heard_s = time.monotonic()

    def _lost(self, _: BleakClient) -> None:
        if not self._closing:
            self._end(went_away(self._url))

    def _end(self, text: str) -> None:
        if self._over is None:
            self._over = LinkClosedError(text)
            self._help(self._tell_end(self._over))

    async def _tell_end(self, error: LinkClosedError) -> None:
        count = -1
        while count != self._heard_count:
            count = self._heard_count
            await asyncio.sleep(_LAST_WORDS_S)
        self._on_end(error)

    def _help(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._helpers.add(task)
        task.add_done_callback(self._helpers.discard)

    # -- close ---------------------------------------------------------------------------------

    async def close(self) -> None:
        """Give back the connection; never raises."""
        self._closing = True
        if self._opening is not None:
            await put_down(self._opening)
        await self._let_go()

    async def _let_go(self) -> None:
        client, self._client = self._client, None
        for helper in list(self._helpers):
            helper.cancel()
        if client is None:
            return
        if client.is_connected and self._from_board is not None:
            # Closes the socket of the notifications here and now.
            await _quietly(client.stop_notify(self._from_board), 1.0)
        # Also after the board itself ended the connection: bleak keeps one connection to the
        # message bus for each client until this is called.
        await _quietly(client.disconnect(), self._settings.let_go_s)


async def _quietly(work: Coroutine[Any, Any, None], limit_s: float) -> None:
    try:
        await bounded(work, limit_s)
    except Exception as error:  # noqa: BLE001 - a link that is given up has nobody to tell
        _log.debug("while letting go: %r", error)


def _something_to_read(client: BleakClient) -> BleakGATTCharacteristic | None:
    """Choose what to ask a quiet board: any value that it lets itself be asked for."""
    level = client.services.get_characteristic(BATTERY_LEVEL)
    every = [one for service in client.services for one in service.characteristics]
    for one in ([level] if level is not None else []) + every:
        if "read" in one.properties:
            return one
    return None
