"""One line that says why Bluetooth did not do what was asked, and what to do about it."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from logger.errors import LieboardError

if TYPE_CHECKING:
    from collections.abc import Mapping

_WIRED = "or use the board by its cable"

# Where a person switches Bluetooth on, and where a program is allowed to use it.
_SWITCH: Mapping[str, str] = {
    "linux": "switch it on (bluetoothctl power on; rfkill unblock bluetooth if that is refused)",
    "darwin": "switch it on in System Settings, Bluetooth",
    "win32": "switch it on in Settings, Bluetooth & devices",
}
_PERMISSION: Mapping[str, str] = {
    "darwin": "allow the terminal program in System Settings, Privacy & Security, Bluetooth",
    "win32": "allow it in Settings, Privacy & security, and ask whoever runs this machine",
}
_NO_SERVICE: Mapping[str, str] = {
    "linux": "start it (sudo systemctl start bluetooth) or install it (package bluez)",
    "darwin": "restart this computer",
    "win32": "start the Bluetooth Support Service",
}


def explain(error: BaseException, board: str, system: str = sys.platform) -> str:
    """Say in one line what to do after ``error`` from bleak.

    Parameters
    ----------
    error
        What bleak, or the library below it, raised.
    board
        How the person called the board.
    system
        As `sys.platform`.
    """
    from bleak.exc import (
        BleakBluetoothNotAvailableError,
        BleakDBusError,
        BleakDeviceNotFoundError,
        BleakGATTProtocolError,
    )

    if isinstance(error, LieboardError):
        return str(error)
    text = " ".join(str(error).split()) or type(error).__name__
    if isinstance(error, BleakBluetoothNotAvailableError):
        return _not_available(error, system)
    if isinstance(error, BleakDeviceNotFoundError):
        return f"{board} is not on the air any more: bring it closer and try again"
    if isinstance(error, BleakGATTProtocolError):
        return _refused_by_board(int(error.code), board, text)
    if isinstance(error, BleakDBusError):
        return _by_daemon(error.dbus_error, text, board, system)
    if isinstance(error, TimeoutError):
        return f"{board} does not answer: it went out of reach, or hangs; press its reset button"
    if "BlueZ >=" in text:
        return (
            "the Bluetooth software of this computer (BlueZ) is too old: update it to 5.55 or "
            f"newer, {_WIRED}"
        )
    if isinstance(error, OSError | EOFError):
        # The message bus itself is missing, or went away.
        return f"this computer's Bluetooth service cannot be reached: {_of(_NO_SERVICE, system)}"
    if "disconnected" in text.lower():
        return f"{board} closed the connection: bring it closer and try again"
    if "adapter" in text.lower() and "not found" in text.lower():
        return f"the Bluetooth adapter is gone: plug it in again, {_WIRED}"
    return f"{board} did not open: {text}"


def went_away(board: str) -> str:
    """Say that a connection ended."""
    return f"{board} is out of reach or switched off; what it keeps comes when it is back"


def service_hangs(system: str = sys.platform) -> str:
    """Say that the system's own Bluetooth does not answer."""
    advice = {"linux": "restart it (sudo systemctl restart bluetooth)"}
    return f"this computer's Bluetooth service does not answer: {_of(advice, system)}"


def _not_available(error: BaseException, system: str) -> str:
    from bleak.exc import BleakBluetoothNotAvailableReason as Reason

    reason = getattr(error, "reason", None)
    if reason is Reason.POWERED_OFF:
        return f"Bluetooth is off: {_of(_SWITCH, system)}"
    if reason is Reason.NO_BLUETOOTH:
        return f"this computer has no Bluetooth adapter: plug one in, {_WIRED}"
    if reason is Reason.NO_BLE_CENTRAL_ROLE:
        return (
            "this computer's Bluetooth adapter cannot do Bluetooth LE: use another adapter, "
            f"{_WIRED}"
        )
    if reason in (Reason.DENIED_BY_USER, Reason.DENIED_BY_SYSTEM, Reason.DENIED_BY_UNKNOWN):
        return _not_permitted(system)
    return f"Bluetooth cannot be used now: {_of(_SWITCH, system)}"


def _by_daemon(name: str, text: str, board: str, system: str) -> str:
    kind = name.rpartition(".")[2]
    if kind in ("ServiceUnknown", "NameHasNoOwner", "NoReply", "Disconnected", "NoServer"):
        return f"this computer's Bluetooth service does not run: {_of(_NO_SERVICE, system)}"
    if kind in ("AccessDenied", "AuthFailed"):
        return _not_permitted(system)
    if kind == "LimitsExceeded":
        return "this program holds too many connections to the message bus: start it again"
    if kind == "NotReady":
        return f"Bluetooth is off: {_of(_SWITCH, system)}"
    if kind == "UnknownObject":
        return f"{board} or the Bluetooth adapter is gone: plug the adapter in, bring it closer"
    if kind.startswith("Authentication"):
        return (
            f"{board} refused to pair: let it forget this computer (its own pairing button) and "
            f"this computer forget it, then try again with --pair"
        )
    if "Not paired" in text:
        return f"{board} talks to paired computers only: add --pair"
    if "Notify acquired" in text:
        return f"{board} is in use by another program on this computer; close that one"
    if kind == "InProgress":
        return "another program is using Bluetooth for the same just now; try again in a moment"
    if "abort" in text or "Not connected" in text:
        return f"the connection to {board} broke off: bring it closer and try again"
    if kind in ("Failed", "ConnectionAttemptFailed"):
        return (
            f"{board} did not accept the connection: another computer or a phone may hold it, or "
            f"it is out of reach ({text.partition('] ')[2] or text})"
        )
    return f"{board} did not open: {text}"


def _refused_by_board(code: int, board: str, text: str) -> str:
    # Core specification, volume 3, part F, table 3.4: authentication, authorization, encryption.
    if code in (0x05, 0x08, 0x0C, 0x0F):
        return f"{board} talks to paired computers only: add --pair"
    return f"{board} refused what was asked of it ({text})"


def _not_permitted(system: str) -> str:
    if system != "linux":
        return f"this program may not use Bluetooth: {_of(_PERMISSION, system)}"
    hint = "ask whoever runs this machine"
    try:
        import grp

        grp.getgrnam("bluetooth")
        hint = "run `sudo usermod -aG bluetooth $USER`, then log out and in again"
    except (ImportError, KeyError):
        pass
    return f"this user may not use Bluetooth: {hint}"


def _of(table: Mapping[str, str], system: str) -> str:
    return table.get(system, "switch Bluetooth off and on in this system's settings")
