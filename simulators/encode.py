"""Protocol 1 as a board speaks it: its own messages to bytes, a host's bytes to messages.

Written from ``firmware_notes/wire.md`` alone and sharing no code with the logger, so that a mistake
of either side shows up against the other. The section numbers below are those of that file.
"""

from __future__ import annotations

import binascii
import struct
import zlib
from dataclasses import dataclass

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

# Section 2.1: type byte, payload and CRC together.
MAX_DECODED_BYTES = 512
MIN_DECODED_BYTES = 5
# Section 2.1: 512 + 3 bytes of COBS overhead, the final 0x00 not counted here.
MAX_ENCODED_BYTES = 515

HELLO, READING, STRIKE_SCANS, STATUS, CLOCK_REPLY, BUTTON = range(0x01, 0x07)
ASK_HELLO, ASK_CLOCK, CONFIRM, SEND_AGAIN, SET_TRIGGER = range(0x21, 0x26)

# Section 2.6.
BEGINS, ENDS, SUMS_UP, SATURATED, EDGE, AFTER_DROP, STILL_LOADED, LATE_START = (
    1 << bit for bit in range(8)
)

TRAIL_UNKNOWN = -32768
NOT_KNOWN_U16 = 65535
BUTTON_WORDS = {1: "next", 2: "back", 3: "previous"}

_STRIKE_HEAD = struct.Struct("<IBBBBBBBI")
_HOST_PAYLOADS = {
    ASK_HELLO: struct.Struct("<BB"),
    ASK_CLOCK: struct.Struct("<I"),
    CONFIRM: struct.Struct("<II"),
    SEND_AGAIN: struct.Struct("<II"),
    SET_TRIGGER: struct.Struct("<H"),
}


def frame(kind: int, payload: bytes) -> bytes:
    """One encoded frame with its final 0x00 (section 2.1)."""
    body = bytes([kind]) + payload
    decoded = body + zlib.crc32(body).to_bytes(4, "little")
    if len(decoded) > MAX_DECODED_BYTES:
        raise ValueError(f"a frame of {len(decoded)} bytes does not fit protocol 1")
    return bytes(cobs.encode(decoded)) + b"\x00"


@dataclass(frozen=True, kw_only=True)
class Hello:
    """What a board says of itself (section 2.4)."""

    board_id: bytes
    boot_id: int
    firmware: tuple[int, int, int]
    tick_hz: int
    rows: int
    cells: int
    pitch_um: int
    row_distance_um: int
    scan_order: int
    scan_ticks: int
    full_scale: int
    trigger_level: int
    oldest_kept: int
    next_sequence: int
    abilities: int
    name: str
    protocol_major: int = 1
    protocol_minor: int = 0

    def encode(self) -> bytes:
        """Make the whole frame."""
        name = self.name.encode("ascii")
        if len(name) > 24:
            raise ValueError("a board's name has at most 24 characters")
        head = struct.pack("<BB8sI3B", self.protocol_major, self.protocol_minor, self.board_id,
                           self.boot_id, *self.firmware)  # fmt: skip
        grid = struct.pack("<IBBHHBI", self.tick_hz, self.rows, self.cells, self.pitch_um,
                           self.row_distance_um, self.scan_order, self.scan_ticks)  # fmt: skip
        rest = struct.pack("<HHIIBB", self.full_scale, self.trigger_level, self.oldest_kept,
                           self.next_sequence, self.abilities, len(name))  # fmt: skip
        return frame(HELLO, head + grid + rest + name)


def reading(
    *, sequence: int, ticks: int, position: int, trail: int, pressure: int, flags: int,
    span_ticks: int,
) -> bytes:  # fmt: skip
    """Make a reading's frame; position and trail in 0.01 mm."""
    return frame(READING, struct.pack("<IIhhHBI", sequence, ticks, position, trail, pressure, flags,
                                      span_ticks))  # fmt: skip


def strike_part(
    *, sequence: int, part: int, parts: int, flags: int, value_bytes: int, span_ticks: int,
    scan_ticks: NDArray[np.uint32], counts: NDArray[np.uint16],
) -> bytes:  # fmt: skip
    """One part of a strike; `scan_ticks` has shape (scans,), `counts` (scans, rows, cells)."""
    scans, rows, cells = counts.shape
    if value_bytes == 1 and int(counts.max()) > 255:
        raise ValueError("a value over 255 does not fit one byte")
    head = _STRIKE_HEAD.pack(sequence, part, parts, flags, value_bytes, rows, cells, scans,
                             span_ticks)  # fmt: skip
    values = counts.astype("<u1" if value_bytes == 1 else "<u2")
    body = b"".join(
        int(ticks).to_bytes(4, "little") + scan.tobytes()
        for ticks, scan in zip(scan_ticks, values, strict=True)
    )
    return frame(STRIKE_SCANS, head + body)


def scans_per_part(rows: int, cells: int, value_bytes: int) -> int:
    """How many scans fit one frame."""
    room = MAX_DECODED_BYTES - MIN_DECODED_BYTES - _STRIKE_HEAD.size
    return room // (4 + rows * cells * value_bytes)


