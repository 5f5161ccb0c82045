"""The text form: one line per reading, ``firmware_notes/wire.md`` section 3."""

from __future__ import annotations

import re
from binascii import crc_hqx
from dataclasses import dataclass

from logger.errors import ProtocolError
from logger.protocol.layout import PROTOCOL_MAJOR
from logger.protocol.records import Button, ButtonAction, Flag, Reading

# Section 3.1: a longer line is no reading but a line end that got lost.
MAX_LINE_BYTES = 120
MAX_NAME_CHARACTERS = 24
_MAX_U16 = 0xFFFF
_MAX_U32 = 0xFFFF_FFFF

_BEGIN = re.compile(rb"LB([0-9]+)(?= )")
_PRINTABLE = re.compile(rb"[\x20-\x7e]*")
# Section 3.1: plain decimals; Python's float() would also take nan, 1e3 and 1_000.
_DECIMAL = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
_WHOLE = re.compile(r"\+?[0-9]+")
_NAME = re.compile(rf"[A-Za-z0-9_-]{{1,{MAX_NAME_CHARACTERS}}}")
_CHECKSUM = re.compile(rb"[0-9A-Fa-f]{4}")

_ACTIONS = {
    "next": ButtonAction.NEXT_CLUB,
    "back": ButtonAction.TAKE_BACK,
    "previous": ButtonAction.PREVIOUS_CLUB,
}


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that is dropped and counted."""

    reason: str
    """One line that names the field."""


class _FieldError(ValueError):
    """A field that makes its line bad."""


def line_checksum(covered: bytes) -> int:
    """CRC-16/IBM-3740 of the characters up to and including the space before the ``*``."""
    return crc_hqx(covered, 0xFFFF)


def parse_line(line: bytes) -> Reading | Button | BadLine:
    """Read one line, with or without the LF or CR LF that ended it.

    Raises
    ------
    ProtocolError
        If the line is of a newer protocol (``LB2`` and up).
    """
    line = line.removesuffix(b"\n").removesuffix(b"\r")
    begin = _BEGIN.match(line)
    if begin is None:
        return BadLine("does not begin with LB1 and a space")
    if len(line) > MAX_LINE_BYTES:
        return BadLine(f"{len(line)} characters, at most {MAX_LINE_BYTES} are allowed")
    version = int(begin[1])
    if version > PROTOCOL_MAJOR:
        raise ProtocolError(
            f"board sends lines of protocol {version}, this program reads up to {PROTOCOL_MAJOR}: "
            "update lieboard"
        )
    if begin[1] != b"1":
        return BadLine(f"begins with LB{begin[1].decode()}, must be LB1")
    if not _PRINTABLE.fullmatch(line):
        return BadLine("has characters that are not printable ASCII")
    try:
        covered, checked = _take_checksum(line)
        fields = _split_fields(covered[begin.end() :].decode("ascii"))
        return _message(fields, Flag(0) if checked else Flag.NO_CHECKSUM)
    except _FieldError as fault:
        return BadLine(str(fault))


def _take_checksum(line: bytes) -> tuple[bytes, bool]:
    """Cut a right checksum off the line; say whether there was one."""
    covered, star, given = line.rpartition(b" *")
    if not star:
        return line, False
    covered += b" "
    digits = given.rstrip(b" ")
    if not _CHECKSUM.fullmatch(digits):
        raise _FieldError("a checksum is * and four hex digits at the end of the line")
    expected = line_checksum(covered)
    if int(digits, 16) != expected:
        raise _FieldError(f"checksum is {digits.decode()}, must be {expected:04X}")
    return covered, True


def _split_fields(text: str) -> dict[str, str]:
    fields: dict[str, str] = {}
    for field in text.split(" "):
        if not field:
            continue
        key, equals, value = field.partition("=")
        if not key or not equals:
            raise _FieldError(f"{field} is not key=value")
        if key in fields:
            raise _FieldError(f"{key} is there twice")
        fields[key] = value
    return fields


def _message(fields: dict[str, str], flags: Flag) -> Reading | Button:
    sequence = _whole(fields, "n", _MAX_U32)
    ticks = _whole(fields, "t", _MAX_U32)
    board_mm = _decimal(fields, "x")
    trail_mm = _decimal(fields, "y")
    pressure_counts = _whole(fields, "p", _MAX_U16)
    span_ticks = _whole(fields, "d", _MAX_U32)
    board_name = fields.get("b")
    if board_name is not None and not _NAME.fullmatch(board_name):
        raise _FieldError(f"b={board_name} is not 1 to {MAX_NAME_CHARACTERS} of A-Z a-z 0-9 _ -")
    if sequence is None:
        flags |= Flag.NO_SEQUENCE
    if ticks is None:
        flags |= Flag.NO_TICKS
    if "k" in fields:
        if board_mm is not None:
            raise _FieldError("x and k cannot be in one line")
        action = _ACTIONS.get(fields["k"])
        if action is None:
            raise _FieldError(f"k={fields['k']} is not next, back or previous")
        return Button(sequence, ticks, action, flags, board_name)
    if board_mm is None:
        raise _FieldError("x (position in mm) is missing")
    if span_ticks is not None:
        flags |= Flag.SUMS_UP
    return Reading(
        sequence, ticks, board_mm, trail_mm, pressure_counts, flags, span_ticks or 0, board_name
    )


def _whole(fields: dict[str, str], key: str, greatest: int) -> int | None:
    value = fields.get(key)
    if value is None:
        return None
    if not _WHOLE.fullmatch(value) or int(value) > greatest:
        raise _FieldError(f"{key}={value} is not a whole number from 0 to {greatest}")
    return int(value)


def _decimal(fields: dict[str, str], key: str) -> float | None:
    value = fields.get(key)
    if value is None:
        return None
    if not _DECIMAL.fullmatch(value):
        raise _FieldError(f"{key}={value} is not a plain decimal number")
    return float(value)
