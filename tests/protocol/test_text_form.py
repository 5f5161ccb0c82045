"""Text lines: section 3 of the page."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import ProtocolError
from logger.protocol.framing import FrameDecoder, TextLine
from logger.protocol.records import Button, ButtonAction, Flag, Reading
from logger.protocol.text_form import BadLine, line_checksum, parse_line

ACTIONS = {
    "next": ButtonAction.NEXT_CLUB,
    "back": ButtonAction.TAKE_BACK,
    "previous": ButtonAction.PREVIOUS_CLUB,
}


def expected_message(f):
    flags = Flag(0)
    if not f["checked"]:
        flags |= Flag.NO_CHECKSUM
    if f["n"] is None:
        flags |= Flag.NO_SEQUENCE
    if f["t"] is None:
        flags |= Flag.NO_TICKS
    if f["k"] is not None:
        return Button(f["n"], f["t"], ACTIONS[f["k"]], flags, f["b"])
    if f["d"] is not None:
        flags |= Flag.SUMS_UP
    return Reading(f["n"], f["t"], f["x"], f["y"], f["p"], flags, f["d"] or 0, f["b"])


def test_every_line_of_the_vectors(vectors):
    assert len(vectors["lines"]) >= 19
    for vector in vectors["lines"]:
        read = parse_line(vector["line"].encode("ascii"))
        if vector["fields"] is None:
            assert isinstance(read, BadLine), vector["line"]
        else:
            assert read == expected_message(vector["fields"]), vector["line"]


def test_lines_of_the_vectors_three_ways(vectors, three_ways):
    for end in (b"\n", b"\r\n"):
        texts = [v["line"].encode("ascii") for v in vectors["lines"] if v["line"] != "LB1"]
        runs = three_ways(
            lambda: FrameDecoder().feed,
            [text + end for text in texts],
            lambda piece: not isinstance(piece, TextLine),
        )
        assert [[piece.line for piece in run] for run in runs] == [texts] * 3


def test_line_end_belongs_to_the_line_or_not():
    assert parse_line(b"LB1 x=1\r\n") == parse_line(b"LB1 x=1\n") == parse_line(b"LB1 x=1")


@pytest.mark.parametrize(
    ("line", "value"),
    [
        (b"LB1 x=-3", -3.0),
        (b"LB1 x=0.25", 0.25),
        (b"LB1 x=+7.50", 7.5),
        (b"LB1 x=.5", 0.5),
        (b"LB1 x=5.", 5.0),
        (b"LB1 x=-0", 0.0),
        (b"LB1 colour=  x=1", 1.0),
        (b"LB1 x=1 ", 1.0),
    ],
)
def test_positions(line, value):
    assert parse_line(line).board_mm == value


@pytest.mark.parametrize(
    ("line", "named"),
    [
        (b"LB1 x=1_0", "x=1_0"),
        (b"LB1 x=0x10", "x=0x10"),
        (b"LB1 x=1,5", "x=1,5"),
        (b"LB1 x=--1", "x=--1"),
        (b"LB1 x=.", "x=."),
        (b"LB1 x=-", "x=-"),
        (b"LB1 X=1", "x (position in mm) is missing"),
        (b"LB1 n=1", "x (position in mm) is missing"),
        (b"LB1 x=1 y=left", "y=left"),
        (b"LB1 x=1 n=1.0", "n=1.0"),
        (b"LB1 x=1 t=4294967296", "t=4294967296"),
        (b"LB1 x=1 d=-1", "d=-1"),
        (b"LB1 x=1 p=65536", "p=65536"),
        (b"LB1 x=1 n=", "n="),
        (b"LB1 x=1 =2", "=2"),
        (b"LB1 x=1 y", "y is not key=value"),
        (b"LB1 x=1 a=1 a=1", "a is there twice"),
        (b"LB1 x=1 b=" + b"n" * 25, "b="),
        (b"LB1 x=1 b=", "b="),
        (b"LB1 k=", "k="),
        (b"LB1 k=next x=1", "x and k"),
        (b"LB1 k=NEXT", "k=NEXT"),
        (b"LB1 x=1 *12", "four hex digits"),
        (b"LB1 x=1 *GGGG", "four hex digits"),
        (b"LB1 x=1 *FFFF y=1", "four hex digits"),
        (b"LB1 x=1 *FFFF", "must be"),
        (b"LB1\tx=1", "LB1 and a space"),
        (b"LB1 x=1\ty=2", "printable"),
        (b"LB1 x=1\r y=2", "printable"),
        (b"LB1 x=\xb2", "printable"),
        (b"LB0 x=1", "LB0"),
        (b"LB01 x=1", "LB01"),
        (b"LB1 x=1 pad=" + b"." * 109, "121 characters"),
        (b"LB", "LB1"),
        (b"", "LB1"),
    ],
)
def test_bad_lines_say_what_is_wrong(line, named):
    read = parse_line(line)
    assert isinstance(read, BadLine)
    assert named in read.reason
    assert read.reason.isprintable()


def test_longest_line_is_read():
    line = b"LB1 x=1 pad=" + b"." * 108
    assert len(line) == 120
    assert parse_line(line).board_mm == 1


@pytest.mark.parametrize("line", [b"LB2 x=1", b"LB2 \x7f", b"LB10 anything at all", b"LB2 "])
def test_newer_protocol_is_refused(line):
    with pytest.raises(ProtocolError, match="update lieboard"):
        parse_line(line)


def test_checksum_takes_either_case_and_covers_the_space():
    for text in (b"LB1 x=1 ", b"LB1 n=3 x=-2.5  ", b"LB1 k=next "):
        for form in ("%04X", "%04x"):
            line = text + b"*" + (form % line_checksum(text)).encode()
            assert not parse_line(line).flags & Flag.NO_CHECKSUM
        wrong = line_checksum(text.rstrip())
        assert isinstance(parse_line(text + b"*%04X" % wrong), BadLine)


def test_every_flipped_bit_of_a_checked_line_is_noticed():
    line = b"LB1 n=17 t=8123456 x=-3.2 y=1.5 p=812 d=900 *23DA"
    good = parse_line(line)
    for bit in range(8 * len(line)):
        flipped = bytearray(line)
        flipped[bit // 8] ^= 1 << bit % 8
        try:
            read = parse_line(bytes(flipped))
        except ProtocolError:
            # A flipped bit in the version digit; the decoder knows better after a good line.
            assert bit // 8 == 2
            continue
        # A letter of the checksum in the other case is the same number.
        assert isinstance(read, BadLine) or (read == good and bit // 8 >= len(line) - 4), bit


decimals = st.decimals(-9999, 9999, allow_nan=False, places=3)


@given(
    x=decimals,
    y=st.none() | decimals,
    n=st.none() | st.integers(0, 2**32 - 1),
    t=st.none() | st.integers(0, 2**32 - 1),
    p=st.none() | st.integers(0, 65535),
    d=st.none() | st.integers(0, 2**32 - 1),
    checked=st.booleans(),
    order=st.randoms(use_true_random=False),
)
def test_fields_in_any_order(x, y, n, t, p, d, checked, order):
    fields = {"x": x, "y": y, "n": n, "t": t, "p": p, "d": d}
    written = [f"{key}={value}" for key, value in fields.items() if value is not None]
    order.shuffle(written)
    text = ("LB1 " + " ".join(written) + " ").encode()
    line = text + b"*%04X" % line_checksum(text) if checked else text
    as_given = {"k": None, "b": None, "checked": checked, "n": n, "t": t, "p": p, "d": d}
    numbers = {"x": float(x), "y": None if y is None else float(y)}
    assert parse_line(line) == expected_message(as_given | numbers)


@given(st.binary(max_size=130) | st.binary(max_size=120).map(lambda tail: b"LB1 " + tail))
def test_any_bytes_are_read_or_named(line):
    try:
        read = parse_line(line)
    except ProtocolError:
        assert line.startswith(b"LB")
        return
    assert isinstance(read, Reading | Button | BadLine)
