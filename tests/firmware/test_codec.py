"""The C core's bytes against the page's vectors, the papers' and two other implementations."""

from __future__ import annotations

import json
import zlib
from pathlib import Path

import numpy as np
import pytest
from c_codec import Core, HelloC
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from logger.protocol.framing import Frame, FrameDecoder, encode_frame
from logger.protocol.records import (
    AskClock,
    AskHello,
    Button,
    ButtonAction,
    ClockReply,
    Confirm,
    Flag,
    Hello,
    Reading,
    ScanOrder,
    SendAgain,
    SetTrigger,
    Status,
    StrikePart,
)
from logger.protocol.wire import encode, parse

VECTORS = json.loads(
    (Path(__file__).parents[2] / "firmware_notes" / "wire_vectors.json").read_text("ascii")
)["frames"]
FROM_BOARD = [vector for vector in VECTORS if vector["type"] < 0x20]
FROM_HOST = [vector for vector in VECTORS if vector["type"] >= 0x20]

u8, u16, u32 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
i16 = st.integers(-(2**15), 2**15 - 1)


@pytest.fixture(scope="module")
def core(library) -> Core:
    # The largest geometry, so that every vector's frame has room.
    return Core(library("two_by_32"))


def test_crc_of_the_check_string(core: Core) -> None:
    # The check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms
    # (G. Cook), which is also what zlib gives.
    assert core.crc32(b"123456789") == 0xCBF43926


@given(data=st.binary(max_size=600))
def test_crc_is_zlibs(core: Core, data: bytes) -> None:
    assert core.crc32(data) == zlib.crc32(data)


# Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Trans. Networking 7(2), 1999,
# 159-172: the header example; the rest are common examples of the encoding, checked with the
# package cobs 1.2.2.
COBS_EXAMPLES = [
    ("4500002c4c79000040064f37", "024501042c4c79010540064f37"),
    ("", "01"),
    ("00", "0101"),
    ("0000", "010101"),
    ("00110000", "0102110101"),
    ("11220033", "0311220233"),
    ("11223344", "0511223344"),
    ("11000000", "0211010101"),
    (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
    (bytes(range(255)).hex(), "01ff" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "ff" + bytes(range(1, 255)).hex() + "02ff"),
    (bytes([*range(2, 256), 0]).hex(), "ff" + bytes(range(2, 256)).hex() + "0101"),
    (bytes([*range(3, 256), 0, 1]).hex(), "fe" + bytes(range(3, 256)).hex() + "0201"),
]


@pytest.mark.parametrize(("plain", "encoded"), COBS_EXAMPLES)
def test_cobs_examples(core: Core, plain: str, encoded: str) -> None:
    assert core.cobs_encode(bytes.fromhex(plain)) == bytes.fromhex(encoded)
    assert core.cobs_decode(bytes.fromhex(encoded)) == bytes.fromhex(plain)


@given(data=st.binary(max_size=600) | st.lists(st.sampled_from([0, 1, 255]), max_size=600))
def test_cobs_is_the_packages(core: Core, data: bytes | list[int]) -> None:
    data = bytes(data)
    assert core.cobs_encode(data) == cobs.encode(data)
    assert core.cobs_decode(cobs.encode(data)) == data


@given(data=st.binary(min_size=1, max_size=300))
def test_cobs_refuses_what_the_package_refuses(core: Core, data: bytes) -> None:
    try:
        expected = cobs.decode(data)
    except cobs.DecodeError:
        expected = None
    assert core.cobs_decode(data) == expected


@pytest.mark.parametrize("vector", FROM_BOARD, ids=lambda vector: vector["name"])
def test_board_vectors(core: Core, vector: dict) -> None:
    assert core.from_fields(vector["message"], vector["fields"]).hex() == vector["wire_hex"]


@pytest.mark.parametrize("vector", FROM_HOST, ids=lambda vector: vector["name"])
def test_host_vectors(core: Core, vector: dict) -> None:
    messages, bad = core.read_host(bytes.fromhex(vector["wire_hex"]))
    assert bad == 0
    (message,) = messages
    names = {"protocol_major": "major", "protocol_minor": "minor"}
    for name, value in vector["fields"].items():
        assert getattr(message, names.get(name, name)) == value


@pytest.mark.parametrize("vector", FROM_BOARD, ids=lambda vector: vector["name"])
def test_a_board_takes_no_other_boards_words_for_a_hosts(core: Core, vector: dict) -> None:
    assert core.read_host(bytes.fromhex(vector["wire_hex"])) == ([], 1)


def _only_body(frame: bytes) -> bytes:
    (piece,) = FrameDecoder().feed(frame)
    assert isinstance(piece, Frame)
    return piece.body


text = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=24)


