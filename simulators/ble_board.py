"""A board's end of a Bluetooth LE link, as a real host finds it through the system's daemon.

The host talks to a daemon that is not there (`simulators.ble_daemon`) over a message bus that is
(`simulators.ble_bus`); a line of JSON tells what it needs in its environment for that. On standard
input, beside what `simulators.serial_board` obeys:

    drop 1.5            the board closes the connection, and is silent on the air for 1.5 s
    vanish 3            out of range for 3 s: the connection ends after a while, nobody says goodbye
    range on            or off: the same for as long as you like
    refuse 2            the next two attempts to connect fail
    held on             or off: another computer has the board
    discovery 1.5       services are known only after 1.5 s
    answers off         or on: no request is answered (a subscription is never confirmed)
    mtu 23              what the next connections agree on
    spoil cut 0.1       or merge, repeat, flip, garbage: what happens to notifications, by chance
    adapter remove      or off, on: pulled out, switched off, back
    daemon 2            the daemon is killed and comes back after 2 s
    burst 500           the board makes 500 readings at once
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from simulators.ble_bus import PrivateBus
from simulators.ble_daemon import BluetoothDaemon
from simulators.ble_gatt import board_services, foreign_services
from simulators.ble_peripheral import Peripheral
from simulators.line_ends import MAX_UNREAD_BYTES, Events

# What a radio needs to give up a connection out of range; a real one has 0.1 to 32 s.
SUPERVISION_S = 0.3
SPOILS = ("cut", "merge", "repeat", "flip", "garbage")


@dataclass(frozen=True, kw_only=True)
class BleOptions:
    """How the board is on the air; see `parse_ble` for the words."""

    address: str = "C0:00:5E:00:53:10"
    mtu: int = 247
    # Notifications in one connection event, and events apart; 0 = as fast as the bus takes them.
    per_event: int = 0
    event_s: float = 0.015
    acquire: bool = True
    id_in_advertisement: bool = True
    wants_pairing: bool = False
    refuses_pairing: bool = False
    # Further devices that advertise our service: boards of the same name, and ones with nothing
    # behind it.
    twins: int = 0
    pretenders: int = 0
    adapter: str = "on"
    central: bool = True
    permitted: bool = True
    version: str = "5.66"


def parse_ble(spec: str) -> BleOptions:
    """Read ``mtu=23,acquire=no,twins=1`` and the like.

    Raises
    ------
    ValueError
        Names the part that cannot be read.
    """
    made: dict[str, object] = {}
    kinds = {name: type(value) for name, value in vars(BleOptions()).items()}
    for part in filter(None, (p.strip() for p in spec.split(","))):
        name, _, value = part.partition("=")
        kind = kinds.get(name)
        if kind is None:
            raise ValueError(f"cannot read {part!r}; a radio has {', '.join(kinds)}")
        try:
            made[name] = {"yes": True, "no": False}[value] if kind is bool else kind(value)
        except (ValueError, KeyError):
            raise ValueError(f"cannot read {part!r}; give yes, no or a number") from None
    return BleOptions(**made)  # type: ignore[arg-type]


class BleEnd:
    """A `simulators.line_ends.LineEnd` over Bluetooth LE."""

    def __init__(
        self, events: Events, options: BleOptions, *, board_id: bytes, name: str, battery: bool,
        rng: np.random.Generator,
    ) -> None:  # fmt: skip
        self.connected = False
        self.url = f"ble://{board_id.hex()}"
        self.env: dict[str, str] = {}
        self._events = events
        self._options = options
        self._rng = rng
        self._unsent = bytearray()
        self._held = b""
        self._notifying = 0
        self._spoils: dict[str, float] = {}
        self._wake = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._bus = PrivateBus(version=options.version, denied=not options.permitted)
        self.board = Peripheral(
            options.address, name, board_services(board_id=board_id, name=name, battery=battery),
            board_id if options.id_in_advertisement else None, mtu=options.mtu,
            wants_pairing=options.wants_pairing, refuses_pairing=options.refuses_pairing,
            on_subscribed=self._subscribed, on_unsubscribed=self._unsubscribed,
            on_write=events.on_data,
        )  # fmt: skip
        self._daemon = self._make_daemon(board_id, name)

    def _make_daemon(self, board_id: bytes, name: str) -> BluetoothDaemon:
        others = []
        for number in range(self._options.twins):
            other_id = board_id[:-1] + bytes([(board_id[-1] + 1 + number) % 256])
            others.append(Peripheral(_next_address(self._options.address, 1 + number), name,
                                     board_services(board_id=other_id, name=name, battery=False),
                                     other_id, rssi_dbm=-71))  # fmt: skip
        for number in range(self._options.pretenders):
            others.append(Peripheral(_next_address(self._options.address, 0x40 + number),
                                     f"pretender {number}", foreign_services(), b"not an id",
                                     rssi_dbm=-40))  # fmt: skip
        return BluetoothDaemon(
            self._bus.address, [self.board, *others], central=self._options.central,
            powered=self._options.adapter == "on", offers_acquire=self._options.acquire,
        )  # fmt: skip

    # -- the life of a line --------------------------------------------------------------------

    async def open(self) -> None:
        """Start the bus and the daemon, and begin to advertise."""
        await self._bus.open()
        self.env = self._bus.env
        if self._options.adapter != "absent-daemon":
            await self._daemon.open()
        if self._options.adapter == "absent":
            self._daemon.present = False
        self._start(self._send())

    def write(self, data: bytes) -> None:
        """Queue bytes for notifications; lost if nobody is subscribed."""
        if self.connected and len(self._unsent) <= MAX_UNREAD_BYTES:
            self._unsent += data
            self._wake.set()

    async def drop(self, length_s: float) -> None:
        """End the connection from the board's side and rest a while."""
        self.board.resting = True
        self._daemon.link_lost(self.board)
        await asyncio.sleep(length_s)
        self.board.resting = False

    async def close(self) -> None:
        """Stop everything."""
        for task in self._tasks:
            task.cancel()
        await self._daemon.close()
        await self._bus.close()

    def _start(self, work: object) -> None:
        task: asyncio.Task[None] = asyncio.create_task(work)  # type: ignore[arg-type]
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    @property
    def unsent(self) -> int:
        """Bytes that were not notified yet."""
        return len(self._unsent) + self._notifying

    # -- notifications -------------------------------------------------------------------------

    def _subscribed(self) -> None:
        self.connected = True
        self._unsent.clear()
        self._held = b""
        self._events.on_connect()

    def _unsubscribed(self) -> None:
        self.connected = False
        self._unsent.clear()
        self._events.on_disconnect()

    async def _send(self) -> None:
        while True:
            self._wake.clear()
            sent = 0
            while self._unsent and self.board.in_range:
                size = self.board.mtu - 3
                piece = bytes(self._unsent[:size])
                del self._unsent[:size]
                self._notifying = len(piece)
                for value in self._spoiled(piece):
                    await self._daemon.notify(self.board, value)
                    sent += 1
                    if self._options.per_event and sent % self._options.per_event == 0:
                        await asyncio.sleep(self._options.event_s)
                self._notifying = 0
                if sent % 16 == 0:
                    await asyncio.sleep(0)
            await self._wake.wait()

    def _spoiled(self, piece: bytes) -> list[bytes]:
        """Return what becomes of one notification."""
        chance = {name: self._rng.random() < p for name, p in self._spoils.items()}
        piece, self._held = self._held + piece, b""
        if chance.get("merge"):
            self._held = piece
            return []
        if chance.get("cut"):
            piece = piece[: int(self._rng.integers(0, len(piece)))]
        if chance.get("flip") and piece:
            at = int(self._rng.integers(0, len(piece)))
            piece = piece[:at] + bytes([piece[at] ^ 0x10]) + piece[at + 1 :]
        if chance.get("garbage"):
            piece = self._rng.bytes(len(piece))
        return [piece, piece] if chance.get("repeat") else [piece]

    # -- requests ------------------------------------------------------------------------------

    def obey(self, word: str, rest: str) -> bool:
        """Do what a line on standard input asks for; False if it is none of ours.

        Raises
        ------
        ValueError
            The word is ours and the rest makes no sense.
        """
        doing = self._words.get(word)
        if doing is None:
            return False
        doing(self, rest)
        return True

    def _vanish(self, rest: str) -> None:
        length_s = float(rest)

        async def away() -> None:
            self._range("off")
            await asyncio.sleep(length_s)
            self._range("on")

        self._start(away())

    def _range(self, rest: str) -> None:
        self.board.in_range = _on(rest)
        if not self.board.in_range:
            self._start(self._supervise())

    async def _supervise(self) -> None:
        await asyncio.sleep(SUPERVISION_S)
        if not self.board.in_range:
            self._daemon.link_lost(self.board)
        # What waited for the radio goes on if the board came back in time.
        self._wake.set()

    def _refuse(self, rest: str) -> None:
        self.board.refusals = int(rest)

    def _hold(self, rest: str) -> None:
        self.board.held_by_another = _on(rest)
        if self.board.held_by_another:
            self._daemon.link_lost(self.board)

    def _discovery(self, rest: str) -> None:
        self.board.discovery_s = float(rest)

    def _answers(self, rest: str) -> None:
        self.board.answers = _on(rest)

    def _mtu(self, rest: str) -> None:
        if not 23 <= int(rest) <= 517:
            raise ValueError("an ATT_MTU is 23 to 517")
        self.board.mtu = int(rest)

    def _spoil(self, rest: str) -> None:
        name, _, chance = rest.partition(" ")
        if name not in SPOILS:
            raise ValueError(f"spoil one of {', '.join(SPOILS)}")
        self._spoils[name] = float(chance)

    def _adapter(self, rest: str) -> None:
        if rest not in ("on", "off", "remove"):
            raise ValueError("adapter on, off or remove")
        self._daemon.set_adapter(present=rest != "remove", powered=rest == "on")

    def _kill_daemon(self, rest: str) -> None:
        length_s = float(rest)

        async def gone() -> None:
            await self._daemon.close()
            await asyncio.sleep(length_s)
            await self._daemon.open()

        self._start(gone())

    _words: dict[str, Callable[[BleEnd, str], None]] = {  # noqa: RUF012
        "vanish": _vanish, "range": _range, "refuse": _refuse, "held": _hold,
        "discovery": _discovery, "answers": _answers, "mtu": _mtu, "spoil": _spoil,
        "adapter": _adapter, "daemon": _kill_daemon,
    }  # fmt: skip


def _on(word: str) -> bool:
    if word not in ("on", "off"):
        raise ValueError("say on or off")
    return word == "on"


def _next_address(address: str, step: int) -> str:
    number = (int(address.replace(":", ""), 16) + step) % 2**48
    return ":".join(f"{byte:02X}" for byte in number.to_bytes(6, "big"))