def strike(
    *, sequence: int, flags: int, span_ticks: int, scan_ticks: NDArray[np.uint32],
    counts: NDArray[np.uint16], value_bytes: int = 2,
) -> list[bytes]:  # fmt: skip
    """All parts of a strike, as few as will do."""
    scans, rows, cells = counts.shape
    step = scans_per_part(rows, cells, value_bytes)
    starts = range(0, scans, step)
    return [
        strike_part(sequence=sequence, part=part, parts=len(starts), flags=flags,
                    value_bytes=value_bytes, span_ticks=span_ticks,
                    scan_ticks=scan_ticks[start:start + step],
                    counts=counts[start:start + step])
        for part, start in enumerate(starts)
    ]  # fmt: skip


def status(
    *, ticks: int, supply_mv: int, temperature: int, noise: int, trigger_level: int, kept: int,
    dropped: int, bad_frames: int, oldest_kept: int, next_sequence: int,
) -> bytes:  # fmt: skip
    """Make a status frame; temperature in 0.1 degree, noise in 1/16 count."""
    return frame(STATUS, struct.pack("<IHhHHHIHII", ticks, supply_mv, temperature, noise,
                                     trigger_level, kept, dropped, bad_frames, oldest_kept,
                                     next_sequence))  # fmt: skip


def clock_reply(*, token: int, received_ticks: int, sent_ticks: int) -> bytes:
    """Make the answer to *ask clock*."""
    return frame(CLOCK_REPLY, struct.pack("<III", token, received_ticks, sent_ticks))


def button(*, sequence: int, ticks: int, action: int) -> bytes:
    """Make the record of a press of the foot switch."""
    return frame(BUTTON, struct.pack("<IIB", sequence, ticks, action))


def _decimal(value: float) -> str:
    """Write a plain decimal with at most two places; no exponent, no ``-0`` (section 3.1)."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def text_line(
    *, n: int | None = None, t: int | None = None, x: float | None = None, y: float | None = None,
    p: int | None = None, d: int | None = None, k: str | None = None, b: str | None = None,
    checksum: bool = False,
) -> bytes:  # fmt: skip
    """One text line with its LF (section 3); keys as in the format."""
    fields: list[str] = []
    for key, value in (("n", n), ("t", t), ("x", x), ("y", y), ("p", p), ("d", d), ("k", k),
                       ("b", b)):  # fmt: skip
        if value is None:
            continue
        fields.append(f"{key}={value if isinstance(value, int | str) else _decimal(value)}")
    line = " ".join(["LB1", *fields])
    if checksum:
        # The CRC covers the space before the star: CRC-16/IBM-3740, which is crc_hqx from 0xFFFF.
        covered = line + " "
        line = f"{covered}*{binascii.crc_hqx(covered.encode('ascii'), 0xFFFF):04X}"
    if len(line) > 120:
        raise ValueError("a text line has at most 120 characters")
    return line.encode("ascii") + b"\n"


@dataclass(frozen=True)
class FromHost:
    """A host's message: its type and the numbers of its payload, in the order of section 2.5."""

    kind: int
    values: tuple[int, ...]


class HostDecoder:
    """Cut a host's byte stream into messages, counting what has to be dropped (section 2.2)."""

    def __init__(self) -> None:
        self.bad_frames = 0
        self.unknown_frames = 0
        self._held = bytearray()
        self._overlong = False

    def feed(self, data: bytes) -> list[FromHost]:
        """Take bytes as they come, return the messages that they complete."""
        messages: list[FromHost] = []
        *ended, tail = data.split(b"\x00")
        for piece in ended:
            self._hold(piece)
            encoded, overlong = bytes(self._held), self._overlong
            self._held.clear()
            self._overlong = False
            if overlong:
                self.bad_frames += 1
            elif encoded and (message := self._decode(encoded)) is not None:
                messages.append(message)
        self._hold(tail)
        return messages

    def _hold(self, piece: bytes) -> None:
        if self._overlong or len(self._held) + len(piece) > MAX_ENCODED_BYTES:
            self._overlong = True
            self._held.clear()
        else:
            self._held += piece

    def _decode(self, encoded: bytes) -> FromHost | None:
        try:
            decoded = bytes(cobs.decode(encoded))
        except cobs.DecodeError:
            decoded = b""
        if not MIN_DECODED_BYTES <= len(decoded) <= MAX_DECODED_BYTES:
            self.bad_frames += 1
            return None
        body, crc = decoded[:-4], int.from_bytes(decoded[-4:], "little")
        if zlib.crc32(body) != crc:
            self.bad_frames += 1
            return None
        layout = _HOST_PAYLOADS.get(body[0])
        if layout is None:
            self.unknown_frames += 1
            return None
        if len(body) - 1 < layout.size:
            self.bad_frames += 1
            return None
        # A longer payload is a later minor version's: what is known of it is read.
        return FromHost(body[0], tuple(layout.unpack_from(body, 1)))
