"""What the tests of the wire format share: the page's vectors and three ways to feed them."""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import strategies as st

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

VECTORS = json.loads(
    (Path(__file__).parents[2] / "firmware_notes" / "wire_vectors.json").read_text("ascii")
)


@pytest.fixture(scope="session")
def vectors():
    return VECTORS


@pytest.fixture(scope="session")
def plain():
    """Turn a message (or anything holding some) into what == can compare."""

    def convert(thing):
        if isinstance(thing, np.ndarray):
            return (thing.dtype.str, thing.shape, thing.tolist())
        if dataclasses.is_dataclass(thing):
            values = [convert(getattr(thing, f.name)) for f in dataclasses.fields(thing)]
            return (type(thing).__name__, *values)
        if isinstance(thing, list | tuple):
            return [convert(item) for item in thing]
        return thing

    return convert


@pytest.fixture(scope="session")
def three_ways():
    """Feed encoded frames whole, byte by byte, and back to back with garbage between.

    Returns one list of results per way, damage by the garbage taken out.
    """
    # Line noise, a boot loader's chatter, a lost zero: each cut off by a zero, as a board does.
    garbage = [b"\xff\xff\xfe\x80", b"ets 1 boot\r\nrst:0x1\r\n", b"\x05\x01\x02", b"\n", b""]

    def run(make_feed, wires, is_damage):
        whole, feed = [], make_feed()
        for wire in wires:
            whole += feed(wire)
        single, feed = [], make_feed()
        for byte in b"".join(wires):
            single += feed(bytes([byte]))
        stream = b"".join(
            garbage[i % len(garbage)] + b"\x00" + wire for i, wire in enumerate(wires)
        )
        noisy = [item for item in make_feed()(stream) if not is_damage(item)]
        return whole, single, noisy

    return run


u8, u16, u32 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
i16_but_unknown = st.integers(-32767, 32767)
wire_flags = u8.map(Flag)
printable = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=24)
shapes = st.tuples(st.integers(1, 4), st.integers(1, 64)).filter(lambda s: s[0] * s[1] <= 128)


@st.composite
def hellos(draw):
    rows, cells = draw(shapes)
    oldest, following = sorted([draw(u32), draw(u32)])
    return Hello(
        protocol_major=1,
        protocol_minor=draw(u8),
        board_id=draw(st.binary(min_size=8, max_size=8)).hex(),
        boot_id=draw(u32),
        firmware=(draw(u8), draw(u8), draw(u8)),
        tick_hz=draw(st.integers(1_000, 100_000_000)),
        rows=rows,
        cells=cells,
        pitch_um=draw(st.integers(1, 65535)),
        row_distance_um=0 if rows == 1 else draw(st.integers(1, 65535)),
        scan_order=draw(st.sampled_from(ScanOrder)),
        scan_ticks=draw(u32),
        full_scale=draw(st.integers(1, 65535)),
        trigger_level=draw(u16),
        oldest_kept=oldest,
        next_sequence=following,
        abilities=Ability(draw(u8)),
        name=draw(printable),
    )


@st.composite
def readings(draw):
    return Reading(
        sequence=draw(u32),
        ticks=draw(u32),
        board_mm=draw(st.integers(-32768, 32767)) / 100,
        trail_mm=draw(st.none() | i16_but_unknown.map(lambda n: n / 100)),
        pressure_counts=draw(u16),
        flags=draw(wire_flags),
        span_ticks=draw(u32),
    )


@st.composite
def strikes_in_parts(draw, max_parts=4):
    """All parts of one strike, in order."""
    rows, cells = draw(shapes)
    parts = draw(st.integers(1, max_parts))
    greatest = draw(st.sampled_from([255, 4095, 65535]))
    room = (508 - 16) // (4 + 2 * rows * cells)
    sequence, flags, span = draw(u32), draw(wire_flags), draw(u32)
    out = []
    for part in range(parts):
        scans = draw(st.integers(1, min(room, 3)))
        seed = np.random.default_rng(draw(u32))
        out.append(
            StrikePart(
                sequence=sequence,
                part=part,
                parts=parts,
                flags=flags,
                rows=rows,
                cells=cells,
                span_ticks=span,
                scan_ticks=seed.integers(0, 2**32, scans, dtype=np.uint32),
                counts=seed.integers(
                    0, greatest, (scans, rows, cells), dtype=np.uint16, endpoint=True
                ),
            )
        )
    return out


@st.composite
def statuses(draw):
    oldest, following = sorted([draw(u32), draw(u32)])
    return Status(
        ticks=draw(u32),
        supply_mv=draw(st.none() | st.integers(1, 65535)),
        temperature_c=draw(st.none() | i16_but_unknown.map(lambda n: n / 10)),
        noise_counts=draw(st.none() | st.integers(0, 65534).map(lambda n: n / 16)),
        trigger_level=draw(u16),
        kept=draw(u16),
        dropped=draw(u32),
        bad_frames=draw(u16),
        oldest_kept=oldest,
        next_sequence=following,
    )


@pytest.fixture(scope="session")
def strike_strategy():
    return strikes_in_parts()


@pytest.fixture(scope="session")
def message_strategy():
    """Any one message of either side."""
    return st.one_of(
        hellos(),
        readings(),
        strikes_in_parts().flatmap(st.sampled_from),
        statuses(),
        st.builds(ClockReply, u32, u32, u32),
        st.builds(Button, u32, u32, st.sampled_from(ButtonAction), st.just(Flag(0))),
        st.builds(AskHello, u8, u8),
        st.builds(AskClock, u32),
        st.builds(Confirm, u32, u32),
        st.builds(SendAgain, u32, u32),
        st.builds(SetTrigger, u16),
    )
