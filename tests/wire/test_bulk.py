"""Bulk decoding gives what the ordinary decoder gives."""

import zlib

import numpy as np
import pytest
from cobs import cobs
from hypothesis import example, given
from hypothesis import strategies as st

from logger.bulk import decode_bulk
from logger.decoding import Decoder
from logger.errors import ProtocolError
from logger.framing import encode_frame
from logger.records import Flag, RawRecord, Reading
from logger.wire import encode

NOW_NS = 55


def same_both_ways(stream, plain):
    decoder = Decoder()
    ordinary = decoder.feed(stream, NOW_NS)
    bulk = decode_bulk(stream, NOW_NS)
    assert plain(bulk.in_order()) == plain(ordinary)
    assert bulk.counters == decoder.counters
    return bulk


def wire_of(body):
    return cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\x00"


def test_vectors_in_bulk(vectors, plain):
    wires = [bytes.fromhex(v["wire_hex"]) for v in vectors["frames"]]
    bulk = same_both_ways(b"".join(wires), plain)
    fields = [v["fields"] for v in vectors["frames"] if v["message"] == "reading"]
    columns = [
        dict(zip(bulk.readings.dtype.names, row.item(), strict=True)) for row in bulk.readings
    ]
    assert columns == fields
    starts = np.cumsum([0] + [len(wire) for wire in wires])
    where = [starts[i] for i, v in enumerate(vectors["frames"]) if v["message"] == "reading"]
    assert bulk.reading_offsets.tolist() == where


@pytest.mark.parametrize("stream", [b"", b"\x00", b"x", b"\x01" * 25, b"\x01" * 25 + b"\x00"])
def test_nothing_much(stream, plain):
    assert len(same_both_ways(stream, plain).readings) == 0


reading_bodies = st.binary(min_size=19, max_size=19).map(lambda payload: b"\x02" + payload)
# Zeros and the letters of a text line make all the difference to the way a frame is cut.
close_bodies = st.text("\x00\n LB1\x02", min_size=19, max_size=19).map(
    lambda text: b"\x02" + text.encode("latin-1")
)
pieces = st.one_of(
    reading_bodies.map(wire_of),
    close_bodies.map(wire_of),
    # Right length, right checksum, another type; and a reading that is too long by a field.
    st.binary(min_size=20, max_size=20).map(lambda body: wire_of(b"\x07" + body[1:])),
    reading_bodies.map(lambda body: wire_of(body + b"\x01")),
    reading_bodies.map(lambda body: wire_of(body)[:-4] + b"\x99\x98\x97\x00"),
    # Right length, and codes that run past the end or stop short of it.
    st.binary(min_size=25, max_size=25).map(
        lambda noise: noise.replace(b"\x00", b"\x01") + b"\x00"
    ),
    st.binary(max_size=60),
    st.just(b"LB1 x=1\n"),
    st.just(b"LB1 x=1 pad=0123456789\n"),
    st.just(b"\xaa" * 600),
    st.just(b"word\n"),
)


@given(st.lists(pieces, max_size=12).map(b"".join))
@example(b"\xaa" * 600 + wire_of(b"\x02" + bytes(19)))
@example(b"word\n" + wire_of(b"\x02" + bytes(19)))
@example(wire_of(b"\x02LB1 x=1" + bytes(11)) + wire_of(b"\x02\nLB1 \n" + bytes(13)))
@example(b"LB1 x=1\n" + wire_of(b"\x02" + bytes(19)) * 2)
def test_any_stream_gives_the_same_both_ways(plain, stream):
    try:
        Decoder().feed(stream, NOW_NS)
    except ProtocolError:
        with pytest.raises(ProtocolError):
            decode_bulk(stream, NOW_NS)
        return
    same_both_ways(stream, plain)


@given(st.data())
def test_mixed_messages_give_the_same_both_ways(message_strategy, strike_strategy, plain, data):
    messages = data.draw(st.lists(message_strategy, max_size=8)) + data.draw(strike_strategy)
    order = data.draw(st.permutations(messages))
    same_both_ways(b"".join(encode_frame(encode(m)) for m in order), plain)


def test_more_than_a_block_with_damage_in_it(plain):
    rng = np.random.default_rng(3)
    frames = []
    for sequence in range(9000):
        ticks, position, pressure = (int(rng.integers(0, top)) for top in (2**32, 4000, 65536))
        reading = Reading(sequence, ticks, position / 100, None, pressure, Flag(0), 0)
        frames.append(bytearray(wire_of(encode(reading))))
    hit = rng.choice(len(frames), 300, replace=False)
    for index in hit:
        frames[index][rng.integers(0, 25)] ^= 1 << int(rng.integers(0, 8))
    bulk = same_both_ways(b"".join(frames), plain)
    read = [item.record.sequence for item in bulk.in_order() if isinstance(item, RawRecord)]
    assert sorted(set(range(9000)) - set(read)) == sorted(hit.tolist())
    assert bulk.readings["sequence"].tolist() == read
