"""Which boards are on the air, and which of them is meant. Runs on the Bluetooth loop."""

from __future__ import annotations

import asyncio
import contextlib
import re
import sys
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.errors import LinkOpenError, UsageError
from logger.links.ble_scan import shared_scan
from logger.links.ble_trouble import service_hangs
from logger.links.bounded import bounded
from logger.links.gatt import BOARD_ID_BYTES, SERVICE

if TYPE_CHECKING:
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

_BOARD_ID = re.compile(r"[0-9A-Fa-f]{16}")
# As radios write it; macOS gives each device a UUID of its own instead.
_ADDRESS = re.compile(
    r"([0-9A-F]{2}[:-]){5}[0-9A-F]{2}|[0-9A-F]{8}(-[0-9A-F]{4}){3}-[0-9A-F]{12}", re.IGNORECASE
)
# A second board of the same name is heard within a few of its advertisements, which come at least
# once a second (firmware_notes/ble.md, "On the air").
_TWIN_S = 1.2
# How long a system's Bluetooth service may take for its own part; it answers within milliseconds.
_GRACE_S = 3.0
_SHORT_NAME = 8
_MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class SeenBoard:
    """A board that was heard."""

    name: str
    address: str
    board_id: str | None
    """16 hex digits; None if its advertisement does not say."""
    rssi_dbm: int | None
    device: BLEDevice

    @property
    def key(self) -> str:
        """What names it for ever: its id, or its address if it does not say its id."""
        return self.board_id or self.address.upper()

    @property
    def url(self) -> str:
        """Where to log from."""
        return f"ble://{self.key}"

    def __str__(self) -> str:
        return f"{self.name} ({self.key})"


class BoardFinder:
    """Finds one board by name, address or board id, and stays with the one it found first.

    Parameters
    ----------
    target
        What a person typed.
    """

    def __init__(self, target: str) -> None:
        if not target:
            raise UsageError(
                "ble:// needs a board: ble://NAME, ble://ADDRESS or ble://BOARD-ID; "
                "'lieboard boards' lists those on the air"
            )
        self.target = target
        self._address: str | None = None

    async def find(self, limit_s: float) -> SeenBoard:
        """Listen until the board is heard.

        Raises
        ------
        LinkOpenError
            It is not there, or several are called the same, or nobody answers at all.
        """
        try:
            return await bounded(self._find(limit_s), limit_s + _TWIN_S + _GRACE_S)
        except TimeoutError as error:
            raise LinkOpenError(service_hangs()) from error

    async def _find(self, limit_s: float) -> SeenBoard:
        if (held := await self._already_connected()) is not None:
            return held
        heard: dict[str, SeenBoard] = {}
        news = asyncio.Event()
        found_it = False

        def hear(seen: SeenBoard) -> None:
            heard[seen.address] = seen
            news.set()

        async with listening(hear):
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(limit_s):
                    while not any(map(self._is_meant, heard.values())):
                        news.clear()
                        await news.wait()
                    found_it = True
            if found_it and not self._is_exact:
                # The name fits; give a second one of that name the time to be heard.
                await asyncio.sleep(_TWIN_S)
        found = [seen for seen in heard.values() if self._is_meant(seen)]
        if not found:
            raise LinkOpenError(_nobody(self.target, list(heard.values())))
        if len(found) > 1:
            raise LinkOpenError(_several(self.target, found))
        self._address = found[0].address
        return found[0]

    @property
    def _is_exact(self) -> bool:
        known = self._address is not None
        return known or bool(_ADDRESS.fullmatch(self.target) or _BOARD_ID.fullmatch(self.target))

    def _is_meant(self, seen: SeenBoard) -> bool:
        if self._address is not None:
            return seen.address == self._address
        if _ADDRESS.fullmatch(self.target):
            return _bare(seen.address) == _bare(self.target)
        if _BOARD_ID.fullmatch(self.target):
            return seen.board_id == self.target.lower()
        # An advertisement has room for the first eight characters (firmware_notes/ble.md).
        name, wanted = seen.name.casefold(), self.target.casefold()
        return name == wanted or (len(name) >= _SHORT_NAME and wanted.startswith(name))

    async def _already_connected(self) -> SeenBoard | None:
        """Find the board among those the system holds: one in use does not advertise."""
        from bleak import BleakAdapter
        from bleak.exc import BleakError

        held: list[BLEDevice] = []
        with contextlib.suppress(NotImplementedError, BleakError):
            adapter = await BleakAdapter.get()
            held = await adapter.get_connected_devices([SERVICE])
        for device in held:
            name = device.name or device.address
            seen = SeenBoard(name, device.address, _id_in_system(device), None, device)
            if not self._is_meant(seen):
                continue
            if sys.platform == "linux":
                from logger.links.ble_linux import Held, held_here

                really = await held_here(device)
                if really is Held.IN_USE:
                    raise LinkOpenError(
                        f"{seen} is in use by another program on this computer; close that one"
                    )
                if really is Held.NOT_AT_ALL:
                    continue
            self._address = seen.address
            return seen
        return None


@contextlib.asynccontextmanager
async def listening(hear: Callable[[SeenBoard], None]) -> AsyncIterator[None]:
    """Tell ``hear`` of every advertisement of a board."""

    def detected(device: BLEDevice, said: AdvertisementData) -> None:
        name = said.local_name or device.name or device.address
        hear(SeenBoard(name, device.address, _board_id(said.service_data), said.rssi, device))

    async with shared_scan().listening(detected):
        yield


async def scan(seconds: float, hear: Callable[[SeenBoard], None]) -> list[SeenBoard]:
    """Listen for a while; return all boards heard, the nearest first.

    Raises
    ------
    LinkOpenError
        The system's Bluetooth service does not answer.
    """
    heard: dict[str, SeenBoard] = {}

    def note(seen: SeenBoard) -> None:
        if seen.address not in heard:
            hear(seen)
        heard[seen.address] = seen

    async def listen() -> None:
        async with listening(note):
            await asyncio.sleep(seconds)

    try:
        await bounded(listen(), seconds + _GRACE_S)
    except TimeoutError as error:
        raise LinkOpenError(service_hangs()) from error
    return sorted(heard.values(), key=lambda seen: (-(seen.rssi_dbm or -999), seen.name))


def _board_id(service_data: dict[str, bytes]) -> str | None:
    said = service_data.get(SERVICE, b"")
    return bytes(said).hex() if len(said) == BOARD_ID_BYTES else None


def _id_in_system(device: BLEDevice) -> str | None:
    # Linux remembers the last advertisement; bleak hands it through as it is.
    details = device.details
    props = details.get("props", {}) if isinstance(details, dict) else {}
    return _board_id(props.get("ServiceData", {}))


def _bare(address: str) -> str:
    return address.replace(":", "").replace("-", "").upper()


def _several(target: str, found: list[SeenBoard]) -> str:
    keys = ", ".join(sorted(seen.url for seen in found))
    return f"{len(found)} boards are called {target}; say which: {keys}"


def _nobody(target: str, heard: list[SeenBoard]) -> str:
    start = f"no board {target} on the air"
    advice = (
        "switch it on and bring it closer; a board that another computer or a phone holds "
        "does not show"
    )
    if not heard:
        return f"{start}: {advice}"
    named = ", ".join(str(seen) for seen in heard[:_MOST_NAMED])
    return f"{start}; here are: {named}. Else {advice}"
