"""Byte layout of every message: sizes, limits, fields of ``firmware_notes/wire.md`` section 2."""

from __future__ import annotations

import struct
from enum import IntEnum
from functools import lru_cache
from typing import NamedTuple

import numpy as np

PROTOCOL_MAJOR = 1
PROTOCOL_MINOR = 0

# Section 2.1: a decoded frame is at most 512 bytes, of which the last four are the checksum.
MAX_FRAME_BYTES = 512
CHECKSUM_BYTES = 4
MAX_BODY_BYTES = MAX_FRAME_BYTES - CHECKSUM_BYTES

# Section 2.4, hello: with 128 cells one whole scan fits into a frame also at two bytes a value
# (16 + 4 + 128 * 2 bytes), so no scan is ever cut in two.
MAX_ROWS = 4
MAX_CELLS = 64
MAX_STRIP_CELLS = 128
# Section 2.4, hello: slower ticks cannot time a strike, faster ones wrap within 43 s.
MIN_TICK_HZ = 1_000
MAX_TICK_HZ = 100_000_000
MAX_NAME_BYTES = 24
# Section 1: ticks are 32 bits and wrap.
TICK_RANGE = 1 << 32
# Section 2.4, strike scans: bounds what a half-built strike can take to 32 frames.
MAX_PARTS = 32

# Section 2.4: values that stand for "not known".
NO_TRAIL = NO_TEMPERATURE = -32768
NO_NOISE = 65535
NO_SUPPLY = 0

# Section 2.6: only these flags travel, the others are the host's own.
WIRE_FLAGS = 0xFF


class MessageType(IntEnum):
    """First byte of a body, section 2.3."""

    HELLO = 0x01
    READING = 0x02
    STRIKE_SCANS = 0x03
    STATUS = 0x04
    CLOCK_REPLY = 0x05
    BUTTON = 0x06
    ASK_HELLO = 0x21
    ASK_CLOCK = 0x22
    CONFIRM = 0x23
    SEND_AGAIN = 0x24
    SET_TRIGGER = 0x25


class StrikeHead(NamedTuple):
    """The fields of a *strike scans* message before its scans."""

    type: int
    sequence: int
    part: int
    parts: int
    flags: int
    value_bytes: int
    rows: int
    cells: int
    scans: int
    span_ticks: int


# Each layout starts with the type byte, so that offsets are those of the page plus one.
HELLO = struct.Struct("<BBB8sI3BIBBHHBIHHIIBB")
READING = struct.Struct("<BIIhhHBI")
STRIKE = struct.Struct("<BIBBBBBBBI")
STATUS = struct.Struct("<BIHhHHHIHII")
CLOCK_REPLY = struct.Struct("<BIII")
BUTTON = struct.Struct("<BIIB")
ASK_HELLO = struct.Struct("<BBB")
ASK_CLOCK = struct.Struct("<BI")
BOOT_AND_SEQUENCE = struct.Struct("<BII")
SET_TRIGGER = struct.Struct("<BH")


@lru_cache(maxsize=64)
def scan_dtype(value_bytes: int, rows: int, cells: int) -> np.dtype[np.void]:
    """One scan of a strike as it lies in the payload: ticks, then counts (rows, cells)."""
    return np.dtype([("ticks", "<u4"), ("counts", f"<u{value_bytes}", (rows, cells))])
