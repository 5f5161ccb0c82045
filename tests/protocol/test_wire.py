"""Messages against the tables and vectors of firmware_notes/wire.md."""

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import ProtocolError
from logger.protocol.records import (
    Ability,
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
from logger.protocol.wire import MalformedMessage, UnknownMessage, encode, parse

HELLO, READING, STRIKE, STATUS, CLOCK_REPLY, BUTTON = range(1, 7)


def expected_message(name, fields):
    """Message of a vector, made from its plain numbers by the units of the page."""
    f = fields
    match name:
        case "hello":
            return Hello(
                **f
                | {
                    "firmware": tuple(f["firmware"]),
                    "scan_order": ScanOrder(f["scan_order"]),
                    "abilities": Ability(f["abilities"]),
                }
            )
        case "reading":
            return Reading(
                f["sequence"],
                f["ticks"],
                pytest.approx(f["position"] * 0.01, abs=1e-9),
                None if f["trail"] == -32768 else pytest.approx(f["trail"] * 0.01, abs=1e-9),
                f["pressure"],
                Flag(f["flags"]),
                f["span_ticks"],
            )
        case "strike scans":
            shape = (len(f["scan_ticks"]), f["rows"], f["cells"])
            head = {key: f[key] for key in ("sequence", "part", "parts", "rows", "cells")}
            return StrikePart(
                **head,
                flags=Flag(f["flags"]),
                span_ticks=f["span_ticks"],
                scan_ticks=np.array(f["scan_ticks"], np.uint32),
                counts=np.array(f["counts"], np.uint16).reshape(shape),
            )
        case "status":
            known = f["temperature"] != -32768
            same = ("ticks", "trigger_level", "kept", "dropped", "bad_frames")
            return Status(
                **{key: f[key] for key in (*same, "oldest_kept", "next_sequence")},
                supply_mv=f["supply_mv"] or None,
                temperature_c=pytest.approx(f["temperature"] * 0.1) if known else None,
                noise_counts=None if f["noise"] == 65535 else f["noise"] / 16,
            )
        case "button":
            return Button(f["sequence"], f["ticks"], ButtonAction(f["action"]), Flag(0))
    plain = {
        "clock reply": ClockReply,
        "ask hello": AskHello,
        "ask clock": AskClock,
        "confirm": Confirm,
        "send again": SendAgain,
        "set trigger": SetTrigger,
    }
    return plain[name](**f)


def test_every_vector_reads_and_writes(vectors, plain):
    assert len(vectors["frames"]) >= 20
    for vector in vectors["frames"]:
        body = bytes.fromhex(vector["decoded_hex"])[:-4]
        message = parse(body)
        assert plain(message) == plain(expected_message(vector["message"], vector["fields"]))
        assert encode(message) == body, vector["name"]
        # Section 2.2: a later minor version may have added fields at the end.
        assert plain(parse(body + b"\x01\x02\x03")) == plain(message)


def test_shorter_than_the_page_is_malformed(vectors):
    for vector in vectors["frames"]:
        body = bytes.fromhex(vector["decoded_hex"])[:-4]
        for length in range(1, len(body)):
            assert isinstance(parse(body[:length]), MalformedMessage), (vector["name"], length)


@given(st.data())
def test_messages_survive_the_way_there_and_back(message_strategy, plain, data):
    message = data.draw(message_strategy)
    assert plain(parse(encode(message))) == plain(message)


@given(st.binary(max_size=520))
def test_any_body_is_read_or_named(body):
    try:
        message = parse(body)
    except ProtocolError:
        assert body[0] == HELLO
        assert body[1] > 1
        return
    if isinstance(message, MalformedMessage | UnknownMessage):
        assert message.reason.isprintable()
    else:
        # Whatever was taken is within the page, so that it can be written again.
        encode(message)


def hello_body(**over):
    """Body of a hello that is in order but for ``over``, packed from the table of the page."""
    f = {
        "major": 1, "minor": 0, "board_id": b"LB\0\0\0\1\2\3", "boot_id": 7,
        "tick_hz": 1_000_000, "rows": 1, "cells": 32, "pitch_um": 4000, "row_distance_um": 0,
        "scan_order": 0, "scan_ticks": 31, "full_scale": 1023, "trigger_level": 24,
        "oldest_kept": 2, "next_sequence": 5, "abilities": 3, "name_length": None, "name": b"mat",
    } | over  # fmt: skip
    length = len(f["name"]) if f["name_length"] is None else f["name_length"]
    return (
        bytes([HELLO, f["major"], f["minor"]]) + f["board_id"]
        + struct.pack("<I3BIBB", f["boot_id"], 0, 1, 2, f["tick_hz"], f["rows"], f["cells"])
        + struct.pack("<HHBI", f["pitch_um"], f["row_distance_um"], f["scan_order"],
                      f["scan_ticks"])
        + struct.pack("<HHII", f["full_scale"], f["trigger_level"], f["oldest_kept"],
                      f["next_sequence"])
        + bytes([f["abilities"], length]) + f["name"]
    )  # fmt: skip


@pytest.mark.parametrize(
    "over",
    [
        {"tick_hz": 1_000},
        {"tick_hz": 100_000_000},
        {"rows": 4, "cells": 32, "row_distance_um": 1},
        {"rows": 2, "cells": 64, "row_distance_um": 12_000},
        {"cells": 1},
        {"name": b"~" * 24},
        {"name": b""},
        {"scan_order": 2},
        {"oldest_kept": 5},
        {"minor": 255},
        # A later minor version may name more abilities.
        {"abilities": 255},
    ],
)
def test_hello_at_the_limits_of_the_page(over):
    assert isinstance(parse(hello_body(**over)), Hello)


@pytest.mark.parametrize(
    ("over", "named"),
    [
        ({"major": 0}, "protocol_major"),
        ({"tick_hz": 999}, "tick_hz"),
        ({"tick_hz": 100_000_001}, "tick_hz"),
        ({"rows": 0}, "rows"),
        ({"rows": 5, "cells": 1, "row_distance_um": 1}, "rows"),
        ({"cells": 0}, "cells"),
        ({"cells": 65}, "cells"),
        ({"rows": 3, "cells": 43, "row_distance_um": 1}, "128"),
        ({"pitch_um": 0}, "pitch_um"),
        ({"full_scale": 0}, "full_scale"),
        ({"row_distance_um": 1}, "row_distance_um"),
        ({"rows": 2, "row_distance_um": 0}, "row_distance_um"),
        ({"scan_order": 3}, "scan_order"),
        ({"oldest_kept": 6}, "oldest_kept"),
        ({"name": b"x" * 25}, "name_length"),
        ({"name": b"abc", "name_length": 4}, "name"),
        ({"name": b"a\nb"}, "name"),
        ({"name": b"a\xe9"}, "name"),
    ],
)
def test_hello_outside_the_page_is_named(over, named):
    message = parse(hello_body(**over))
    assert isinstance(message, MalformedMessage)
    assert message.reason.startswith("hello: ")
    assert named in message.reason


def test_newer_major_is_refused_by_its_first_byte_alone():
    for body in (hello_body(major=2), bytes([HELLO, 2]), bytes([HELLO, 2]) + b"\xff" * 100):
        with pytest.raises(ProtocolError, match=r"board speaks protocol 2, .* up to 1: update"):
            parse(body)


def strike_body(**over):
    f = {
        "sequence": 9, "part": 0, "parts": 1, "flags": 0, "value_bytes": 1, "rows": 1, "cells": 4,
        "scans": 2, "span_ticks": 7, "short": 0,
    } | over  # fmt: skip
    scan = bytes(4 + f["rows"] * f["cells"] * f["value_bytes"])
    body = struct.pack(
        "<BIBBBBBBBI", STRIKE, f["sequence"], f["part"], f["parts"], f["flags"], f["value_bytes"],
        f["rows"], f["cells"], f["scans"], f["span_ticks"],
    ) + f["scans"] * scan  # fmt: skip
    return body[: len(body) - f["short"]]


@pytest.mark.parametrize(
    ("over", "named"),
    [
        ({"parts": 0}, "parts"),
        ({"parts": 33}, "parts"),
        ({"part": 1}, "part"),
        ({"part": 32, "parts": 32}, "part"),
        ({"value_bytes": 0}, "value_bytes"),
        ({"value_bytes": 3}, "value_bytes"),
        ({"rows": 0}, "rows"),
        ({"rows": 5}, "rows"),
        ({"cells": 0}, "cells"),
        ({"cells": 65}, "cells"),
        ({"rows": 3, "cells": 43}, "128"),
        ({"scans": 0}, "scans"),
        ({"short": 1}, "bytes"),
    ],
)
def test_strike_part_outside_the_page_is_named(over, named):
    message = parse(strike_body(**over))
    assert isinstance(message, MalformedMessage)
    assert named in message.reason
    # So that whoever waits for this record can be told that it will not come.
    assert message.sequence == 9


def test_strike_part_at_the_limits_of_the_page(plain):
    assert isinstance(parse(strike_body(part=31, parts=32)), StrikePart)
    assert parse(strike_body(rows=2, cells=64, scans=1, value_bytes=2)).counts.shape == (1, 2, 64)
    assert plain(parse(strike_body() + b"more")) == plain(parse(strike_body()))


def test_status_that_contradicts_itself_is_malformed():
    body = struct.pack("<BIHhHHHIHII", STATUS, 1, 0, 0, 0, 0, 0, 0, 0, 9, 8)
    assert isinstance(parse(body), MalformedMessage)


def test_unknown_types_and_actions_are_not_malformed():
    known = {*range(1, 7), *range(0x21, 0x26)}
    for kind in set(range(256)) - known:
        message = parse(bytes([kind]) + bytes(60))
        assert isinstance(message, UnknownMessage)
        assert message.type == kind
        assert f"0x{kind:02x}" in message.reason
    for action in (0, 4, 255):
        message = parse(struct.pack("<BIIB", BUTTON, 77, 5, action))
        assert isinstance(message, UnknownMessage)
        # It used up a number: without it the host would wait for this record for ever.
        assert message.sequence == 77


def test_length_of_a_body_is_bounded():
    assert isinstance(parse(b""), MalformedMessage)
    assert isinstance(parse(bytes([READING]) + bytes(508)), MalformedMessage)
    assert isinstance(parse(bytes([READING]) + bytes(507)), Reading)


@pytest.mark.parametrize(
    "message",
    [
        Reading(None, 1, 0.0, None, 1, Flag(0), 0),
        Reading(1, None, 0.0, None, 1, Flag(0), 0),
        Reading(1, 1, 0.0, None, None, Flag(0), 0),
        Reading(1, 1, 327.68, None, 1, Flag(0), 0),
        Reading(1, 1, float("nan"), None, 1, Flag(0), 0),
        Reading(1, 1, 0.0, -327.68, 1, Flag(0), 0),
        Reading(1, 1, 0.0, None, 1, Flag.NO_CHECKSUM, 0),
        Reading(2**32, 1, 0.0, None, 1, Flag(0), 0),
        Button(1, 1, ButtonAction.NEXT_CLUB, Flag.EDGE),
        Button(None, 1, ButtonAction.NEXT_CLUB, Flag(0)),
        ClockReply(-1, 0, 0),
        SetTrigger(65536),
        Status(1, 0, None, None, 1, 0, 0, 0, 0, 0),
        Status(1, None, None, None, 1, 0, 0, 0, 2, 1),
        StrikePart(1, 0, 1, Flag(0), 1, 2, 0, np.zeros(1, np.uint32), np.zeros((1, 2, 1), "u2")),
        StrikePart(1, 1, 1, Flag(0), 1, 1, 0, np.zeros(1, np.uint32), np.zeros((1, 1, 1), "u2")),
        StrikePart(1, 0, 1, Flag(0), 1, 1, 0, np.zeros(1, np.uint32), np.full((1, 1, 1), 70_000)),
        StrikePart(
            1, 0, 1, Flag(0), 2, 64, 0, np.zeros(2, np.uint32), np.full((2, 2, 64), 999, "u2")
        ),
    ],
)
def test_what_the_page_cannot_say_is_not_written(message):
    with pytest.raises(ValueError):  # noqa: PT011  each has its own words
        encode(message)


def test_hello_with_a_wrong_board_id_is_not_written():
    good = parse(hello_body())
    with pytest.raises(ValueError, match="16 hex digits"):
        encode(Hello(**{name: getattr(good, name) for name in good.__slots__} | {"board_id": "4c"}))
