"""A stream cut into frames, text lines and damage: sections 2.1, 2.2 and 3.3 of the page."""

import re
import tracemalloc
import zlib

import pytest
from cobs import cobs
from hypothesis import example, given
from hypothesis import strategies as st

from logger.protocol.framing import (
    BadFrame,
    Frame,
    FrameDecoder,
    FrameFault,
    TextLine,
    encode_frame,
)


def wire_of(body):
    """A frame made without the code under test."""
    return cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\x00"


def bodies(pieces):
    return [piece.body for piece in pieces if isinstance(piece, Frame)]


def reasons(pieces):
    return [piece.reason for piece in pieces if isinstance(piece, BadFrame)]


def lines(pieces):
    return [piece.line for piece in pieces if isinstance(piece, TextLine)]


def test_vectors_three_ways(vectors, three_ways):
    wires = [bytes.fromhex(v["wire_hex"]) for v in vectors["frames"]]
    expected = [bytes.fromhex(v["decoded_hex"])[:-4] for v in vectors["frames"]]
    runs = three_ways(lambda: FrameDecoder().feed, wires, lambda p: isinstance(p, BadFrame))
    assert [bodies(run) for run in runs] == [expected] * 3
    assert [len(run) for run in runs] == [len(expected)] * 3
    for body, wire in zip(expected, wires, strict=True):
        assert encode_frame(body) == wire


def test_offsets_point_into_the_stream():
    stream = (
        b"\x00boot\n\x00" + wire_of(b"\x02ab") + b"LB1 x=1\n\x01\x02\x03\x00" + wire_of(b"\x04")
    )
    pieces = FrameDecoder().feed(stream)
    kinds = [type(piece) for piece in pieces]
    assert kinds == [BadFrame, Frame, TextLine, BadFrame, Frame]
    for piece in pieces:
        raw = {Frame: lambda p: wire_of(p.body), TextLine: lambda p: p.line + b"\n"}.get(
            type(piece), lambda p: p.raw
        )(piece)
        assert stream[piece.offset :].startswith(raw)


@pytest.mark.parametrize("length", [0, 509, 1000])
def test_encoding_what_does_not_fit_is_misuse(length):
    with pytest.raises(ValueError, match="508"):
        encode_frame(bytes(length))


@pytest.mark.parametrize("fill", [0, 1, 0xFF])
def test_longest_and_shortest_frame(fill):
    for length in (1, 508):
        body = bytes([fill]) * length
        assert bodies(FrameDecoder().feed(wire_of(body))) == [body]


@pytest.mark.parametrize("fill", [0, 1, 0xFF])
@pytest.mark.parametrize("length", [509, 510, 511, 512, 600, 5000])
def test_longer_than_512_decoded_bytes_is_dropped_and_the_next_is_good(length, fill):
    good = wire_of(b"\x05next")
    pieces = FrameDecoder().feed(wire_of(bytes([fill]) * length) + good)
    assert bodies(pieces) == [b"\x05next"]
    assert reasons(pieces) == [FrameFault.TOO_LONG]


def test_what_a_frame_is_dropped_for():
    good = wire_of(b"\x02\x07\x08")
    flipped = bytearray(good)
    flipped[2] ^= 1
    short = cobs.encode(b"\x02\x03\x04") + b"\x00"
    # A checksum of nothing at all is right, but a frame has a type.
    nothing = cobs.encode(zlib.crc32(b"").to_bytes(4, "little")) + b"\x00"
    code_past_the_end = b"\x09\x01\x02\x00"
    stream = bytes(flipped) + short + nothing + code_past_the_end + good
    assert reasons(FrameDecoder().feed(stream)) == [
        FrameFault.BAD_CHECKSUM,
        FrameFault.TOO_SHORT,
        FrameFault.TOO_SHORT,
        FrameFault.BAD_CODE,
    ]
    assert bodies(FrameDecoder().feed(stream)) == [b"\x02\x07\x08"]


