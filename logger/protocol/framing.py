"""Frames and text lines out of a stream of bytes, and bodies into frames.

Sections 2.1, 2.2 and 3.3 of ``firmware_notes/wire.md``. No I/O, no clock: bytes in, pieces out.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, TypeAlias

from cobs import cobs

from logger.protocol.layout import CHECKSUM_BYTES, MAX_BODY_BYTES, MAX_FRAME_BYTES

MIN_FRAME_BYTES = 1 + CHECKSUM_BYTES
# Section 2.1: COBS adds one byte for every 254 begun (Cheshire and Baker 1999), so 3 for 512.
# Counted without the closing zero; one byte more can only be a frame that is too long.
MAX_ENCODED_BYTES = MAX_FRAME_BYTES + 3

# CRC-32/ISO-HDLC over a message that is followed by its own CRC (low byte first) always gives this:
# the catalogue's residue 0xDEBB20E3 after the final inversion. One call checks without slicing.
CRC_RESIDUE = 0x2144DF1C

# Section 3.3: printable, TAB and CR, beginning with LB, digits and a space.
_LINE = re.compile(rb"LB[0-9]+ [\x20-\x7e\t\r]*")
# Every line holds this. re finds it more than twice as fast as bytes.find does (tests/benchmarks/
# decode.py, strikes).
LINE_MARK = re.compile(rb"LB")
_TEXT = re.compile(rb"[\x20-\x7e\t\r\n]*")
_ANY_END = re.compile(rb"[\x00\n]")


class FrameFault(StrEnum):
    """Why a piece of the stream is neither a frame nor a text line."""

    BAD_CODE = "bad COBS code"
    BAD_CHECKSUM = "bad checksum"
    TOO_SHORT = "too short"
    TOO_LONG = "too long"
    CUT_OFF = "cut off"
    """A text line or the end of the stream came before the closing zero."""
    OTHER_TEXT = "other text"
    """Printable: a boot loader's or a sketch's chatter, no harm done."""


# A tuple, as `logger.protocol.records.Reading` is.
class Frame(NamedTuple):
    """A good frame."""

    body: bytes
    """Type and payload, checksum removed."""
    offset: int
    """Of its first encoded byte, counted from the start of the stream."""


@dataclass(frozen=True, slots=True)
class TextLine:
    """A line that claims to be of the text form; not yet read."""

    line: bytes
    """Without the LF or CR LF that ended it."""
    offset: int


@dataclass(frozen=True, slots=True)
class BadFrame:
    """Bytes that were dropped."""

    reason: FrameFault
    raw: bytes
    """As they came, at most 516 bytes; of a longer run the first ones."""
    offset: int


Piece: TypeAlias = Frame | TextLine | BadFrame


def encode_frame(body: bytes) -> bytes:
    """Add the checksum, encode, and close with a zero.

    Raises
    ------
    ValueError
        If ``body`` is empty or too long for a frame.
    """
    if not 1 <= len(body) <= MAX_BODY_BYTES:
        raise ValueError(f"a frame takes 1 to {MAX_BODY_BYTES} bytes, not {len(body)}")
    checked = body + zlib.crc32(body).to_bytes(CHECKSUM_BYTES, "little")
    return bytes(cobs.encode(checked)) + b"\x00"


class FrameDecoder:
    """Cuts a stream into frames, text lines and damage, however it was chopped up on the way.

    Holds at most 515 bytes between calls. After damage it is in step again at the next zero.
    """

    def __init__(self) -> None:
        # Bytes since the last end (a zero, or the LF of a text line): never more than
        # MAX_ENCODED_BYTES, so that joining it to a chunk stays cheap also byte by byte.
        self._pending = b""
        self._pending_offset = 0
        # Inside a run that is already reported as too long, up to its zero or LF.
        self._skipping = False

    @property
    def pending(self) -> bytes:
        """What has not ended yet."""
        return self._pending

    def feed(self, data: bytes) -> list[Piece]:
        """Take the next bytes of the stream; return what they completed, in order."""
        pieces: list[Piece] = []
        offset = self._pending_offset
        if self._skipping:
            found = _ANY_END.search(data)
            if found is None:
                self._pending_offset += len(data)
                return pieces
            self._skipping = False
            offset += found.end()
            data = data[found.end() :]
        # Without a new LF no line can have ended: what is pending was looked at before.
        may_end_line = b"\n" in data
        if self._pending:
            data = self._pending + data
        spans = data.split(b"\x00")
        rest = spans.pop()
        # Text lines can only be where "LB" is: one search spares binary streams the rest.
        start, next_mark = 0, _find_mark(data, 0)
        for span in spans:
            end = start + len(span)
            if next_mark < end or len(span) > MAX_ENCODED_BYTES:
                self._scan_closed(span, offset, pieces)
                next_mark = _find_mark(data, end)
            elif span:
                body = _body(span)
                if type(body) is bytes:
                    pieces.append(Frame(body, offset))
                else:
                    self._salvage(span, offset, pieces)
            offset += len(span) + 1
            start = end + 1
        if len(rest) > MAX_ENCODED_BYTES or (may_end_line and next_mark < len(data)):
            taken = self._scan(rest, offset, pieces)
            offset += taken
            rest = rest[taken:]
        self._pending = rest
        self._pending_offset = offset
        return pieces

    def finish(self) -> list[Piece]:
        """Report what was left unfinished, at the end of a stream; start afresh."""
        pieces: list[Piece] = []
        _report(self._pending, self._pending_offset, FrameFault.CUT_OFF, pieces)
        self._pending_offset += len(self._pending)
        self._pending = b""
        self._skipping = False
        return pieces

    def _scan_closed(self, span: bytes, offset: int, pieces: list[Piece]) -> None:
        """Take a span that a zero ends and that may hold text lines or be too long."""
        start = self._scan(span, offset, pieces)
        # The zero ends a run that is too long, too.
        self._skipping = False
        if start < len(span):
            self._salvage(span[start:], offset + start, pieces)

    def _scan(self, span: bytes, offset: int, pieces: list[Piece]) -> int:
        """Take text lines and overlong runs out of a span; return where the rest begins."""
        start = segment = 0
        while True:
            line_end = span.find(b"\n", segment, start + MAX_ENCODED_BYTES + 1)
            if line_end >= 0:
                if _LINE.fullmatch(span, segment, line_end):
                    _report(span[start:segment], offset + start, FrameFault.CUT_OFF, pieces)
                    line = span[segment:line_end].removesuffix(b"\r")
                    pieces.append(TextLine(line, offset + segment))
                    start = line_end + 1
                segment = line_end + 1
            elif len(span) - start <= MAX_ENCODED_BYTES:
                return start
            elif segment > start:
                # What follows the last LF may yet become a text line.
                _report(span[start:segment], offset + start, FrameFault.TOO_LONG, pieces)
                start = segment
            else:
                cut = start + MAX_ENCODED_BYTES + 1
                pieces.append(BadFrame(FrameFault.TOO_LONG, span[start:cut], offset + start))
                line_end = span.find(b"\n", cut)
                if line_end < 0:
                    self._skipping = True
                    return len(span)
                start = segment = line_end + 1

    def _salvage(self, span: bytes, offset: int, pieces: list[Piece]) -> None:
        """Take a span that is no good frame as it stands.

        A sketch's debug line just before a frame would spoil it (the page asks for a zero there,
        the most forgotten byte of all): what follows such a line is tried as a frame too.
        """
        body = _body(span)
        if type(body) is bytes:
            pieces.append(Frame(body, offset))
            return
        text = _TEXT.match(span)
        text_end = text.end() if text else 0
        line_end = span.find(b"\n", 0, text_end)
        while line_end >= 0:
            start = line_end + 1
            rescued = _body(span[start:])
            if type(rescued) is bytes:
                _report(span[:start], offset, FrameFault.OTHER_TEXT, pieces)
                pieces.append(Frame(rescued, offset + start))
                return
            line_end = span.find(b"\n", start, text_end)
        assert isinstance(body, FrameFault)
        _report(span, offset, body, pieces)


def _find_mark(data: bytes, start: int) -> int:
    """Where the next text line could begin; the length of ``data`` if nowhere."""
    mark = LINE_MARK.search(data, start)
    return mark.start() if mark else len(data)


def _body(encoded: bytes) -> bytes | FrameFault:
    """Body of one encoded frame (without its zero), or what is wrong with it."""
    try:
        decoded: bytes = cobs.decode(encoded)
    except cobs.DecodeError:
        return FrameFault.BAD_CODE
    if zlib.crc32(decoded) != CRC_RESIDUE:
        return FrameFault.TOO_SHORT if len(decoded) < MIN_FRAME_BYTES else FrameFault.BAD_CHECKSUM
    if len(decoded) > MAX_FRAME_BYTES:
        return FrameFault.TOO_LONG
    if len(decoded) < MIN_FRAME_BYTES:
        return FrameFault.TOO_SHORT
    return decoded[:-CHECKSUM_BYTES]


def _report(raw: bytes, offset: int, reason: FrameFault, pieces: list[Piece]) -> None:
    """Report dropped bytes, unless they are blank; harmless text is called that."""
    if not raw.strip(b" \t\r\n"):
        return
    if _TEXT.fullmatch(raw):
        reason = FrameFault.OTHER_TEXT
    pieces.append(BadFrame(reason, raw, offset))