@given(
    message=st.one_of(
        st.builds(
            Hello,
            st.just(1),
            st.just(0),
            st.binary(min_size=8, max_size=8).map(bytes.hex),
            u32,
            st.tuples(u8, u8, u8),
            st.integers(1000, 100_000_000),
            st.just(2),
            st.integers(1, 64),
            st.integers(1, 65535),
            st.integers(1, 65535),
            st.sampled_from(ScanOrder),
            u32,
            st.integers(1, 65535),
            u16,
            st.integers(0, 2**31),
            st.integers(2**31, 2**32 - 1),
            st.integers(0, 31),
            text,
        ),
        st.builds(
            Reading,
            u32,
            u32,
            i16.map(lambda hundredths: hundredths / 100),
            st.none() | i16.filter(lambda value: value != -32768).map(lambda value: value / 100),
            u16,
            st.integers(0, 255).map(Flag),
            u32,
            # A name comes in lines of text only.
            st.none(),
        ),
        st.builds(ClockReply, u32, u32, u32),
        st.builds(Button, u32, u32, st.sampled_from(ButtonAction), st.just(Flag(0))),
        st.builds(
            Status,
            u32,
            st.none() | st.integers(1, 65535),
            st.none() | i16.filter(lambda value: value != -32768).map(lambda value: value / 10),
            st.none() | st.integers(0, 65534).map(lambda value: value / 16),
            u16,
            u16,
            u32,
            u16,
            st.integers(0, 2**31),
            st.integers(2**31, 2**32 - 1),
        ),
    )
)
def test_board_messages_go_round_unchanged(core: Core, message: object) -> None:
    """Written in C, read in Python: the same message; and Python's own bytes are C's."""
    body = encode(message)
    kind = {Hello: "hello", Reading: "reading", ClockReply: "clock reply", Button: "button"}
    fields = _fields(message)
    frame = core.from_fields(kind.get(type(message), "status"), fields)
    assert parse(_only_body(frame)) == message
    assert frame == encode_frame(body)


def _fields(message: object) -> dict:
    """Fields in wire units, by the page's names."""
    if isinstance(message, Hello):
        names = [name for name, *_ in HelloC._fields_]
        fields = {name: getattr(message, name) for name in names}
        return {**fields, "protocol_major": 1, "protocol_minor": 0}
    if isinstance(message, Reading):
        trail = -32768 if message.trail_mm is None else round(message.trail_mm * 100)
        return {
            "sequence": message.sequence,
            "ticks": message.ticks,
            "position": round(message.board_mm * 100),
            "trail": trail,
            "pressure": message.pressure_counts,
            "flags": int(message.flags),
            "span_ticks": message.span_ticks,
        }
    if isinstance(message, Status):
        cold = message.temperature_c is None
        return {
            "ticks": message.ticks,
            "supply_mv": message.supply_mv or 0,
            "temperature": -32768 if cold else round(message.temperature_c * 10),
            "noise": 65535 if message.noise_counts is None else round(message.noise_counts * 16),
            "trigger_level": message.trigger_level,
            "kept": message.kept,
            "dropped": message.dropped,
            "bad_frames": message.bad_frames,
            "oldest_kept": message.oldest_kept,
            "next_sequence": message.next_sequence,
        }
    if isinstance(message, ClockReply):
        return {name: getattr(message, name) for name in ("token", "received_ticks", "sent_ticks")}
    assert isinstance(message, Button)
    return {"sequence": message.sequence, "ticks": message.ticks, "action": int(message.action)}