def test_every_flipped_bit_of_a_frame_is_noticed():
    good = wire_of(bytes.fromhex("0203000000" "40e20100d804cafe2c0304e1000000"))  # fmt: skip
    for bit in range(8 * (len(good) - 1)):
        flipped = bytearray(good)
        flipped[bit // 8] ^= 1 << bit % 8
        assert bodies(FrameDecoder().feed(bytes(flipped) + good)) == [
            bytes.fromhex("020300000040e20100d804cafe2c0304e1000000")
        ]


def test_empty_frames_are_ignored():
    assert FrameDecoder().feed(b"\x00\x00\x00" + wire_of(b"\x02") + b"\x00") == [
        Frame(b"\x02", offset=3)
    ]


def test_boot_chatter_before_the_first_frame():
    """Noise of a port that opens and a boot loader's words, as a development board prints them."""
    chatter = b"\xff\xff\x00\xfe\xffrst:0x1 (POWERON),boot:0x13\r\nload:0x3fff0030,len:1184\r\n"
    hello = wire_of(b"\x01\x01hello")
    # With the zero that the page asks for after a reset.
    assert bodies(FrameDecoder().feed(chatter + b"\x00" + hello)) == [b"\x01\x01hello"]
    # Without it, too, if the chatter is text.
    words = b"rst:0x1 (POWERON),boot:0x13\r\nload:0x3fff0030,len:1184\r\n"
    pieces = FrameDecoder().feed(words + hello)
    assert pieces == [
        BadFrame(FrameFault.OTHER_TEXT, words, 0),
        Frame(b"\x01\x01hello", len(words)),
    ]
    # And a sketch that speaks text needs no zero at all.
    pieces = FrameDecoder().feed(chatter + b"LB1 x=1.5\r\n")
    assert lines(pieces) == [b"LB1 x=1.5"]


def test_debug_lines_between_frames_cost_no_frame():
    # The second body gives an encoded frame that begins with the byte of an LF.
    frames = [b"\x02\x01\x02\x03", b"\x22\xef\xbe\xad\xde"]
    assert wire_of(frames[1])[0] == 0x0A
    stream = b"".join(b"scan took 412 us\r\nok\n" + wire_of(body) for body in frames)
    pieces = FrameDecoder().feed(stream)
    assert bodies(pieces) == frames
    assert reasons(pieces) == [FrameFault.OTHER_TEXT] * 2


def test_lines_and_frames_in_one_stream():
    stream = b"LB1 x=1\n" + wire_of(b"\x02\x01") + b"LB1 x=2\r\nLB1 x=3\n" + wire_of(b"\x02\x02")
    pieces = FrameDecoder().feed(stream)
    assert [type(piece) for piece in pieces] == [TextLine, Frame, TextLine, TextLine, Frame]
    assert lines(pieces) == [b"LB1 x=1", b"LB1 x=2", b"LB1 x=3"]


@pytest.mark.parametrize(
    "not_a_line", [b"LB x=1\n", b"LB1\n", b"LB1x=1\n", b" LB1 x=1\n", b"lb1 x=1\n", b"LB1 \xb0\n"]
)
def test_what_is_no_line_waits_for_a_zero(not_a_line):
    decoder = FrameDecoder()
    assert decoder.feed(not_a_line) == []
    assert len(reasons(decoder.feed(b"\x00"))) == 1


def test_a_line_inside_the_bytes_of_a_frame_stays_in_it():
    """Without an LF before and after it, what looks like a line is payload."""
    for body in (b"\x02LB1 x=1\n", b"\x02\n\x00LB1 x=1", b"\x02 LB1 x=1\n\x00"):
        assert bodies(FrameDecoder().feed(wire_of(body))) == [body]


def test_long_runs_are_dropped_once_and_a_line_after_them_is_read():
    for run in (b"\xaa" * 10_000, b"x" * 10_000, b"\xaa" * 516, b"\xaa" * 517):
        pieces = FrameDecoder().feed(run + b"\nLB1 x=1\n" + wire_of(b"\x02"))
        assert reasons(pieces) == [FrameFault.TOO_LONG]
        assert len(pieces[0].raw) == 516
        assert lines(pieces) == [b"LB1 x=1"]
        assert bodies(pieces) == [b"\x02"]


def test_a_text_line_across_the_limit_is_not_lost():
    for length in range(495, 530):
        chatter = b"tick\n" * 200
        pieces = FrameDecoder().feed(chatter[-length:] + b"LB1 x=12.4\n")
        assert lines(pieces) == [b"LB1 x=12.4"], length


def test_blank_lines_are_nothing():
    assert lines(pieces := FrameDecoder().feed(b"\r\n\r\nLB1 x=1\r\n\n\r\n\x00")) == [b"LB1 x=1"]
    assert len(pieces) == 1


def test_finish_reports_what_broke_off():
    decoder = FrameDecoder()
    decoder.feed(wire_of(b"\x02abcdef")[:-3])
    assert reasons(decoder.finish()) == [FrameFault.CUT_OFF]
    assert decoder.finish() == []
    assert bodies(decoder.feed(wire_of(b"\x03"))) == [b"\x03"]


def reader_by_the_page(stream):
    """Section 3.3 read aloud, one byte at a time; shares nothing with the decoder but its results.

    Gives bodies and lines only, in order.
    """
    out, since, segment_start, dropping = [], b"", 0, False

    def frame(encoded):
        try:
            decoded = cobs.decode(encoded)
        except cobs.DecodeError:
            return None
        body, crc = decoded[:-4], decoded[-4:]
        right = zlib.crc32(body).to_bytes(4, "little") == crc
        return body if 5 <= len(decoded) <= 512 and right else None

    for byte in stream:
        if byte == 0:
            if not dropping:
                body = frame(since)
                while body is None and re.match(rb"[\x20-\x7e\t\r]*\n", since):
                    since = since[since.index(b"\n") + 1 :]
                    body = frame(since)
                if body is not None:
                    out.append(body)
            since, segment_start, dropping = b"", 0, False
        elif dropping:
            dropping = byte != 10
        else:
            since += bytes([byte])
            if byte == 10:
                segment = since[segment_start:-1]
                segment_start = len(since)
                if re.fullmatch(rb"LB[0-9]+ [\x20-\x7e\t\r]*", segment):
                    out.append(("line", segment.removesuffix(b"\r")))
                    since, segment_start = b"", 0
            if len(since) == 516:
                dropping = segment_start == 0
                since, segment_start = since[segment_start:] if segment_start else b"", 0
    return out


stretches = st.one_of(
    st.binary(min_size=1, max_size=508).map(wire_of),
    st.binary(max_size=40),
    st.binary(max_size=40).map(lambda noise: noise + b"\x00"),
    st.sampled_from(
        [b"LB1 x=1\n", b"LB2 \r\n", b"LB1 x", b"\n", b"\r\n", b"\x00", b"LB", b"word\n"]
    ),
    st.integers(1, 1200).map(lambda n: b"\xaa" * n),
    st.integers(1, 300).map(lambda n: b"ab\n" * n),
    st.text("LB1 \n\x00x", max_size=30).map(str.encode),
)
streams = st.lists(stretches, max_size=8).map(b"".join)


def chopped(data, stream):
    decoder, pieces = FrameDecoder(), []
    while stream:
        size = data.draw(st.integers(1, max(1, len(stream))))
        pieces += decoder.feed(stream[:size])
        stream = stream[size:]
    return pieces


@given(streams)
@example(b"\xaa" * 516 + b"LB1 x=1\n")
@example(b"\n" * 516 + b"LB1 x=1\n")
@example(b"a\n" + b"\xaa" * 515 + b"\nLB1 x=1\n")
@example(b"word\n" * 100 + wire_of(b"\x02" * 100))
def test_decoder_equals_the_page_read_aloud(stream):
    pieces = FrameDecoder().feed(stream)
    good = [
        piece.body if isinstance(piece, Frame) else ("line", piece.line)
        for piece in pieces
        if not isinstance(piece, BadFrame)
    ]
    assert good == reader_by_the_page(stream)


@given(streams, st.data())
def test_how_a_stream_is_chopped_changes_nothing(stream, data):
    whole = FrameDecoder().feed(stream)
    assert chopped(data, stream) == whole
    single, decoder = [], FrameDecoder()
    for byte in stream:
        single += decoder.feed(bytes([byte]))
    assert single == whole


@given(streams, st.binary(min_size=1, max_size=508))
def test_the_next_good_frame_after_any_garbage_is_found(garbage, body):
    decoder = FrameDecoder()
    decoder.feed(garbage + b"\x00")
    assert decoder.feed(wire_of(body))[-1].body == body


@given(streams)
def test_no_byte_is_reported_twice_and_pieces_are_in_order(stream):
    decoder = FrameDecoder()
    pieces = decoder.feed(stream)
    pieces += decoder.finish()
    end = 0
    for piece in pieces:
        assert piece.offset >= end
        if isinstance(piece, BadFrame):
            assert stream[piece.offset :].startswith(piece.raw)
            assert len(piece.raw) <= 516
            end = piece.offset + len(piece.raw)
        elif isinstance(piece, TextLine):
            end = piece.offset + len(piece.line) + 1
        else:
            end = piece.offset + len(wire_of(piece.body))
    assert end <= len(stream)


@pytest.mark.parametrize("endless", [b"\xaa", b"x", b"\n", b"\r\n", b"LB1 ", b"LB"])
def test_memory_is_bounded_whatever_comes(endless):
    decoder = FrameDecoder()
    chunk = endless * 1000
    decoder.feed(chunk)
    tracemalloc.start()
    try:
        for _ in range(200):
            decoder.feed(chunk)
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert held < 20_000
