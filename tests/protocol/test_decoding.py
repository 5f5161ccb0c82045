"""From bytes to records: framing, messages and strike parts together."""

import random
import tracemalloc
import zlib

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import ProtocolError
from logger.protocol.decoding import Damage, DamageKind, Decoder, record_from_raw
from logger.protocol.framing import FrameFault, encode_frame
from logger.protocol.records import (
    AskHello,
    Button,
    ButtonAction,
    ClockReply,
    Flag,
    Hello,
    RawRecord,
    Reading,
    Status,
    Strike,
    StrikePart,
)
from logger.protocol.strike_parts import MAX_HALF_BUILT
from logger.protocol.wire import encode, parse

NOW_NS = 1_234_567


def wire_of(body):
    """A frame made without the code under test."""
    return cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\x00"


def part(sequence, part, parts, *, value=5, scans=2, **over):
    fields = {
        "sequence": sequence, "part": part, "parts": parts, "flags": Flag(0), "rows": 1, "cells": 4,
        "span_ticks": 99, "scan_ticks": np.arange(scans, dtype=np.uint32) + 1000 * part,
        "counts": np.full((scans, 1, 4), value + part, np.uint16),
    } | over  # fmt: skip
    return wire_of(encode(StrikePart(**fields)))


def reading(sequence):
    return wire_of(encode(Reading(sequence, 7, 1.25, None, 100, Flag(0), 0)))


def sequences(items):
    return [item.record.sequence for item in items if isinstance(item, RawRecord)]


def damages(items):
    return [item for item in items if isinstance(item, Damage)]


def expected_decoded(vectors):
    """What the vectors give, in order: strikes joined by hand, host messages left out."""
    out = []
    for vector in vectors["frames"]:
        body = bytes.fromhex(vector["decoded_hex"])[:-4]
        f, name = vector["fields"], vector["message"]
        if name in ("hello", "status", "clock reply"):
            out.append(parse(body))
        elif name in ("reading", "button"):
            out.append(RawRecord(parse(body), (body,), NOW_NS))
        elif name == "strike scans" and f["parts"] == 1:
            out.append(RawRecord(strike_of([f]), (body,), NOW_NS))
        elif name == "strike scans" and f["part"] == 0:
            first = (f, body)
        elif name == "strike scans":
            out.append(RawRecord(strike_of([first[0], f]), (first[1], body), NOW_NS))
    return out


def strike_of(parts):
    ticks = [tick for f in parts for tick in f["scan_ticks"]]
    counts = np.array([scan for f in parts for scan in f["counts"]], np.uint16)
    f = parts[0]
    return Strike(
        f["sequence"],
        Flag(f["flags"]),
        f["span_ticks"],
        np.array(ticks, np.uint32),
        counts.reshape(len(ticks), f["rows"], f["cells"]),
    )


def test_vectors_three_ways(vectors, three_ways, plain):
    wires = [bytes.fromhex(v["wire_hex"]) for v in vectors["frames"]]

    def make_feed():
        decoder = Decoder()
        return lambda data: decoder.feed(data, NOW_NS)

    expected = plain(expected_decoded(vectors))
    # 20 frames: 5 are the host's, two are one strike.
    assert len(expected) == 14
    for run in three_ways(make_feed, wires, lambda item: isinstance(item, Damage)):
        assert plain(run) == expected


