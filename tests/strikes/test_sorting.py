"""What is a strike and what is not; live and stored give the same answer."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.strikes.contacts import Contact, ContactBuilder, ContactFlag, StripReading
from analysis.strikes.sorting import Kind, SortRules, StrikeSorter


def sort_contacts(contacts, rules=None):
    sorter = StrikeSorter(rules or SortRules())
    return [sorter.feed(contact) for contact in contacts]


def kinds(contacts: list[Contact], rules: SortRules | None = None) -> list[Kind]:
    return [s.kind for s in sort_contacts(contacts, rules)]


def test_a_session_in_order(touch):
    # Spans, loads and pauses as a player makes them; common practice, no source.
    session = [
        (touch(0), Kind.STRIKE),
        (touch(40, load=300.0), Kind.BOUNCE),
        (touch(9_000, span_us=820_000.0, load=60.0), Kind.REST),
        (touch(11_000, load=1_100.0), Kind.STRIKE),
        (touch(11_009, load=1_000.0), Kind.REPEAT),
        (touch(20_000, span_us=60_000.0, load=40.0), Kind.BRUSH),
        (touch(22_000, load=1_000.0), Kind.STRIKE),
        (touch(30_000, span_us=900.0, load=30.0), Kind.BRUSH),
        (touch(33_000, span_us=1_400_000.0, load=900.0), Kind.FOOT),
        (touch(35_000, span_us=700_000.0, load=300.0, width_mm=105.0, patches=2), Kind.FOOT),
        (touch(40_000, flags=ContactFlag.EDGE, board_mm=61.0), Kind.OFF_STRIP),
        (touch(40_060, load=200.0), Kind.BOUNCE),
        (touch(50_000, board_mm=math.nan), Kind.UNREADABLE),
        (touch(60_000, flags=ContactFlag.SATURATED), Kind.STRIKE),
    ]
    found = sort_contacts([contact for contact, _ in session])
    assert [s.kind for s in found] == [kind for _, kind in session]
    assert found[2].reason == "stayed on the strip for 820 ms: a resting head"
    for s in found:
        assert "nan" not in s.reason
        assert len(s.reason) < 160
    assert "full scale" in found[-1].reason


def test_a_feeding_machines_pace_loses_no_strike(touch):
    # 150 ms apart, loads as uneven as half to double.
    loads = [900, 500, 1_000, 450, 1_300, 600, 480, 950]
    contacts = [touch(150.0 * i, load=float(load)) for i, load in enumerate(loads)]
    assert set(kinds(contacts)) == {Kind.STRIKE}


def test_a_second_strike_as_heavy_as_the_first_is_no_bounce(touch):
    assert kinds([touch(0, load=900.0), touch(100, load=800.0)])[1] is Kind.STRIKE
    assert kinds([touch(0, load=900.0), touch(100, load=500.0)])[1] is Kind.BOUNCE
    assert kinds([touch(0, load=900.0), touch(130, load=500.0)])[1] is Kind.STRIKE


def test_a_board_without_loads_and_spans_still_gets_strikes(touch):
    bare = {"load": None, "span_us": None, "width_mm": None, "patches": None}
    contacts = [touch(t, **bare) for t in (0, 60, 4_000, 4_010, 9_000)]
    assert kinds(contacts) == [
        Kind.STRIKE,
        Kind.BOUNCE,
        Kind.STRIKE,
        Kind.REPEAT,
        Kind.STRIKE,
    ]


def test_bounces_count_from_the_strike_and_do_not_chain(touch):
    train = [touch(t, load=load) for t, load in ((0, 900.0), (60, 300.0), (119, 90.0))]
    assert kinds(train) == [Kind.STRIKE, Kind.BOUNCE, Kind.BOUNCE]
    assert kinds([*train, touch(170, load=880.0)])[-1] is Kind.STRIKE


def test_still_loaded_is_a_rest_even_without_a_span(touch):
    (found,) = sort_contacts([touch(0, span_us=None, flags=ContactFlag.STILL_LOADED)])
    assert found.kind is Kind.REST
    assert "closed" in found.reason


def test_known_length_of_the_strip(touch):
    contacts = [touch(0, board_mm=70.0)]
    assert kinds(contacts) == [Kind.STRIKE]
    assert kinds(contacts, SortRules(half_strip_mm=64.0)) == [Kind.OFF_STRIP]


@pytest.mark.parametrize(
    "change",
    [
        {"t_us": math.nan},
        {"board_mm": math.inf},
        {"board_mm": 4e3},
        {"span_us": -5.0},
        {"span_us": math.nan},
        {"load": math.nan},
        {"load": -1.0},
        {"load": 0.0, "board_mm": math.nan},
    ],
)
def test_absurd_numbers_are_unreadable_and_harm_nothing(touch, change):
    contact = replace(touch(0), **change)
    found = sort_contacts([touch(0), contact, touch(5_000), touch(10_000)])
    assert [s.kind for s in found] == [Kind.STRIKE, Kind.UNREADABLE, Kind.STRIKE, Kind.STRIKE]
    assert found[1].reason


def test_a_board_that_starts_again_begins_a_new_time(touch):
    contacts = [touch(1e6), touch(50, load=100.0)]
    assert kinds(contacts) == [Kind.STRIKE, Kind.STRIKE]


def test_brush_needs_to_know_what_is_usual(touch):
    light = touch(30_000, load=20.0)
    assert kinds([touch(0), touch(9_000), light])[-1] is Kind.STRIKE
    assert kinds([touch(0), touch(9_000), touch(18_000), light])[-1] is Kind.BRUSH


maybe_odd = st.floats(allow_nan=True, allow_infinity=True)
any_contact = st.builds(
    Contact,
    t_us=st.floats(0, 1e7) | maybe_odd,
    span_us=st.none() | st.floats(0, 1e6) | maybe_odd,
    board_mm=st.floats(-100, 100) | maybe_odd,
    trail_mm=st.none(),
    load=st.none() | st.floats(0, 2_000) | maybe_odd,
    width_mm=st.none() | st.floats(0, 150),
    patches=st.none() | st.integers(0, 3),
    flags=st.sampled_from(list(ContactFlag)) | st.just(ContactFlag.NONE),
    first_key=st.just(0),
    last_key=st.just(0),
)


@settings(max_examples=100)
@given(st.lists(any_contact, max_size=40), st.integers(0, 40))
def test_the_future_changes_nothing(contacts, cut):
    # repr, because a NaN in a contact is unequal to itself.
    whole = sort_contacts(contacts)
    early = sort_contacts(contacts[:cut])
    assert [repr(s) for s in whole[:cut]] == [repr(s) for s in early]
    assert len(whole) == len(contacts)
    assert all(s.reason for s in whole)


@settings(max_examples=100)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([300, 2_000, 14_000, 30_000, 100_000, 160_000, 5_000_000]),
            st.floats(-70, 70),
            st.none() | st.floats(1, 2_000),
            st.booleans(),
        ),
        max_size=40,
    ),
    st.lists(st.booleans(), min_size=40, max_size=40),
)
def test_live_and_stored_sort_alike(stream, pauses):
    """Readings fed one by one, with the line found idle in between, against all at once."""
    t = 0.0
    live_builder, live_sorter = ContactBuilder(), StrikeSorter()
    live: list[object] = []
    readings = []
    for (pause, place, load, ends), idle in zip(stream, pauses, strict=False):
        if idle:
            live += [live_sorter.feed(c) for c in live_builder.idle(t + 0.99 * pause)]
        t += pause
        readings.append(StripReading(t, place, key=len(readings), load=load, ends=ends))
        live += [live_sorter.feed(c) for c in live_builder.feed(readings[-1])]
    live += [live_sorter.feed(c) for c in live_builder.flush()]
    builder = ContactBuilder()
    stored = [c for r in readings for c in builder.feed(r)] + builder.flush()
    assert sort_contacts(stored) == live
