"""The simulator's own encoder and decoder against firmware_notes/wire_vectors.json."""

from __future__ import annotations

import binascii
import zlib

import numpy as np
import pytest
from cobs import cobs

from simulators import encode

HOST = {"ask hello", "ask clock", "confirm", "send again", "set trigger"}


def encoded(entry):
    """What the simulator makes of the fields of a vector."""
    fields = dict(entry["fields"])
    kind = entry["message"]
    if kind == "hello":
        fields["board_id"] = bytes.fromhex(fields["board_id"])
        fields["firmware"] = tuple(fields["firmware"])
        return encode.Hello(**fields).encode()
    if kind == "strike scans":
        shape = (-1, fields.pop("rows"), fields.pop("cells"))
        counts = np.array(fields.pop("counts"), dtype=np.uint16).reshape(shape)
        ticks = np.array(fields.pop("scan_ticks"), dtype=np.uint32)
        return encode.strike_part(scan_ticks=ticks, counts=counts, **fields)
    makers = {
        "reading": encode.reading,
        "status": encode.status,
        "clock reply": encode.clock_reply,
        "button": encode.button,
    }
    return makers[kind](**fields)


def test_board_messages_match_the_vectors(vectors):
    board = [entry for entry in vectors["frames"] if entry["message"] not in HOST]
    assert {entry["message"] for entry in board} == {
        "hello", "reading", "strike scans", "status", "clock reply", "button",
    }  # fmt: skip
    for entry in board:
        made = encoded(entry)
        assert made.hex() == entry["wire_hex"], entry["name"]
        assert cobs.decode(made[:-1]).hex() == entry["decoded_hex"], entry["name"]


@pytest.mark.parametrize("feeding", ["whole", "byte by byte", "after garbage"])
def test_host_messages_match_the_vectors(vectors, feeding):
    asked = [entry for entry in vectors["frames"] if entry["message"] in HOST]
    assert {entry["message"] for entry in asked} == HOST
    for entry in asked:
        decoder = encode.HostDecoder()
        wire = bytes.fromhex(entry["wire_hex"])
        if feeding == "byte by byte":
            got = [m for byte in wire for m in decoder.feed(bytes([byte]))]
        elif feeding == "after garbage":
            got = decoder.feed(b"\x07rubbish\x00" + wire + b"\x00" + wire)
            assert decoder.bad_frames == 1
            assert len(got) == 2
        else:
            got = decoder.feed(wire)
        expected = encode.FromHost(entry["type"], tuple(entry["fields"].values()))
        assert got[0] == expected, entry["name"]


def test_checks_are_the_published_ones():
    # Check values of the catalogue of parametrised CRC algorithms: CRC-32/ISO-HDLC CBF43926,
    # CRC-16/IBM-3740 29B1, both over "123456789".
    assert zlib.crc32(b"123456789") == 0xCBF43926
    framed = cobs.decode(encode.frame(0x31, b"23456789")[:-1])
    assert framed == b"123456789" + (0xCBF43926).to_bytes(4, "little")
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1


def test_cobs_example_of_cheshire_and_baker():
    # IEEE/ACM Trans. Networking 7(2), 1999, figure of the worked packet (from memory).
    packet = bytes.fromhex("4500002C4C79000040064F37")
    assert cobs.encode(packet).hex() == "024501042c4c79010540064f37"


def test_text_lines_match_the_vectors(vectors):
    made = {
        encode.text_line(**{k: v for k, v in entry["fields"].items() if k != "checked"},
                         checksum=entry["fields"]["checked"]).decode().rstrip("\n")
        for entry in vectors["lines"] if entry["fields"]
    }  # fmt: skip
    written = {entry["line"] for entry in vectors["lines"] if entry["fields"]}
    # One line of the vectors has blanks and a key that no writer of ours would make.
    assert written - made == {"LB1  x=+0.25   colour=red"}


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (-0.001, "0"), (12.4, "12.4"), (-3.0, "-3"), (1e-9, "0"), (100.0, "100")],
)
def test_decimals_have_no_exponent_and_no_minus_zero(value, text):
    assert encode.text_line(x=value) == f"LB1 x={text}\n".encode()


def test_unknown_short_long_and_endless_frames():
    decoder = encode.HostDecoder()
    assert decoder.feed(encode.frame(0x7F, b"later")) == []
    assert (decoder.unknown_frames, decoder.bad_frames) == (1, 0)
    assert decoder.feed(encode.frame(encode.CONFIRM, b"\1\0\0\0")) == []
    assert decoder.bad_frames == 1
    longer = encode.frame(encode.ASK_CLOCK, b"\7\0\0\0and more")
    assert decoder.feed(longer) == [encode.FromHost(encode.ASK_CLOCK, (7,))]
    wrong = bytearray(encode.frame(encode.ASK_CLOCK, b"\7\0\0\0"))
    wrong[3] ^= 0x10
    assert decoder.feed(bytes(wrong)) == []
    assert decoder.bad_frames == 2
    assert decoder.feed(b"\x05" * 600) == []
    assert decoder.feed(b"\x05" * 600 + b"\x00") == []
    assert decoder.bad_frames == 3
    assert len(decoder.feed(longer)) == 1


def test_a_strike_is_cut_into_parts_that_fit():
    rng = np.random.default_rng(0)
    counts = rng.integers(0, 4096, (30, 2, 32)).astype(np.uint16)
    ticks = np.arange(30, dtype=np.uint32)
    parts = encode.strike(sequence=1, flags=0, span_ticks=9, scan_ticks=ticks, counts=counts)
    # Section 2.1: at most 516 bytes with the end; 3 scans of 4 + 128 bytes fit 492.
    assert len(parts) == 10
    assert max(map(len, parts)) <= 516
    with pytest.raises(ValueError, match="one byte"):
        encode.strike(
            sequence=1, flags=0, span_ticks=9, scan_ticks=ticks, counts=counts, value_bytes=1
        )
    with pytest.raises(ValueError, match="does not fit"):
        encode.frame(3, bytes(508))