def test_counters_tell_what_came(vectors):
    decoder = Decoder()
    for vector in vectors["frames"]:
        decoder.feed(bytes.fromhex(vector["wire_hex"]), NOW_NS)
    assert decoder.counters.frames == 20
    # The host's own messages on the line mean that it echoes.
    assert decoder.counters.echoes == 5
    bad = bytearray(reading(1))
    bad[3] ^= 4
    stream = (
        bytes(bad) + b"hello?\n\x00" + b"LB1 x=1\nLB1 y=1\nLB1 x=2\n"
        + wire_of(b"\x07later") + wire_of(b"\x02short") + wire_of(b"\x06" + bytes(8) + b"\x09")
    )  # fmt: skip
    items = decoder.feed(stream, NOW_NS)
    counters = decoder.counters
    assert counters.frames == 23
    assert counters.bad_frames == {FrameFault.BAD_CHECKSUM: 1}
    assert counters.other_text == 1
    assert (counters.text_lines, counters.bad_lines) == (2, 1)
    assert counters.malformed == 1
    assert counters.unknown_types == {7: 1, 6: 1}
    assert [item.kind for item in damages(items)] == [
        DamageKind.BAD_FRAME,
        DamageKind.OTHER_TEXT,
        DamageKind.BAD_LINE,
        DamageKind.UNKNOWN,
        DamageKind.MALFORMED,
        DamageKind.UNKNOWN,
    ]


def test_a_record_that_cannot_be_read_names_its_sequence():
    """Its checksum is right, so asking again would bring the same bytes."""
    too_many_cells = (
        b"\x03" + (41).to_bytes(4, "little") + bytes([0, 1, 0, 1, 4, 64, 1]) + bytes(400)
    )
    action_9 = b"\x06" + (42).to_bytes(4, "little") + bytes(4) + b"\x09"
    items = Decoder().feed(wire_of(too_many_cells) + wire_of(action_9), NOW_NS)
    assert [(item.sequence, item.ask_again) for item in items] == [(41, False), (42, False)]
    assert [item.raw for item in items] == [(too_many_cells,), (action_9,)]


def test_arrival_is_that_of_the_last_byte():
    wire = reading(3)
    decoder = Decoder()
    assert decoder.feed(wire[:-1], 100) == []
    assert decoder.feed(wire[-1:], 200)[0].arrival_ns == 200
    one, two = part(4, 0, 2), part(4, 1, 2)
    assert decoder.feed(one, 300) == []
    assert decoder.feed(two, 400)[0].arrival_ns == 400


def test_newer_board_is_refused():
    with pytest.raises(ProtocolError, match="protocol 2"):
        Decoder().feed(wire_of(b"\x01\x02 whatever"), NOW_NS)
    with pytest.raises(ProtocolError, match="protocol 2"):
        Decoder().feed(b"LB2 whatever\n", NOW_NS)


def test_a_flipped_version_digit_after_good_lines_ends_nothing():
    decoder = Decoder()
    items = decoder.feed(b"LB1 x=1\nLB3 x=2\nLB1 x=3\n", NOW_NS)
    assert [type(item) for item in items] == [RawRecord, Damage, RawRecord]
    assert items[1].kind is DamageKind.BAD_LINE


def test_text_records_keep_their_line():
    items = Decoder().feed(b"LB1 n=4 x=1.5\r\nLB1 k=next\n", NOW_NS)
    assert [item.raw for item in items] == [(b"LB1 n=4 x=1.5",), (b"LB1 k=next",)]
    assert items[0].record.flags == Flag.NO_CHECKSUM | Flag.NO_TICKS
    assert isinstance(items[1].record, Button)


@pytest.mark.parametrize("order", ["012", "210", "1022", "0110221"])
def test_parts_in_any_order_and_more_than_once(order, plain):
    expected = plain(Decoder().feed(b"".join(part(6, p, 3) for p in range(3)), NOW_NS))
    decoder = Decoder()
    stream = b"".join(part(6, int(p), 3) + reading(100 + i) for i, p in enumerate(order))
    strikes = [i for i in decoder.feed(stream, NOW_NS) if i.record.sequence == 6]
    assert plain(strikes) == expected
    assert strikes[0].record.scan_ticks.tolist() == [0, 1, 1000, 1001, 2000, 2001]
    assert strikes[0].record.counts[:, 0, 0].tolist() == [5, 5, 6, 6, 7, 7]
    # What came after the strike was whole is a repeat, not the beginning of another.
    assert decoder.half_built == ()


