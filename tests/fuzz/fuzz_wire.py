"""Fuzz targets for the stream of a board: frames, messages, text lines, the clock.

A target takes any bytes and raises only if the product broke a promise.
"""

from __future__ import annotations

import math
import zlib
from binascii import crc_hqx

import numpy as np
from fuzz_bytes import Bytes, chunks, framed, one_line

from logger.errors import ProtocolError
from logger.protocol.clock import ClockMap
from logger.protocol.decoding import Damage, Decoder, record_from_raw
from logger.protocol.framing import (
    MAX_ENCODED_BYTES,
    BadFrame,
    Frame,
    FrameDecoder,
    FrameFault,
)
from logger.protocol.layout import MAX_BODY_BYTES
from logger.protocol.records import AskHello, Button, RawRecord, Reading, Strike, StrikePart
from logger.protocol.strike_parts import MAX_HALF_BUILT
from logger.protocol.text_form import BadLine, parse_line
from logger.protocol.wire import MalformedMessage, UnknownMessage, encode, parse

NOW_NS = 55
_BLANK = b"\x00 \t\r\n"


def _plain(item):
    if isinstance(item, RawRecord):
        return (type(item.record), item.raw, item.arrival_ns)
    return item


def _decoded(pieces):
    """All events of a stream that comes in ``pieces``; None if it ended with a newer protocol."""
    decoder = Decoder()
    out = []
    try:
        for piece in pieces:
            out += decoder.feed(piece, NOW_NS)
            assert len(decoder._framing._pending) <= MAX_ENCODED_BYTES
            assert len(decoder.half_built) <= MAX_HALF_BUILT
        out += decoder.finish(NOW_NS)
    except ProtocolError as error:
        one_line(str(error))
        return None
    return out, decoder.counters


def _same_however_it_comes(data):
    whole = _decoded([data])
    single = _decoded([data[i : i + 1] for i in range(len(data))])
    chunked = _decoded(chunks(data))
    if whole is None:
        assert (single, chunked) == (None, None)
        return []
    expected = [_plain(item) for item in whole[0]]
    for other in (single, chunked):
        assert other is not None
        assert [_plain(item) for item in other[0]] == expected
        assert other[1] == whole[1]
    return whole[0]


def _nothing_vanishes(data):
    """Every byte is in a piece, or blank, or the rest of a run that was reported as too long."""
    reader = FrameDecoder()
    at, skipping = 0, False
    for piece in reader.feed(data) + reader.finish():
        assert skipping or not data[at : piece.offset].strip(_BLANK)
        assert piece.offset >= at
        skipping = False
        if isinstance(piece, Frame):
            at = data.index(0, piece.offset) + 1
            continue
        raw = piece.raw if isinstance(piece, BadFrame) else piece.line
        at = piece.offset + len(raw)
        assert data[piece.offset : at] == raw
        assert len(raw) <= MAX_ENCODED_BYTES + 1
        skipping = isinstance(piece, BadFrame) and piece.reason is FrameFault.TOO_LONG
    assert skipping or not data[at:].strip(_BLANK)


def _unstuffed(span):
    """COBS decoding as Cheshire and Baker (1999) describe it, step by step; None if it is bad."""
    out, at = bytearray(), 0
    while at < len(span):
        end = at + span[at]
        if end > len(span):
            return None
        out += span[at + 1 : end]
        if span[at] < 255 and end < len(span):
            out.append(0)
        at = end
    return bytes(out)


def _frames_by_the_page(data):
    """Frames of all spans between zeros that hold no LF: there the page leaves no choice."""
    at, found = 0, []
    for span in data.split(b"\x00")[:-1]:
        if b"\n" not in span and span:
            decoded = _unstuffed(span)
            if decoded is not None and 5 <= len(decoded) <= 512:
                body, crc = decoded[:-4], int.from_bytes(decoded[-4:], "little")
                if zlib.crc32(body) == crc:
                    found.append(Frame(body, at))
        at += len(span) + 1
    return found


def _check_frames(data):
    expected = _frames_by_the_page(data)
    taken = [piece for piece in FrameDecoder().feed(data) if isinstance(piece, Frame)]
    for piece in expected:
        assert piece in taken
    for piece in taken:
        assert piece in expected or b"\n" in data[: data.index(0, piece.offset)]


