"""The logger's half against the simulated board's: both written from the page, sharing no code."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.protocol.decoding import Decoder
from logger.protocol.framing import encode_frame
from logger.protocol.records import (
    AskClock,
    AskHello,
    Button,
    ClockReply,
    Confirm,
    Flag,
    Hello,
    RawRecord,
    Reading,
    SendAgain,
    SetTrigger,
    Status,
    StrikePart,
)
from logger.protocol.wire import encode
from simulators import encode as board


def board_frame(message):
    """Let the board's encoder write what the message says, in plain numbers of the page."""
    m = message
    match m:
        case Hello():
            fields = {f.name: getattr(m, f.name) for f in dataclasses.fields(m)}
            return board.Hello(**fields | {"board_id": bytes.fromhex(m.board_id)}).encode()
        case Reading():
            return board.reading(
                sequence=m.sequence,
                ticks=m.ticks,
                position=round(m.board_mm * 100),
                trail=-32768 if m.trail_mm is None else round(m.trail_mm * 100),
                pressure=m.pressure_counts,
                flags=int(m.flags),
                span_ticks=m.span_ticks,
            )
        case StrikePart():
            return board.strike_part(
                sequence=m.sequence,
                part=m.part,
                parts=m.parts,
                flags=int(m.flags),
                value_bytes=1 if m.counts.max() < 256 else 2,
                span_ticks=m.span_ticks,
                scan_ticks=m.scan_ticks,
                counts=m.counts,
            )
        case Status():
            same = ("ticks", "trigger_level", "kept", "dropped", "bad_frames", "oldest_kept")
            return board.status(
                **{name: getattr(m, name) for name in (*same, "next_sequence")},
                supply_mv=m.supply_mv or 0,
                temperature=-32768 if m.temperature_c is None else round(m.temperature_c * 10),
                noise=65535 if m.noise_counts is None else round(m.noise_counts * 16),
            )
        case ClockReply():
            return board.clock_reply(**dataclasses.asdict(m))
        case Button():
            return board.button(sequence=m.sequence, ticks=m.ticks, action=int(m.action))
    return None


@given(st.data())
def test_both_write_the_same_bytes(message_strategy, data):
    message = data.draw(message_strategy)
    ours = encode_frame(encode(message))
    if (theirs := board_frame(message)) is not None:
        assert ours == theirs
        return
    (heard,) = board.HostDecoder().feed(ours)
    assert heard.kind in range(0x21, 0x26)
    assert heard.values == tuple(dataclasses.asdict(message).values())


@pytest.mark.parametrize(
    ("message", "values"),
    [
        (AskHello(), (1, 0)),
        (AskClock(5), (5,)),
        (Confirm(7, 8), (7, 8)),
        (SendAgain(7, 0), (7, 0)),
        (SetTrigger(24), (24,)),
    ],
)
def test_a_board_understands_what_the_host_says(message, values):
    (heard,) = board.HostDecoder().feed(b"\x00" + encode_frame(encode(message)))
    assert heard.values == values


@pytest.mark.parametrize(("value_bytes", "greatest"), [(1, 256), (2, 4096)])
def test_a_long_strike_in_as_many_parts_as_it_takes(value_bytes, greatest):
    rng = np.random.default_rng(11)
    counts = rng.integers(0, greatest, (60, 2, 32), dtype=np.uint16)
    ticks = (0xFFFFFFF0 + 40 * np.arange(60)).astype(np.uint32)
    frames = board.strike(
        sequence=3, flags=8, span_ticks=2400, scan_ticks=ticks, counts=counts,
        value_bytes=value_bytes,
    )  # fmt: skip
    assert len(frames) > 5
    (item,) = Decoder().feed(b"".join(rng.permutation(np.array(frames, object))), 0)
    assert isinstance(item, RawRecord)
    assert np.array_equal(item.record.counts, counts)
    assert np.array_equal(item.record.scan_ticks, ticks)
    assert item.record.flags == Flag.SATURATED


@given(
    n=st.none() | st.integers(0, 2**32 - 1),
    x=st.integers(-30_000, 30_000),
    y=st.none() | st.integers(-5_000, 5_000),
    p=st.none() | st.integers(0, 65535),
    b=st.none() | st.from_regex(r"[A-Za-z0-9_-]{1,24}", fullmatch=True),
    checksum=st.booleans(),
)
def test_lines_of_a_text_board(n, x, y, p, b, checksum):
    line = board.text_line(
        n=n, x=x / 100, y=None if y is None else y / 100, p=p, b=b, checksum=checksum
    )
    (item,) = Decoder().feed(line, 0)
    record = item.record
    assert (record.sequence, record.pressure_counts, record.board_name) == (n, p, b)
    assert record.board_mm == pytest.approx(x / 100, abs=1e-9)
    assert record.trail_mm == (None if y is None else pytest.approx(y / 100, abs=1e-9))
    assert bool(record.flags & Flag.NO_CHECKSUM) is not checksum
