"""Whether a *hello* is one that this program can work with, wherever it comes from.

The wire, a shop's message, a file that is merged and the data file itself all ask here
(``firmware_notes/wire.md`` 2.4): what is taken in by one of them, the others can read.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, fields
from typing import Any, Final

from logger.protocol.layout import (
    MAX_CELLS,
    MAX_NAME_BYTES,
    MAX_ROWS,
    MAX_STRIP_CELLS,
    MAX_TICK_HZ,
    MIN_TICK_HZ,
    TICK_RANGE,
)
from logger.protocol.records import Ability, Hello, ScanOrder

_U32: Final = TICK_RANGE - 1
_LIMITS: Final[dict[str, tuple[int, int]]] = {
    "protocol_major": (1, 255),
    "protocol_minor": (0, 255),
    "boot_id": (0, _U32),
    "tick_hz": (MIN_TICK_HZ, MAX_TICK_HZ),
    "rows": (1, MAX_ROWS),
    "cells": (1, MAX_CELLS),
    "pitch_um": (1, 65_535),
    "row_distance_um": (0, 65_535),
    "scan_order": (0, max(ScanOrder)),
    "scan_ticks": (0, _U32),
    "full_scale": (1, 65_535),
    "trigger_level": (0, 65_535),
    "oldest_kept": (0, _U32),
    "next_sequence": (0, _U32),
    "abilities": (0, 255),
}
_BOARD_ID: Final = re.compile(r"[0-9a-f]{16}")
_LONGEST_JSON: Final = 4_096


def strip_fault(rows: int, cells: int) -> str:
    """Say why no strip has so many rows and cells; empty if one may."""
    for name, value in (("rows", rows), ("cells", cells)):
        least, most = _LIMITS[name]
        if not least <= value <= most:
            return f"{name} is {value}, must be {least} to {most}"
    if rows * cells > MAX_STRIP_CELLS:
        return f"{rows} rows of {cells} cells, must be at most {MAX_STRIP_CELLS} in all"
    return ""


def kept_fault(oldest_kept: int, next_sequence: int) -> str:
    """Say why a board cannot keep records from one number to another; empty if it can."""
    if oldest_kept > next_sequence:
        return f"oldest_kept is {oldest_kept}, must be at most next_sequence ({next_sequence})"
    return ""


def hello_fault(hello: Hello) -> str:
    """Say in one line which field cannot be; empty if the *hello* is in order."""
    for name, (least, most) in _LIMITS.items():
        value = getattr(hello, name)
        if isinstance(value, bool) or not isinstance(value, int):
            return f"{name} is not a whole number"
        if not least <= value <= most:
            wanted = (
                f"at least {least}" if most in (255, 65_535) and least else f"{least} to {most}"
            )
            return f"{name} is {value}, must be {wanted}"
    firmware = hello.firmware
    if len(firmware) != 3 or not all(
        isinstance(number, int) and not isinstance(number, bool) and 0 <= number <= 255
        for number in firmware
    ):
        return "firmware is not three numbers of 0 to 255"
    if not isinstance(hello.board_id, str) or not _BOARD_ID.fullmatch(hello.board_id):
        return "board_id is not 16 hex digits"
    if not isinstance(hello.name, str) or not (hello.name.isascii() and hello.name.isprintable()):
        return "name is not printable ASCII"
    if len(hello.name) > MAX_NAME_BYTES:
        return f"name is longer than {MAX_NAME_BYTES} letters"
    fault = strip_fault(hello.rows, hello.cells)
    if not fault and (hello.rows == 1) != (hello.row_distance_um == 0):
        fault = (
            f"row_distance_um is {hello.row_distance_um} with {hello.rows} rows, "
            "must be 0 with one row only"
        )
    return fault or kept_fault(hello.oldest_kept, hello.next_sequence)


def hello_to_json(hello: Hello) -> str:
    """Write a *hello* as the data file keeps it."""
    return json.dumps(asdict(hello))


def hello_from_json(text: object) -> Hello:
    """Read what `hello_to_json` wrote.

    Raises
    ------
    ValueError
        It is no *hello*, or one that no board can have said; the message is one line.
    """
    if not isinstance(text, str) or len(text) > _LONGEST_JSON:
        raise ValueError("it is not a short text")
    try:
        plain = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ValueError("it is not JSON") from error
    names = {field.name for field in fields(Hello)}
    if not isinstance(plain, dict) or set(plain) != names:
        raise ValueError("it has not the fields of a hello")
    firmware = plain["firmware"]
    said: dict[str, Any] = plain | {
        "firmware": tuple(firmware) if isinstance(firmware, list) else ()
    }
    fault = hello_fault(Hello(**said))
    if fault:
        raise ValueError(fault)
    said["scan_order"] = ScanOrder(plain["scan_order"])
    said["abilities"] = Ability(plain["abilities"])
    return Hello(**said)