def test_interleaved_strikes_are_kept_apart():
    stream = b"".join(part(s, p, 2, value=10 * s) for p in (1, 0) for s in (1, 2, 3))
    items = Decoder().feed(stream, NOW_NS)
    assert sequences(items) == [1, 2, 3]
    assert [item.record.counts[0, 0, 0] for item in items] == [10, 20, 30]


def test_a_whole_strike_sent_again_is_given_again():
    """Whoever asked for it must see it come; taking it twice is harmless by rule 5."""
    stream = part(1, 0, 2) + part(1, 1, 2)
    assert sequences(Decoder().feed(stream * 3, NOW_NS)) == [1, 1, 1]


def test_a_missing_part_is_named_when_the_strike_is_given_up():
    decoder = Decoder()
    stream = part(0, 0, 3) + part(0, 2, 3)
    assert decoder.feed(stream, NOW_NS) == []
    assert decoder.half_built == (0,)
    for sequence in range(1, MAX_HALF_BUILT):
        assert decoder.feed(part(sequence, 0, 2), NOW_NS) == []
    (lost,) = decoder.feed(part(99, 0, 2), NOW_NS)
    assert lost.kind is DamageKind.MISSING_PARTS
    assert (lost.sequence, lost.ask_again) == (0, True)
    assert lost.reason == "strike 0: part 1 of 3 never came"
    assert [parse(body).part for body in lost.raw] == [0, 2]
    assert decoder.half_built == (*range(1, MAX_HALF_BUILT), 99)


def test_asked_for_again_a_strike_becomes_whole():
    decoder = Decoder()
    parts = [part(5, p, 3) for p in range(3)]
    assert decoder.feed(parts[0] + parts[2], NOW_NS) == []
    assert sequences(decoder.feed(b"".join(parts), NOW_NS)) == [5]
    # The late third part of the second sending must not haunt later strikes.
    for sequence in range(6, 6 + 2 * MAX_HALF_BUILT):
        items = decoder.feed(part(sequence, 0, 2) + part(sequence, 1, 2), NOW_NS)
        assert sequences(items) == [sequence]
        assert damages(items) == []
    assert decoder.finish(NOW_NS) == []


@pytest.mark.parametrize(
    ("other", "named"),
    [
        ({"parts": 3}, "parts is 2 in part 0 and 3 in part 1"),
        ({"flags": Flag.EDGE}, "flags is 0 in part 0 and 16 in part 1"),
        ({"span_ticks": 98}, "span_ticks is 99"),
        ({"cells": 5, "counts": np.zeros((2, 1, 5), np.uint16)}, "cells is 4"),
        ({"rows": 2, "counts": np.zeros((2, 2, 4), np.uint16)}, "rows is 1"),
    ],
)
def test_parts_that_contradict_each_other(other, named):
    fields = {"sequence": 8, "part": 1, "parts": 2} | other
    (fault,) = Decoder().feed(part(8, 0, 2) + part(**fields), NOW_NS)
    assert fault.kind is DamageKind.CONFLICTING_PARTS
    assert (fault.sequence, fault.ask_again) == (8, True)
    assert named in fault.reason


def test_the_same_part_with_other_scans_is_a_conflict_and_the_later_one_is_believed():
    decoder = Decoder()
    stream = part(8, 0, 2, value=1) + part(8, 0, 2, value=50) + part(8, 1, 2, value=50)
    fault, strike = decoder.feed(stream, NOW_NS)
    assert fault.kind is DamageKind.CONFLICTING_PARTS
    assert strike.record.counts[:, 0, 0].tolist() == [50, 50, 51, 51]


def test_parts_may_differ_in_bytes_a_value():
    quiet, loud = part(8, 0, 2, value=5), part(8, 1, 2, value=4000)
    assert len(loud) > len(quiet)
    (item,) = Decoder().feed(quiet + loud, NOW_NS)
    assert item.record.counts.dtype == np.uint16
    assert item.record.counts[:, 0, 0].tolist() == [5, 5, 4001, 4001]