@given(data=st.data(), cells=st.integers(1, 32), rows=st.integers(1, 2), wide=st.booleans())
def test_strike_parts_go_round_unchanged(
    core: Core, data: st.DataObject, cells: int, rows: int, wide: bool
) -> None:
    scans = data.draw(st.integers(1, 3))
    top = 65535 if wide else 255
    flat = data.draw(
        st.lists(st.integers(0, top), min_size=scans * rows * cells, max_size=scans * rows * cells)
    )
    counts = np.array(flat, np.uint16).reshape(scans, rows, cells)
    ticks = data.draw(st.lists(u32, min_size=scans, max_size=scans))
    fields = {
        "sequence": data.draw(u32),
        "part": 0,
        "parts": data.draw(st.integers(1, 32)),
        "flags": data.draw(u8),
        "value_bytes": 2 if wide else 1,
        "rows": rows,
        "cells": cells,
        "span_ticks": data.draw(u32),
        "scan_ticks": ticks,
        "counts": counts.reshape(scans, -1).tolist(),
    }
    read = parse(_only_body(core.from_fields("strike scans", fields)))
    assert isinstance(read, StrikePart)
    assert (read.sequence, read.part, read.parts) == (fields["sequence"], 0, fields["parts"])
    assert (int(read.flags), read.span_ticks) == (fields["flags"], fields["span_ticks"])
    np.testing.assert_array_equal(read.scan_ticks, np.array(ticks, np.uint32))
    np.testing.assert_array_equal(read.counts, counts)


host_messages = st.one_of(
    st.builds(AskHello, u8, u8),
    st.builds(AskClock, u32),
    st.builds(Confirm, u32, u32),
    st.builds(SendAgain, u32, u32),
    st.builds(SetTrigger, u16),
)


@given(
    messages=st.lists(host_messages, max_size=12),
    extra=st.binary(max_size=40),
    doubled=st.booleans(),
)
def test_host_messages_arrive_as_sent(
    core: Core, messages: list, extra: bytes, doubled: bool
) -> None:
    """Also with fields of a later minor version behind, and empty frames between."""
    line = b"".join(encode_frame(encode(m) + extra) + b"\x00" * doubled for m in messages)
    read, bad = core.read_host(line)
    assert bad == 0
    assert len(read) == len(messages)
    for got, sent in zip(read, messages, strict=True):
        for name in sent.__slots__:
            c_name = {"protocol_major": "major", "protocol_minor": "minor"}.get(name, name)
            assert getattr(got, c_name) == getattr(sent, name)


@given(message=host_messages, where=st.integers(0, 10_000), bit=st.integers(0, 7))
def test_one_flipped_bit_is_never_obeyed(core: Core, message: object, where: int, bit: int) -> None:
    frame = bytearray(encode_frame(encode(message)))
    frame[where % len(frame)] ^= 1 << bit
    read, bad = core.read_host(bytes(frame) + b"\x00")
    assert read == []
    assert bad >= 1


@pytest.mark.parametrize("kind", [0x21, 0x22, 0x23, 0x24, 0x25])
def test_a_payload_one_byte_short_is_dropped(core: Core, kind: int) -> None:
    needed = {0x21: 2, 0x22: 4, 0x23: 8, 0x24: 8, 0x25: 2}[kind]
    assert core.read_host(encode_frame(bytes([kind]) + b"\x07" * (needed - 1))) == ([], 1)


def test_the_longest_frame_is_read_and_one_longer_is_not(core: Core) -> None:
    # 512 decoded bytes with type and CRC (wire.md, section 2.1).
    longest = bytes([0x22]) + b"\x01\x02\x03\x04" + b"\x05" * 503
    read, bad = core.read_host(encode_frame(longest))
    assert (len(read), bad) == (1, 0)
    body = longest + b"\x05"
    over = cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\x00"
    assert core.read_host(over) == ([], 1)
    both = over + encode_frame(longest)
    assert (len(core.read_host(both)[0]), core.read_host(both)[1]) == (1, 1)
