"""One board as a radio hears it: what it advertises, who is connected, who is subscribed."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass, field

from simulators.ble_gatt import (
    BOARD_TO_HOST,
    HOST_TO_BOARD,
    Characteristic,
    Service,
    characteristics,
)


def _nothing() -> None:
    return


def _swallow(data: bytes) -> None:
    return


@dataclass(eq=False)
class Peripheral:
    """State of one board on the radio; `simulators.ble_radio` and `ble_calls` move it."""

    address: str
    name: str
    services: list[Service]
    # What the advertisement says of who it is; None = it does not say.
    advertised_id: bytes | None
    rssi_dbm: int = -58
    mtu: int = 247
    # Between the connection and the moment when the services are known.
    discovery_s: float = 0.02
    wants_pairing: bool = False
    refuses_pairing: bool = False
    # How many of the next attempts to connect fail.
    refusals: int = 0
    in_range: bool = True
    # Not advertising of its own accord, as after a drop.
    resting: bool = False
    held_by_another: bool = False
    # Whether requests over the air are answered; a write command needs no answer.
    answers: bool = True
    on_subscribed: Callable[[], None] = _nothing
    on_unsubscribed: Callable[[], None] = _nothing
    on_write: Callable[[bytes], None] = _swallow

    known: bool = False
    connected: bool = False
    resolved: bool = False
    paired: bool = False
    trusted: bool = False
    # Bus names that called StartNotify.
    notified: set[str] = field(default_factory=set)
    # The board's end of what AcquireNotify handed out.
    acquired: socket.socket | None = None
    lost: asyncio.Event = field(default_factory=asyncio.Event)

    @property
    def advertises(self) -> bool:
        """Whether it can be heard: a board in use advertises no more."""
        quiet = self.connected or self.held_by_another or self.resting
        return self.in_range and not quiet

    @property
    def subscribed(self) -> bool:
        """Whether its notifications go anywhere."""
        return bool(self.notified) or self.acquired is not None

    @property
    def board_to_host(self) -> Characteristic | None:
        """Our own notifying characteristic, if it has it."""
        return self._characteristic(BOARD_TO_HOST)

    @property
    def host_to_board(self) -> Characteristic | None:
        """Our own written characteristic, if it has it."""
        return self._characteristic(HOST_TO_BOARD)

    def _characteristic(self, uuid: str) -> Characteristic | None:
        return next((one for one in characteristics(self.services) if one.uuid == uuid), None)

    async def until_heard(self) -> None:
        """Wait until the board answers a request, which it may never do.

        Raises
        ------
        ConnectionError
            The connection ended meanwhile.
        """
        while not (self.answers and self.in_range):
            if not self.connected:
                raise ConnectionError("Not connected")
            await asyncio.sleep(0.02)

    def end_sessions(self) -> None:
        """Forget who was subscribed."""
        self.notified.clear()
        end, self.acquired = self.acquired, None
        if end is not None:
            with contextlib.suppress(RuntimeError):
                asyncio.get_running_loop().remove_reader(end)
            end.close()
