"""Messages to and from the body of a frame, as in ``firmware_notes/wire.md`` section 2.

A *body* here is a decoded frame without its checksum: one type byte, then the payload. What cannot
be read comes back as a value (`MalformedMessage`, `UnknownMessage`), never as an exception: only a
board of a newer major protocol stops the conversation.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from logger.errors import ProtocolError
from logger.protocol import layout as wl
from logger.protocol.hello import hello_fault, kept_fault, strip_fault
from logger.protocol.records import (
    Ability,
    AskClock,
    AskHello,
    BoardMessage,
    Button,
    ButtonAction,
    ClockReply,
    Confirm,
    Flag,
    Hello,
    HostMessage,
    Reading,
    ScanOrder,
    SendAgain,
    SetTrigger,
    Status,
    StrikePart,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class MalformedMessage:
    """A known type whose payload breaks the page: dropped and counted."""

    reason: str
    """One line that names the message and the field."""
    sequence: int | None = None
    """Of a record, where it could be read: asking for it again brings the same bytes."""


@dataclass(frozen=True, slots=True)
class UnknownMessage:
    """A type (or a button's action) of a later minor version: skipped and counted."""

    type: int
    reason: str
    sequence: int | None = None


Unreadable: TypeAlias = MalformedMessage | UnknownMessage


def parse(body: bytes) -> BoardMessage | HostMessage | Unreadable:
    """Read one body.

    Raises
    ------
    ProtocolError
        If a *hello* has a greater major protocol number than ours.
    """
    if not 1 <= len(body) <= wl.MAX_BODY_BYTES:
        return MalformedMessage(f"a message has 1 to {wl.MAX_BODY_BYTES} bytes, not {len(body)}")
    layout = _LAYOUTS.get(body[0])
    if layout is None:
        return UnknownMessage(body[0], f"type 0x{body[0]:02x} is not known")
    name, fields, build = layout
    if body[0] == wl.MessageType.HELLO:
        _refuse_newer(body)
    if len(body) < fields.size:
        return MalformedMessage(
            f"{name}: {len(body) - 1} bytes, must have {fields.size - 1}", _sequence(body)
        )
    message: BoardMessage | HostMessage | Unreadable = build(body)
    return message


def encode(message: BoardMessage | HostMessage) -> bytes:
    """Write a message as a body; the inverse of `parse`.

    A strike part takes one byte a value if all its values fit, else two.

    Raises
    ------
    ValueError
        If a field is outside what the page allows.
    """
    try:
        body = _encode(message)
    except struct.error as error:
        raise ValueError(f"{type(message).__name__}: {error}") from error
    readable = parse(body)
    if isinstance(readable, MalformedMessage | UnknownMessage):
        raise ValueError(readable.reason)
    return body


def strike_head(body: bytes) -> wl.StrikeHead | MalformedMessage:
    """Read and check a *strike scans* body without touching its scans (section 2.4)."""
    if len(body) < wl.STRIKE.size:
        return MalformedMessage(
            f"strike scans: {len(body) - 1} bytes, must have {wl.STRIKE.size - 1}", _sequence(body)
        )
    head = wl.StrikeHead._make(wl.STRIKE.unpack_from(body))
    _, _, part, parts, _, value_bytes, rows, cells, scans, _ = head
    if not 1 <= parts <= wl.MAX_PARTS:
        fault = f"parts is {parts}, must be 1 to {wl.MAX_PARTS}"
    elif part >= parts:
        fault = f"part is {part}, must be below parts ({parts})"
    elif value_bytes not in (1, 2):
        fault = f"value_bytes is {value_bytes}, must be 1 or 2"
    elif fault_of_strip := strip_fault(rows, cells):
        fault = fault_of_strip
    elif scans < 1:
        fault = "scans is 0, must be at least 1"
    elif len(body) < (needed := wl.STRIKE.size + scans * (4 + rows * cells * value_bytes)):
        fault = f"{len(body) - 1} bytes, must have {needed - 1} for {scans} scans"
    else:
        return head
    return MalformedMessage(f"strike scans: {fault}", head.sequence)


def strike_scans(
    heads: Sequence[wl.StrikeHead], bodies: Sequence[bytes]
) -> tuple[NDArray[np.uint32], NDArray[np.uint16]]:
    """Read the scans of checked bodies of one shape, one body after the other.

    Returns ticks, shape (n_scans,), and counts, shape (n_scans, rows, cells).
    """
    value_bytes, rows, cells = heads[0].value_bytes, heads[0].rows, heads[0].cells
    if any(head.value_bytes != value_bytes for head in heads):
        # The page lets each part choose its width, so that a quiet part may be shorter.
        each = [strike_scans([h], [b]) for h, b in zip(heads, bodies, strict=True)]
        return np.concatenate([t for t, _ in each]), np.concatenate([c for _, c in each])
    scan = wl.scan_dtype(value_bytes, rows, cells)
    start = wl.STRIKE.size
    packed = b"".join(
        body[start : start + head.scans * scan.itemsize]
        for head, body in zip(heads, bodies, strict=True)
    )
    scans = np.frombuffer(packed, dtype=scan)
    return scans["ticks"].astype(np.uint32), scans["counts"].astype(np.uint16)


def _sequence(body: bytes) -> int | None:
    """Sequence of a record that may be otherwise unreadable: its first field."""
    if len(body) < 5 or body[0] not in _RECORD_TYPES:
        return None
    return int.from_bytes(body[1:5], "little")


def _refuse_newer(body: bytes) -> None:
    # Section 2.2: only the first byte of the payload is sure in a newer hello.
    if len(body) > 1 and body[1] > wl.PROTOCOL_MAJOR:
        raise ProtocolError(
            f"board speaks protocol {body[1]}, this program up to {wl.PROTOCOL_MAJOR}: "
            "update lieboard"
        )


def _parse_hello(body: bytes) -> Hello | MalformedMessage:
    (
        _, major, minor, board_id, boot_id, fw_major, fw_minor, fw_patch, tick_hz, rows, cells,
        pitch_um, row_distance_um, scan_order, scan_ticks, full_scale, trigger_level, oldest_kept,
        next_sequence, abilities, name_length,
    ) = wl.HELLO.unpack_from(body)  # fmt: skip
    name = body[wl.HELLO.size : wl.HELLO.size + name_length]
    fault = ""
    if name_length > wl.MAX_NAME_BYTES:
        fault = f"name_length is {name_length}, must be at most {wl.MAX_NAME_BYTES}"
    elif len(name) < name_length:
        fault = f"name has {len(name)} bytes, name_length says {name_length}"
    elif scan_order > max(ScanOrder):
        fault = f"scan_order is {scan_order}, must be 0 to {max(ScanOrder)}"
    elif not name.isascii():
        fault = "name is not printable ASCII"
    if fault:
        return MalformedMessage(f"hello: {fault}")
    hello = Hello(
        protocol_major=major,
        protocol_minor=minor,
        board_id=board_id.hex(),
        boot_id=boot_id,
        firmware=(fw_major, fw_minor, fw_patch),
        tick_hz=tick_hz,
        rows=rows,
        cells=cells,
        pitch_um=pitch_um,
        row_distance_um=row_distance_um,
        scan_order=ScanOrder(scan_order),
        scan_ticks=scan_ticks,
        full_scale=full_scale,
        trigger_level=trigger_level,
        oldest_kept=oldest_kept,
        next_sequence=next_sequence,
        abilities=Ability(abilities),
        name=name.decode("ascii"),
    )
    fault = hello_fault(hello)
    return MalformedMessage(f"hello: {fault}") if fault else hello


def reading_from_fields(
    sequence: int, ticks: int, position: int, trail: int, pressure: int, flags: int, span_ticks: int
) -> Reading:
    """Turn the plain numbers of a *reading* into its units."""
    return Reading(
        sequence,
        ticks,
        position / 100,
        None if trail == wl.NO_TRAIL else trail / 100,
        pressure,
        _FLAGS[flags],
        span_ticks,
    )


def parse_reading(body: bytes) -> Reading:
    """Read the body of a *reading* that is long enough."""
    return reading_from_fields(*wl.READING.unpack_from(body)[1:])


def _parse_strike_part(body: bytes) -> StrikePart | MalformedMessage:
    head = strike_head(body)
    if isinstance(head, MalformedMessage):
        return head
    ticks, counts = strike_scans([head], [body])
    return StrikePart(
        sequence=head.sequence,
        part=head.part,
        parts=head.parts,
        flags=_FLAGS[head.flags],
        rows=head.rows,
        cells=head.cells,
        span_ticks=head.span_ticks,
        scan_ticks=ticks,
        counts=counts,
    )


def _parse_status(body: bytes) -> Status | MalformedMessage:
    (
        _, ticks, supply_mv, temperature, noise, trigger_level, kept, dropped, bad_frames,
        oldest_kept, next_sequence,
    ) = wl.STATUS.unpack_from(body)  # fmt: skip
    if fault := kept_fault(oldest_kept, next_sequence):
        return MalformedMessage(f"status: {fault}")
    return Status(
        ticks=ticks,
        supply_mv=None if supply_mv == wl.NO_SUPPLY else supply_mv,
        temperature_c=None if temperature == wl.NO_TEMPERATURE else temperature / 10,
        noise_counts=None if noise == wl.NO_NOISE else noise / 16,
        trigger_level=trigger_level,
        kept=kept,
        dropped=dropped,
        bad_frames=bad_frames,
        oldest_kept=oldest_kept,
        next_sequence=next_sequence,
    )


def _parse_button(body: bytes) -> Button | UnknownMessage:
    kind, sequence, ticks, action = wl.BUTTON.unpack_from(body)
    if not 1 <= action <= max(ButtonAction):
        return UnknownMessage(kind, f"button: action {action} is not known", sequence)
    return Button(sequence, ticks, ButtonAction(action), Flag(0))


def _plain(fields: struct.Struct, message: Callable[..., Any]) -> Callable[[bytes], Any]:
    return lambda body: message(*fields.unpack_from(body)[1:])


_LAYOUTS: dict[int, tuple[str, struct.Struct, Callable[[bytes], Any]]] = {
    wl.MessageType.HELLO: ("hello", wl.HELLO, _parse_hello),
    wl.MessageType.READING: ("reading", wl.READING, parse_reading),
    wl.MessageType.STRIKE_SCANS: ("strike scans", wl.STRIKE, _parse_strike_part),
    wl.MessageType.STATUS: ("status", wl.STATUS, _parse_status),
    wl.MessageType.CLOCK_REPLY: ("clock reply", wl.CLOCK_REPLY, _plain(wl.CLOCK_REPLY, ClockReply)),
    wl.MessageType.BUTTON: ("button", wl.BUTTON, _parse_button),
    wl.MessageType.ASK_HELLO: ("ask hello", wl.ASK_HELLO, _plain(wl.ASK_HELLO, AskHello)),
    wl.MessageType.ASK_CLOCK: ("ask clock", wl.ASK_CLOCK, _plain(wl.ASK_CLOCK, AskClock)),
    wl.MessageType.CONFIRM: (
        "confirm", wl.BOOT_AND_SEQUENCE, _plain(wl.BOOT_AND_SEQUENCE, Confirm),
    ),
    wl.MessageType.SEND_AGAIN: (
        "send again", wl.BOOT_AND_SEQUENCE, _plain(wl.BOOT_AND_SEQUENCE, SendAgain),
    ),
    wl.MessageType.SET_TRIGGER: ("set trigger", wl.SET_TRIGGER, _plain(wl.SET_TRIGGER, SetTrigger)),
}  # fmt: skip
_RECORD_TYPES = frozenset(
    {wl.MessageType.READING, wl.MessageType.STRIKE_SCANS, wl.MessageType.BUTTON}
)
# Making a Flag takes 1 us, looking one up 0.07 us, and a reading may come 1000 times a second.
_FLAGS = [Flag(value) for value in range(256)]


def _scaled(value: float | None, scale: int, unknown: int) -> int:
    """Whole number on the wire for a value in units, or the one that stands for not known."""
    if value is None:
        return unknown
    number = round(value * scale)
    if number == unknown:
        raise ValueError(f"{value} would read as not known")
    return number


def _known(value: int | None, field: str) -> int:
    if value is None:
        raise ValueError(f"a binary message needs {field}")
    return value


def _wire_flags(flags: Flag) -> int:
    if flags & ~wl.WIRE_FLAGS:
        raise ValueError(f"{flags!r} has flags that only the host sets")
    return int(flags)


def _board_id_bytes(board_id: str) -> bytes:
    named = bytes.fromhex(board_id)
    if len(named) != 8:
        raise ValueError(f"board id {board_id!r} is not 16 hex digits")
    return named


def _encode_strike_part(part: StrikePart) -> bytes:
    counts = np.asarray(part.counts)
    ticks = np.asarray(part.scan_ticks)
    if counts.shape != (len(ticks), part.rows, part.cells):
        raise ValueError(f"counts have shape {counts.shape}, not (scans, rows, cells)")
    if counts.min(initial=0) < 0 or counts.max(initial=0) > 0xFFFF:
        raise ValueError("counts must be 0 to 65535")
    value_bytes = 1 if counts.max(initial=0) <= 0xFF else 2
    scans = np.empty(len(ticks), dtype=wl.scan_dtype(value_bytes, part.rows, part.cells))
    scans["ticks"], scans["counts"] = ticks, counts
    head = wl.STRIKE.pack(
        wl.MessageType.STRIKE_SCANS, part.sequence, part.part, part.parts, _wire_flags(part.flags),
        value_bytes, part.rows, part.cells, len(ticks), part.span_ticks,
    )  # fmt: skip
    return head + scans.tobytes()


def _encode(message: BoardMessage | HostMessage) -> bytes:
    kind = wl.MessageType
    match message:
        case Hello() as m:
            return wl.HELLO.pack(
                kind.HELLO, m.protocol_major, m.protocol_minor, _board_id_bytes(m.board_id),
                m.boot_id, *m.firmware, m.tick_hz, m.rows, m.cells, m.pitch_um, m.row_distance_um,
                m.scan_order, m.scan_ticks, m.full_scale, m.trigger_level, m.oldest_kept,
                m.next_sequence, m.abilities, len(m.name),
            ) + m.name.encode("ascii")  # fmt: skip
        case Reading() as m:
            return wl.READING.pack(
                kind.READING, _known(m.sequence, "sequence"), _known(m.ticks, "ticks"),
                round(m.board_mm * 100), _scaled(m.trail_mm, 100, wl.NO_TRAIL),
                _known(m.pressure_counts, "pressure_counts"), _wire_flags(m.flags), m.span_ticks,
            )  # fmt: skip
        case StrikePart() as m:
            return _encode_strike_part(m)
        case Status() as m:
            return wl.STATUS.pack(
                kind.STATUS, m.ticks, _scaled(m.supply_mv, 1, wl.NO_SUPPLY),
                _scaled(m.temperature_c, 10, wl.NO_TEMPERATURE),
                _scaled(m.noise_counts, 16, wl.NO_NOISE),
                m.trigger_level, m.kept, m.dropped, m.bad_frames, m.oldest_kept, m.next_sequence,
            )  # fmt: skip
        case ClockReply() as m:
            return wl.CLOCK_REPLY.pack(kind.CLOCK_REPLY, m.token, m.received_ticks, m.sent_ticks)
        case Button() as m:
            if m.flags:
                raise ValueError("a button carries no flags in the binary form")
            return wl.BUTTON.pack(
                kind.BUTTON, _known(m.sequence, "sequence"), _known(m.ticks, "ticks"), m.action
            )
        case AskHello() as m:
            return wl.ASK_HELLO.pack(kind.ASK_HELLO, m.protocol_major, m.protocol_minor)
        case AskClock() as m:
            return wl.ASK_CLOCK.pack(kind.ASK_CLOCK, m.token)
        case Confirm() as m:
            return wl.BOOT_AND_SEQUENCE.pack(kind.CONFIRM, m.boot_id, m.sequence)
        case SendAgain() as m:
            return wl.BOOT_AND_SEQUENCE.pack(kind.SEND_AGAIN, m.boot_id, m.sequence)
        case SetTrigger() as m:
            return wl.SET_TRIGGER.pack(kind.SET_TRIGGER, m.level)