def _check_events(events):
    for event in events:
        if isinstance(event, Damage):
            one_line(event.reason)
        if isinstance(event, RawRecord):
            _check_record(event.record)
            again = record_from_raw(event.raw)
            assert type(again) is type(event.record)
            if isinstance(again, Strike):
                assert np.array_equal(again.scan_ticks, event.record.scan_ticks)
                assert np.array_equal(again.counts, event.record.counts)
            else:
                assert again == event.record


def _check_record(record):
    if isinstance(record, Reading):
        assert math.isfinite(record.board_mm)
        assert record.trail_mm is None or math.isfinite(record.trail_mm)
        assert record.pressure_counts is None or 0 <= record.pressure_counts < 2**16
    if isinstance(record, Strike):
        assert len(record.scan_ticks) == len(record.counts) > 0
        assert record.counts.size <= 2**16
    else:
        assert record.ticks is None or 0 <= record.ticks < 2**32
    assert record.sequence is None or 0 <= record.sequence < 2**32


def wire(data):
    """Any stream: the same events however it comes, and no byte vanishes."""
    _check_events(_same_however_it_comes(data))
    _nothing_vanishes(data)
    _check_frames(data)


def remade(data):
    """Any messages in good frames, with what a bad sketch puts between them."""
    source = Bytes(data)
    stream = []
    while source:
        head = source.number(2)
        body = source.take(head % (MAX_BODY_BYTES + 1))
        between = (b"", b"", b"", b"debug\n", b"\xfe\x01", b"LB1 x=1\r\n", b"\x00", b"\xff" * 600)[
            head >> 13 & 7
        ]
        wire_bytes = framed(body) if body else b"\x00"
        stream.append(between + wire_bytes)
        if body:
            _check_message(body)
    wire(b"".join(stream))


def _check_message(body):
    try:
        message = parse(body)
    except ProtocolError as error:
        one_line(str(error))
        return
    if isinstance(message, MalformedMessage | UnknownMessage):
        one_line(message.reason)
    elif not isinstance(message, StrikePart | AskHello):
        # A later minor version may have put fields behind.
        assert body.startswith(encode(message))


def lines(data):
    """Any text lines, with and without a right checksum."""
    source = Bytes(data)
    stream = []
    while source:
        head = source.number(1)
        line = source.take(head % 128)
        if head & 128:
            line = b"LB1 " + line + b" "
            line += b"*%04X" % crc_hqx(line, 0xFFFF)
        read = None
        try:
            read = parse_line(line)
        except ProtocolError as error:
            one_line(str(error))
        if isinstance(read, BadLine):
            one_line(read.reason)
        elif read is not None:
            assert isinstance(read, Reading | Button)
            _check_record(read)
        stream.append(line + b"\n")
    wire(b"".join(stream))


def again(data):
    """What a damaged data file gives back as a record's bytes: a record or one line."""
    source = Bytes(data)
    raw = []
    while source:
        raw.append(source.take(source.number(2) % 600))
    try:
        _check_record(record_from_raw(raw))
    except ValueError as error:
        one_line(str(error))


def clock(data):
    """Any ticks at any time: an answer with an uncertainty, and bounded memory."""
    source = Bytes(data)
    hz = (1_000, 32_768, 1_000_000, 100_000_000)[source.below(4)]
    ticks = ClockMap(hz)
    at, now = 0, 10**9
    while source:
        op = source.below(16)
        at = source.u32(at)
        # Mostly forward; a damaged capture may go back.
        step = source.number(2) * (10**3, 10**6, 10**8, 10**11)[op & 3]
        now += step
        if op == 15:
            now = max(now - 3 * step, 0)
        if op < 8:
            ticks.feed(at, now)
        elif op < 12:
            ticks.feed_exchange(now - source.number(4), at, source.u32(at), now)
        elif op == 12:
            ticks.start_segment()
        read = ticks.to_host_ns(source.u32(at), now)
        state = ticks.estimate()
        assert (read is None) == (state is None)
        if read is not None and state is not None:
            assert read.uncertainty_ns >= 0
            assert abs(read.host_ns) < 2**62
            assert math.isfinite(state.drift_ppm)
            assert math.isfinite(state.drift_sd_ppm)
    assert len(ticks._segments) <= 256
