"""Names of what a board offers over Bluetooth LE: the table in ``firmware_notes/ble.md``."""

from __future__ import annotations

SERVICE = "720a8aa6-4ceb-490e-b463-69638404525d"
BOARD_TO_HOST = "720a8aa7-4ceb-490e-b463-69638404525d"
"""Notifies the board's byte stream of protocol 1."""
HOST_TO_BOARD = "720a8aa8-4ceb-490e-b463-69638404525d"
"""Takes the host's frames."""

BATTERY = "0000180f-0000-1000-8000-00805f9b34fb"
BATTERY_LEVEL = "00002a19-0000-1000-8000-00805f9b34fb"
DEVICE_INFORMATION = "0000180a-0000-1000-8000-00805f9b34fb"

BOARD_ID_BYTES = 8
"""Length of the service data in an advertisement: the board id as in *hello*."""