def hello_of(vectors, boot_id):
    body = bytearray(bytes.fromhex(vectors["frames"][0]["decoded_hex"])[:-4])
    body[11:15] = boot_id.to_bytes(4, "little")
    return wire_of(bytes(body))


def test_a_restart_never_joins_old_parts_to_new_ones(vectors):
    decoder = Decoder()
    decoder.feed(hello_of(vectors, 7) + part(0, 0, 2, value=1), NOW_NS)
    # The same boot says hello again: nothing is lost.
    assert [type(i) for i in decoder.feed(hello_of(vectors, 7), NOW_NS)] == [Hello]
    lost, hello = decoder.feed(hello_of(vectors, 8), NOW_NS)
    assert isinstance(hello, Hello)
    assert lost.kind is DamageKind.MISSING_PARTS
    # That boot is gone, and with it what it kept.
    assert (lost.sequence, lost.ask_again) == (0, False)
    (strike,) = decoder.feed(part(0, 1, 2, value=50) + part(0, 0, 2, value=50), NOW_NS)
    assert strike.record.counts[:, 0, 0].tolist() == [50, 50, 51, 51]


def test_finish_reports_what_broke_off():
    decoder = Decoder()
    decoder.feed(part(3, 1, 4) + reading(4)[:-5], NOW_NS)
    broken, strike = decoder.finish(NOW_NS)
    assert (broken.kind, broken.reason) == (DamageKind.BAD_FRAME, "cut off")
    assert strike.reason == "strike 3: the stream ended before parts 0, 2, 3 of 4 came"


def test_memory_is_bounded_by_half_built_strikes():
    decoder = Decoder()
    counts = np.full((7, 1, 32), 300, np.uint16)
    ticks = np.arange(7, dtype=np.uint32)

    def hopeless(sequence):
        return b"".join(
            part(sequence, p, 32, cells=32, counts=counts, scan_ticks=ticks) for p in range(31)
        )

    for sequence in range(MAX_HALF_BUILT):
        decoder.feed(hopeless(sequence), NOW_NS)
    tracemalloc.start()
    try:
        for sequence in range(100, 200):
            decoder.feed(hopeless(sequence), NOW_NS)
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # 8 strikes of 31 bodies of 492 bytes, with Python's own overhead.
    assert held < 400_000
    assert len(decoder.half_built) == MAX_HALF_BUILT


@given(st.data())
def test_what_is_sent_comes_out_through_garbage_and_chopping(
    message_strategy, strike_strategy, plain, data
):
    strike_parts = data.draw(strike_strategy)
    messages = data.draw(st.lists(message_strategy, max_size=6)) + strike_parts
    noise = data.draw(st.lists(st.binary(max_size=30), min_size=len(messages)))
    # Parts drawn alone could belong to the strike that is sent whole.
    sequence = strike_parts[0].sequence
    messages = [
        m for m in messages if not isinstance(m, StrikePart) or any(m is p for p in strike_parts)
    ]
    stream = b"".join(
        dirt + b"\x00" + encode_frame(encode(message))
        for dirt, message in zip(noise, messages, strict=False)
    )
    whole = [i for i in Decoder().feed(stream, NOW_NS) if not isinstance(i, Damage)]
    sent = [m for m in messages if isinstance(m, Hello | Status | ClockReply | Reading | Button)]
    assert plain([i.record if isinstance(i, RawRecord) else i for i in whole[:-1]]) == plain(sent)
    strike = whole[-1].record
    assert (strike.sequence, strike.flags) == (sequence, strike_parts[0].flags)
    assert np.array_equal(strike.counts, np.concatenate([p.counts for p in strike_parts]))
    assert np.array_equal(strike.scan_ticks, np.concatenate([p.scan_ticks for p in strike_parts]))

    decoder, pieces = Decoder(), []
    while stream:
        size = data.draw(st.integers(1, len(stream)))
        pieces += decoder.feed(stream[:size], NOW_NS)
        stream = stream[size:]
    assert plain([i for i in pieces if not isinstance(i, Damage)]) == plain(whole)


