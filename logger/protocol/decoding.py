"""Bytes of a board in, records and answers out: framing, messages and text lines together.

No I/O and no clock: the arrival time is handed in. Whatever could not be used comes out as
`Damage` and is counted; the only exception is `ProtocolError`, after which the stream is over.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeAlias

from logger.errors import ProtocolError
from logger.protocol.framing import BadFrame, Frame, FrameDecoder, FrameFault, Piece, TextLine
from logger.protocol.layout import READING, MessageType, StrikeHead
from logger.protocol.records import Button, ClockReply, Hello, RawRecord, Reading, Record, Status
from logger.protocol.strike_parts import (
    Built,
    GivenUp,
    StrikeAssembler,
    build_strike,
    contradiction,
)
from logger.protocol.text_form import BadLine, parse_line
from logger.protocol.wire import MalformedMessage, UnknownMessage, parse, parse_reading, strike_head

_READING = int(MessageType.READING)
# Lines of the text form that end with CR and no LF behind it (section 3.1).
_CR_ONLY = re.compile(rb"(?:^|\r)LB[0-9]+ [\x20-\x7e\t]*\rLB[0-9]+ ")
ENDS_WITH_CR = "lines end with CR alone: end them with LF, as Serial.println does"


class DamageKind(StrEnum):
    """What sort of thing could not be used."""

    BAD_FRAME = "bad frame"
    OTHER_TEXT = "other text"
    BAD_LINE = "bad line"
    MALFORMED = "malformed message"
    UNKNOWN = "unknown message"
    CONFLICTING_PARTS = "conflicting parts"
    MISSING_PARTS = "missing parts"


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes that came and could not be used."""

    kind: DamageKind
    reason: str
    """One line for a person."""
    raw: tuple[bytes, ...]
    """Encoded bytes of a bad frame, a text line, or decoded bodies."""
    sequence: int | None = None
    """Of the record that this was, if that is known."""
    ask_again: bool = False
    """Whether *send again* from ``sequence`` can help. If not, the same bytes would come again."""


Decoded: TypeAlias = RawRecord | Hello | Status | ClockReply | Damage


@dataclass(slots=True)
class Counters:
    """What came since the decoder was made."""

    frames: int = 0
    """Good frames, of any type."""
    bad_frames: Counter[FrameFault] = field(default_factory=Counter)
    other_text: int = 0
    text_lines: int = 0
    """Good ones."""
    bad_lines: int = 0
    malformed: int = 0
    unknown_types: Counter[int] = field(default_factory=Counter)
    """By type byte; also buttons with an action that is not known."""
    cr_only: int = 0
    """Stretches of lines that end with CR alone."""
    echoes: int = 0
    """Messages for a board: the line sends back what the host said."""


class Decoder:
    """Decodes the stream of one connection.

    Holds at most 515 bytes of an unfinished frame and a few strikes (`strike_parts`), whatever
    comes in.
    """

    def __init__(self) -> None:
        self.counters = Counters()
        self._framing = FrameDecoder()
        self._strikes = StrikeAssembler()
        self._boot: tuple[str, int] | None = None

    @property
    def half_built(self) -> tuple[int, ...]:
        """Sequences of strikes of which parts are still missing, oldest first."""
        return self._strikes.half_built

    @property
    def lines_end_with_cr(self) -> bool:
        """Whether lines of the text form came whose ends are no line ends here."""
        return bool(self.counters.cr_only or _CR_ONLY.search(self._framing.pending))

    def feed(self, data: bytes, arrival_ns: int) -> list[Decoded]:
        """Take the next bytes and return what they completed, in the order of the stream.

        Raises
        ------
        ProtocolError
            If the board speaks a newer protocol. Nothing that it sent can be trusted, and this
            decoder must not be used again.
        """
        return self._decode(self._framing.feed(data), arrival_ns)

    def finish(self, arrival_ns: int) -> list[Decoded]:
        """Report what was left unfinished when the stream ended."""
        out = self._decode(self._framing.finish(), arrival_ns)
        left = self._strikes.give_up_all("the stream ended")
        out += [_given_up(half, ask_again=True) for half in left]
        return out

    def _decode(self, pieces: list[Piece], arrival_ns: int) -> list[Decoded]:
        out: list[Decoded] = []
        for piece in pieces:
            if isinstance(piece, Frame):
                self.counters.frames += 1
                body = piece.body
                # First what comes most often.
                if body[0] == _READING and len(body) >= READING.size:
                    out.append(RawRecord(parse_reading(body), (body,), arrival_ns))
                elif body[0] == MessageType.STRIKE_SCANS:
                    self._take_strike_part(body, arrival_ns, out)
                else:
                    self._take_message(body, arrival_ns, out)
            elif isinstance(piece, TextLine):
                out.append(self._text_line(piece.line, arrival_ns))
            else:
                out.append(self._bad_frame(piece))
        return out

    def _take_message(self, body: bytes, arrival_ns: int, out: list[Decoded]) -> None:
        message = parse(body)
        if isinstance(message, (Reading, Button)):
            out.append(RawRecord(message, (body,), arrival_ns))
        elif isinstance(message, (Status, ClockReply)):
            out.append(message)
        elif isinstance(message, Hello):
            self._take_hello(message, out)
        elif isinstance(message, MalformedMessage):
            out.append(self._malformed(message, body))
        elif isinstance(message, UnknownMessage):
            self.counters.unknown_types[message.type] += 1
            out.append(Damage(DamageKind.UNKNOWN, message.reason, (body,), message.sequence))
        else:
            self.counters.echoes += 1

    def _take_hello(self, hello: Hello, out: list[Decoded]) -> None:
        boot = (hello.board_id, hello.boot_id)
        if self._boot not in (None, boot):
            # Sequences start again with the boot: an old half must not be joined to a new one,
            # and the board can no longer send the rest of it.
            gone = self._strikes.give_up_all("the board restarted")
            out += [_given_up(half, ask_again=False) for half in gone]
        self._boot = boot
        out.append(hello)

    def _take_strike_part(self, body: bytes, arrival_ns: int, out: list[Decoded]) -> None:
        head = strike_head(body)
        if isinstance(head, MalformedMessage):
            out.append(self._malformed(head, body))
            return
        for result in self._strikes.add(head, body):
            if isinstance(result, Built):
                out.append(RawRecord(result.strike, result.bodies, arrival_ns))
            else:
                out.append(_given_up(result, ask_again=True))

    def _malformed(self, message: MalformedMessage, body: bytes) -> Damage:
        self.counters.malformed += 1
        return Damage(DamageKind.MALFORMED, message.reason, (body,), message.sequence)

    def _text_line(self, line: bytes, arrival_ns: int) -> RawRecord | Damage:
        try:
            read = parse_line(line)
        except ProtocolError as error:
            # A board does not change its protocol between two lines: a 1 that reads as another
            # digit after good lines is a flipped bit, and no reason to end the session.
            if not self.counters.text_lines:
                raise
            read = BadLine(str(error))
        if isinstance(read, BadLine):
            self.counters.bad_lines += 1
            return Damage(DamageKind.BAD_LINE, read.reason, (line,))
        self.counters.text_lines += 1
        return RawRecord(read, (line,), arrival_ns)

    def _bad_frame(self, bad: BadFrame) -> Damage:
        if _CR_ONLY.search(bad.raw):
            self.counters.cr_only += 1
            self.counters.bad_frames[bad.reason] += 1
            return Damage(DamageKind.BAD_LINE, ENDS_WITH_CR, (bad.raw,))
        if bad.reason is FrameFault.OTHER_TEXT:
            self.counters.other_text += 1
            return Damage(DamageKind.OTHER_TEXT, bad.reason, (bad.raw,))
        self.counters.bad_frames[bad.reason] += 1
        return Damage(DamageKind.BAD_FRAME, bad.reason, (bad.raw,))


