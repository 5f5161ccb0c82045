"""Checksums and COBS against what is published about them."""

import zlib

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from logger.protocol.framing import CRC_RESIDUE, encode_frame
from logger.protocol.text_form import line_checksum


def crc_by_bits(data, width, polynomial, start, reflected, final):
    """CRC bit by bit, parameters as in the catalogue of parametrised CRC algorithms."""
    top, mask = 1 << (width - 1), (1 << width) - 1
    crc = start
    for byte in data:
        if reflected:
            byte = int(f"{byte:08b}"[::-1], 2)
        crc ^= byte << (width - 8)
        for _ in range(8):
            crc = ((crc << 1) ^ (polynomial if crc & top else 0)) & mask
    if reflected:
        crc = int(f"{crc:0{width}b}"[::-1], 2)
    return crc ^ final


def cobs_by_paper(data):
    """Cheshire and Baker 1999, section 3: each code says where the next zero is."""
    out = bytearray()
    block = bytearray()
    for byte in data:
        # A full block stands for no zero, and is written only when more follows.
        if len(block) == 254:
            out += b"\xff" + block
            block.clear()
        if byte:
            block.append(byte)
        else:
            out += bytes([len(block) + 1]) + block
            block.clear()
    return bytes(out + bytes([len(block) + 1]) + block)


# Check values of "123456789": catalogue of parametrised CRC algorithms (Cook), entries
# CRC-16/IBM-3740 and CRC-32/ISO-HDLC.
CHECK = b"123456789"


def test_line_checksum_has_the_published_check_value():
    assert line_checksum(CHECK) == 0x29B1
    assert crc_by_bits(CHECK, 16, 0x1021, 0xFFFF, False, 0) == 0x29B1


def test_frame_checksum_has_the_published_check_value():
    frame = cobs.decode(encode_frame(CHECK)[:-1])
    assert frame == CHECK + bytes.fromhex("2639f4cb")
    assert crc_by_bits(CHECK, 32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF) == 0xCBF43926


def test_residue_is_the_published_one():
    # Same catalogue, CRC-32/ISO-HDLC: residue 0xDEBB20E3, before the final inversion; the
    # catalogue's residue is written reflected, as the register of a reflected CRC stands.
    assert CRC_RESIDUE == 0xDEBB20E3 ^ 0xFFFFFFFF
    assert zlib.crc32(CHECK + zlib.crc32(CHECK).to_bytes(4, "little")) == CRC_RESIDUE


@given(st.binary(max_size=200))
def test_line_checksum_equals_the_bitwise_one(data):
    assert line_checksum(data) == crc_by_bits(data, 16, 0x1021, 0xFFFF, False, 0)


def _run(first, last):
    return bytes(range(first, last + 1))


# First: Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999, the paper's worked
# example. The rest: common worked examples of COBS, as printed with the package cobs 1.2.
COBS_EXAMPLES = [
    (bytes.fromhex("4500002c4c79000040064f37"), bytes.fromhex("024501042c4c79010540064f37")),
    (b"", b"\x01"),
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (bytes.fromhex("00110000"), bytes.fromhex("0102110101")),
    (bytes.fromhex("11220033"), bytes.fromhex("0311220233")),
    (bytes.fromhex("11223344"), bytes.fromhex("0511223344")),
    (bytes.fromhex("11000000"), bytes.fromhex("0211010101")),
    (_run(1, 254), b"\xff" + _run(1, 254)),
    (_run(0, 254), b"\x01\xff" + _run(1, 254)),
    (_run(1, 255), b"\xff" + _run(1, 254) + b"\x02\xff"),
    (_run(2, 255) + b"\x00", b"\xff" + _run(2, 255) + b"\x01\x01"),
    (_run(3, 255) + b"\x00\x01", b"\xfe" + _run(3, 255) + b"\x02\x01"),
]


@pytest.mark.parametrize(("decoded", "encoded"), COBS_EXAMPLES)
def test_cobs_examples(decoded, encoded):
    assert cobs.encode(decoded) == encoded
    assert cobs.decode(encoded) == decoded
    assert cobs_by_paper(decoded) == encoded


@given(st.binary(min_size=1, max_size=508))
def test_frames_are_what_the_paper_and_the_catalogue_say(body):
    crc = crc_by_bits(body, 32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF)
    wire = encode_frame(body)
    assert wire == cobs_by_paper(body + crc.to_bytes(4, "little")) + b"\x00"
    assert len(wire) <= 516
