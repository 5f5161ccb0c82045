"""Streams of readings -> contacts: gaps, flags, weights, and that chunking changes nothing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.strikes.contacts import (
    GAP_US,
    MAX_READINGS,
    Contact,
    ContactBuilder,
    ContactFlag,
    StripReading,
)


def build(readings: list[StripReading]) -> list[Contact]:
    builder = ContactBuilder()
    done = [contact for reading in readings for contact in builder.feed(reading)]
    return done + builder.flush()


def reading(t_us: float, board_mm: float = 0.0, key: int = 0, **more: object) -> StripReading:
    return StripReading(t_us=t_us, board_mm=board_mm, key=key, **more)  # type: ignore[arg-type]


def test_a_reading_that_sums_up_is_a_contact_at_once():
    builder = ContactBuilder()
    (contact,) = builder.feed(
        reading(5e6, 12.4, 17, sums_up=True, span_us=900, load=812, trail_mm=1.5, saturated=True)
    )
    assert (contact.t_us, contact.board_mm, contact.trail_mm) == (5e6, 12.4, 1.5)
    assert (contact.span_us, contact.load, contact.flags) == (900, 812, ContactFlag.SATURATED)
    assert (contact.first_key, contact.last_key) == (17, 17)
    assert builder.flush() == []


def test_unknown_span_stays_unknown():
    (contact,) = build([reading(1.0, sums_up=True, span_us=0)])
    assert contact.span_us is None
    (contact,) = build([reading(1.0, 2.5)])
    assert contact.span_us is None
    assert contact.board_mm == 2.5


def test_readings_of_one_contact_are_weighed_by_load_near_the_peak():
    (contact,) = build(
        [
            reading(0, 40.0, 1, load=10, begins=True),
            reading(500, 10.0, 2, load=600),
            reading(1000, 16.0, 3, load=1200, edge=True),
            reading(1500, -30.0, 4, load=20, ends=True),
        ]
    )
    assert contact.board_mm == pytest.approx((10 * 600 + 16 * 1200) / 1800)
    assert contact.t_us == 1000
    assert contact.span_us == 1500
    assert contact.load == 1200
    assert contact.flags is ContactFlag.EDGE
    assert (contact.first_key, contact.last_key) == (1, 4)


def test_ends_begins_gap_and_a_clock_that_starts_again_part_contacts():
    streams = [
        [reading(0, 1.0, ends=True), reading(400, 2.0)],
        [reading(0, 1.0), reading(400, 2.0, begins=True)],
        [reading(0, 1.0), reading(GAP_US + 1, 2.0)],
        [reading(9e9, 1.0), reading(400, 2.0)],
    ]
    for stream in streams:
        assert [contact.board_mm for contact in build(stream)] == [1.0, 2.0]
    assert len(build([reading(0), reading(GAP_US)])) == 1


def test_idle_closes_only_after_the_gap():
    builder = ContactBuilder()
    builder.feed(reading(1e6, 3.0))
    assert builder.idle(1e6 + GAP_US) == []
    (contact,) = builder.idle(1e6 + GAP_US + 1)
    assert contact.board_mm == 3.0
    assert builder.idle(1e9) == []


def test_a_head_that_rests_for_ever_takes_no_more_memory():
    builder = ContactBuilder()
    last = 4 * MAX_READINGS
    for step in range(last + 1):
        builder.feed(reading(step * 1e3, 2.0, step, load=50))
    assert len(builder._readings) == MAX_READINGS
    (contact,) = builder.flush()
    assert contact.span_us == last * 1e3
    assert contact.last_key == last


def test_numbers_that_are_none_do_not_stop_the_stream():
    contacts = build([reading(0, math.nan), reading(math.nan, 1.0), reading(2e6, 1.0)])
    assert len(contacts) == 3
    assert math.isnan(contacts[0].board_mm)


numbers = st.floats(-200, 200)
streams = st.lists(
    st.builds(
        lambda pause, **fields: (pause, fields),
        st.sampled_from([0, 100, 1_000, 20_000, 25_000, 26_000, 200_000]),
        board_mm=numbers,
        load=st.none() | st.floats(0, 5000),
        trail_mm=st.none() | numbers,
        begins=st.booleans(),
        ends=st.booleans(),
        sums_up=st.booleans(),
        span_us=st.none() | st.floats(0, 1e6),
    ),
    max_size=30,
)


@given(streams, st.lists(st.booleans(), min_size=30, max_size=30))
def test_a_quiet_line_changes_no_contact(stream, ask):
    t = 0.0
    whole, asked = ContactBuilder(), ContactBuilder()
    from_whole: list[Contact] = []
    from_asked: list[Contact] = []
    for index, ((pause, fields), asks) in enumerate(zip(stream, ask, strict=False)):
        for part in (0.3, 0.9) if asks else ():
            from_asked += asked.idle(t + part * pause)
        t += pause
        from_whole += whole.feed(reading(t, key=index, **fields))
        from_asked += asked.feed(reading(t, key=index, **fields))
    # A reading with the flag "begins" may part a contact that idle had no reason to close yet.
    assert from_whole + whole.flush() == from_asked + asked.flush()


@given(streams)
def test_no_reading_is_lost_or_used_twice(stream):
    t = 0.0
    made = []
    for index, (pause, fields) in enumerate(stream):
        t += pause
        made.append(reading(t, key=index, **fields))
    keys = [key for c in build(made) for key in range(c.first_key, c.last_key + 1)]
    assert keys == list(range(len(made)))