@given(st.lists(st.binary(max_size=60) | st.binary(max_size=60).map(wire_of), max_size=10))
def test_any_bytes_never_raise_and_the_next_record_is_read(garbage):
    decoder = Decoder()
    try:
        decoder.feed(b"".join(garbage) + b"\x00", NOW_NS)
    except ProtocolError:
        return
    assert sequences(decoder.feed(reading(9), NOW_NS)) == [9]


@pytest.mark.parametrize("seed", range(20))
def test_a_link_that_drops_and_flips_gives_only_what_was_sent(seed, plain):
    """Whatever is lost, no record comes out that was not put in."""
    rng = random.Random(seed)
    frames = [
        part(s, p, 3, value=s % 50) for s in range(0, 60, 2) for p in range(3)
    ] + [reading(s) for s in range(1, 60, 2)]  # fmt: skip
    # A little out of order: parts of a few strikes are under way at any moment.
    places = {id(frame): i + rng.uniform(0, 9) for i, frame in enumerate(frames)}
    frames.sort(key=lambda frame: places[id(frame)])
    clean = {item.record.sequence: plain(item) for item in Decoder().feed(b"".join(frames), NOW_NS)}
    stream = bytearray(b"".join(frames))
    for _ in range(60):
        place = rng.randrange(len(stream))
        if rng.random() < 0.5:
            stream[place] ^= 1 << rng.randrange(8)
        else:
            del stream[place : place + rng.randrange(1, 30)]
    decoder = Decoder()
    items = decoder.feed(bytes(stream), NOW_NS)
    got = [item for item in items if isinstance(item, RawRecord)]
    assert 10 < len(got) < 60
    assert all(plain(item) == clean[item.record.sequence] for item in got)
    # And all the rest is named, or can be seen from the hole.
    assert sum(decoder.counters.bad_frames.values()) > 10


@given(st.data())
def test_stored_bytes_give_the_record_again(strike_strategy, message_strategy, plain, data):
    messages = [data.draw(message_strategy), *data.draw(strike_strategy)]
    stream = b"".join(encode_frame(encode(m)) for m in messages) + b"LB1 x=1.5 n=7\nLB1 k=back\n"
    raws = [i for i in Decoder().feed(stream, NOW_NS) if isinstance(i, RawRecord)]
    assert len(raws) >= 3
    for raw in raws:
        assert plain(record_from_raw(raw.raw)) == plain(raw.record)


def body_of(wire):
    return cobs.decode(wire[:-1])[:-4]


@pytest.mark.parametrize(
    ("raw", "named"),
    [
        ([], "no bytes"),
        ([b""], "1 to 508"),
        ([b"LB1 x="], "x="),
        ([b"LB2 x=1"], "update lieboard"),
        ([b"\x01\x02"], "update lieboard"),
        ([b"\x02short"], "reading: 5 bytes"),
        ([b"\x77"], "0x77"),
        ([encode(AskHello())], "AskHello is not a record"),
        ([body_of(reading(1))] * 2, "2 pieces"),
        ([body_of(part(1, 0, 2))], "not all there"),
        ([body_of(part(1, 1, 2)), body_of(part(1, 0, 2))], "not all there"),
        ([body_of(part(1, 0, 2)), body_of(part(2, 1, 2))], "another record"),
        ([body_of(part(1, 0, 2)), body_of(part(1, 1, 2, span_ticks=1))], "span_ticks"),
        ([body_of(part(1, 0, 2)), b"\x03"], "strike scans: 0 bytes"),
        ([body_of(part(1, 0, 2)), body_of(reading(1))], "strike scans"),
    ],
)
def test_stored_bytes_that_are_no_record_are_refused(raw, named):
    with pytest.raises(ValueError, match=named):
        record_from_raw(raw)


def test_button_actions():
    stream = b"".join(
        wire_of(encode(Button(i, 0, action, Flag(0)))) for i, action in enumerate(ButtonAction)
    )
    assert [i.record.action for i in Decoder().feed(stream, NOW_NS)] == list(ButtonAction)