def is_bad_hello(damage: Damage) -> bool:
    """Whether a board introduced itself, with a good checksum, as what cannot be."""
    return damage.kind is DamageKind.MALFORMED and damage.raw[0][0] == MessageType.HELLO


def _given_up(half: GivenUp, *, ask_again: bool) -> Damage:
    kind = DamageKind.CONFLICTING_PARTS if half.conflict else DamageKind.MISSING_PARTS
    return Damage(kind, half.reason, half.bodies, half.sequence, ask_again)


def record_from_raw(raw: Sequence[bytes]) -> Record:
    """Read a record again from the bytes that `RawRecord.raw` kept of it.

    Raises
    ------
    ValueError
        If the bytes are not one whole record. The message is one line.
    """
    if not raw:
        raise ValueError("no bytes were kept")
    if raw[0][:1] == bytes([MessageType.STRIKE_SCANS]):
        return _strike_from_raw(raw)
    try:
        read = parse_line(raw[0]) if raw[0].startswith(b"LB") else parse(raw[0])
    except ProtocolError as error:
        raise ValueError(str(error)) from error
    if not isinstance(read, Reading | Button):
        raise ValueError(getattr(read, "reason", f"{type(read).__name__} is not a record"))
    if len(raw) > 1:
        raise ValueError(f"{len(raw)} pieces were kept of a record in one piece")
    return read


def check_raw(raw: Sequence[bytes], kind: str | None, sequence: object) -> None:
    """Check, without reading its scans, that bytes are one whole record of a kind and a number.

    Raises
    ------
    ValueError
        They are not. The message is one line.
    """
    found: object
    if raw and raw[0][:1] == bytes([MessageType.STRIKE_SCANS]):
        said, found = "strike", _strike_heads(raw)[0].sequence
    else:
        record = record_from_raw(raw)
        said, found = "button" if isinstance(record, Button) else "reading", record.sequence
    if said != kind:
        raise ValueError(f"it is a {said} and stands under {kind}")
    # Text lines may carry no number; the host then counts them.
    if found is not None and found != sequence:
        raise ValueError(f"it says that it is number {found}")


def _strike_from_raw(raw: Sequence[bytes]) -> Record:
    return build_strike(_strike_heads(raw), raw)


def _strike_heads(raw: Sequence[bytes]) -> list[StrikeHead]:
    heads: list[StrikeHead] = []
    for body in raw:
        head = strike_head(body)
        if isinstance(head, MalformedMessage):
            raise ValueError(head.reason)
        heads.append(head)
    first = heads[0]
    if [head.part for head in heads] != list(range(first.parts)):
        raise ValueError(f"strike {first.sequence}: its parts are not all there and in order")
    for head in heads:
        if head.type != first.type or head.sequence != first.sequence:
            raise ValueError(f"strike {first.sequence}: parts of another record are among its own")
        if fault := contradiction(first, head):
            raise ValueError(f"strike {first.sequence}: {fault}")
    return heads
