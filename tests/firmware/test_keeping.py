"""Records are kept until confirmed, sent again when asked, and dropped in the open only."""

from __future__ import annotations

import ctypes

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.protocol.records import (
    AskClock,
    AskHello,
    Button,
    ButtonAction,
    Confirm,
    Flag,
    SendAgain,
    SetTrigger,
)


def test_nothing_but_hello_and_status_before_the_host_asks(bench) -> None:
    board = bench(greet=False)
    board.strike()
    heard = board.go(2500)
    assert len(heard.hellos) == 0
    assert len(heard.statuses) == 2
    assert heard.records == []
    heard = board.go(100, AskHello())
    assert heard.hellos[0].oldest_kept == 0
    assert heard.hellos[0].next_sequence == 1
    assert heard.sequences == [0]


@pytest.mark.parametrize("message", [AskClock(3), SetTrigger(10), SendAgain(1, 0), Confirm(9, 9)])
def test_any_word_of_a_host_will_do(bench, message: object) -> None:
    """A host that missed the board's new start does not greet it, but goes on talking."""
    board = bench(greet=False)
    board.strike()
    assert board.go(100).records == []
    assert board.go(100, message).sequences == [0]


def test_hello_comes_once_after_the_start_behind_a_zero(bench) -> None:
    board = bench(greet=False)
    assert board.hello.boot_id == 1
    assert board.hello.board_id == "4c42000000000001"
    assert board.hello.name == "strip 16"


def test_records_stay_until_confirmed_and_come_again_when_asked(bench) -> None:
    board = bench()
    boot = board.hello.boot_id
    for _ in range(3):
        board.strike()
        board.go(60)
    again = board.go(200, SendAgain(boot, 1))
    assert again.sequences == [1, 2]
    status = board.go(50, Confirm(boot, 1), SetTrigger(10)).statuses[0]
    assert (status.kept, status.oldest_kept, status.next_sequence) == (1, 2, 3)
    # Confirmed ones are gone: the oldest that is left comes.
    assert board.go(200, SendAgain(boot, 0)).sequences == [2]
    assert board.go(100, Confirm(boot, 2), SendAgain(boot, 0)).sequences == []


def test_resent_bytes_are_the_same_bytes(bench) -> None:
    board = bench()
    board.strike()
    (first,) = board.go(60).strikes
    (second,) = board.go(100, SendAgain(board.hello.boot_id, 0)).strikes
    np.testing.assert_array_equal(first.counts, second.counts)
    np.testing.assert_array_equal(first.scan_ticks, second.scan_ticks)
    assert (first.flags, first.span_ticks) == (second.flags, second.span_ticks)


def test_another_boots_words_are_ignored(bench) -> None:
    board = bench()
    board.strike()
    board.go(60)
    other = board.hello.boot_id + 1
    heard = board.go(100, Confirm(other, 0), SendAgain(other, 0), SetTrigger(10))
    assert heard.records == []
    assert heard.statuses[0].kept == 1
    assert heard.statuses[0].bad_frames == 0


def test_a_confirm_of_what_never_was_sent_loses_nothing(bench) -> None:
    board = bench()
    board.strike()
    board.go(60)
    heard = board.go(60, Confirm(board.hello.boot_id, 1000), SetTrigger(10))
    assert heard.statuses[0].kept == 1


def test_a_full_store_drops_the_oldest_counts_it_and_flags_the_next(bench) -> None:
    board = bench(greet=False)
    for _ in range(9):
        board.strike()
        board.go(20)
    heard = board.go(1000, AskHello())
    hello = heard.hellos[0]
    assert hello.next_sequence == 9
    kept = 9 - hello.oldest_kept
    # 9 or 10 scans of 20 bytes and a head of 8 bytes each; the store of the board has 1240.
    assert kept in (5, 6)
    assert heard.sequences == list(range(hello.oldest_kept, 9))
    assert [bool(strike.flags & Flag.AFTER_DROP) for strike in heard.strikes] == [
        True,
        *[False] * (kept - 1),
    ]
    status = board.go(60, SetTrigger(10)).statuses[0]
    assert (status.dropped, status.kept) == (9 - kept, kept)


def test_buttons_after_a_drop_hand_the_flag_on(bench) -> None:
    """A button record has no flags field: the strike behind it says that something is missing."""
    board = bench(greet=False)
    board.strike(length_us=3000)
    board.go(20)
    # Nine bytes each: with the strike's 300 they fill the store but for less than a strike.
    for _ in range(95):
        board.board.press(True)
        board.go(50)
        board.board.press(False)
        board.go(50)
    board.strike()
    board.go(20)
    heard = board.go(2000, AskHello())
    assert heard.hellos[0].oldest_kept == 1
    assert [type(record) for record in heard.records[:-1]] == [Button] * 95
    assert heard.strikes[0].flags & Flag.AFTER_DROP


def test_a_record_that_was_sent_once_never_changes(bench) -> None:
    """Also when the one before it is dropped: the host keeps the bytes that it got first."""
    board = bench()
    sent = []
    for _ in range(5):
        board.strike()
        sent += board.go(60).strikes
    # Ask for the second again, and let new ones push the first out while it is on its way.
    for after_ms in (14.0, 20.0, 26.0):
        board.strike(after_ms=after_ms)
    heard = board.go(500, SendAgain(board.hello.boot_id, 1))
    assert heard.damage == []
    again = board.go(600, SendAgain(board.hello.boot_id, 0), SetTrigger(10))
    assert again.statuses[0].dropped > 0
    for strike in again.strikes:
        if strike.sequence < 5:
            before = sent[strike.sequence]
            assert strike.flags == before.flags
            np.testing.assert_array_equal(strike.counts, before.counts)


@given(
    plan=st.lists(
        st.one_of(
            st.tuples(st.just("strike"), st.floats(400, 3000)),
            st.tuples(st.just("confirm"), st.integers(0, 6)),
            st.tuples(st.just("again"), st.integers(0, 12)),
            st.tuples(st.just("wait"), st.integers(1, 80)),
            st.tuples(st.just("press"), st.sampled_from([0.1, 0.8])),
        ),
        max_size=25,
    )
)
@settings(
    max_examples=25,
    deadline=None,
    # `bench` makes a new board at each call.
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_no_record_is_ever_lost_uncounted_or_out_of_order(bench, plan: list) -> None:
    """Whatever the host does, each sequence is heard, or is below oldest_kept and counted."""
    board = bench(noise_counts=0.3)
    boot = board.hello.boot_id
    heard: set[int] = set()
    confirmed = -1
    damage = []

    def note(got) -> None:
        heard.update(got.sequences)
        damage.extend(got.damage)

    for what, how in plan:
        if what == "strike":
            board.strike(length_us=how)
            note(board.go(15))
        elif what == "confirm":
            # A host confirms only what it has without a hole.
            gapless = next((n for n in range(100) if n not in heard), 0) - 1
            if gapless >= 0:
                confirmed = max(confirmed, min(gapless, confirmed + how))
            if confirmed >= 0:
                note(board.go(5, Confirm(boot, confirmed)))
        elif what == "again":
            note(board.go(5, SendAgain(boot, how)))
        elif what == "press":
            board.board.press(True)
            note(board.go(how * 1000))
            board.board.press(False)
            note(board.go(60))
        else:
            note(board.go(how))
    note(board.go(700, SendAgain(boot, 0)))
    status = board.go(30, SetTrigger(10)).statuses[-1]
    pressed = sum(what == "press" for what, _ in plan)
    struck = sum(what == "strike" for what, _ in plan)
    assert damage == []
    assert status.next_sequence == struck + pressed
    missing = set(range(status.next_sequence)) - heard
    assert all(n < status.oldest_kept for n in missing)
    assert len(missing) <= status.dropped
    assert status.kept == status.next_sequence - status.oldest_kept


def test_sequence_numbers_end_with_a_new_boot(bench) -> None:
    board = bench()
    c = board.board.library
    c.store_set_next(ctypes.c_uint32(0xFFFFFF00 - 1))
    board.strike()
    heard = board.go(60)
    assert heard.sequences == [0xFFFFFEFF]
    boot = board.hello.boot_id
    heard = board.go(100, Confirm(boot, 0xFFFFFEFF))
    (hello,) = heard.hellos
    assert (hello.boot_id, hello.next_sequence) == (boot + 1, 0)
    board.strike()
    heard = board.go(100, AskHello())
    assert heard.sequences == [0]
    assert heard.damage == []


# ---- boot ids


def test_each_start_has_a_new_boot_id_and_none_of_the_old_records(bench) -> None:
    board = bench()
    seen = [board.hello.boot_id]
    for _ in range(5):
        board.strike()
        board.go(30)
        board.board.power_cycle()
        board.go(200)
        hello = board.go(60, AskHello()).hellos[-1]
        assert (hello.oldest_kept, hello.next_sequence) == (0, 0)
        seen.append(hello.boot_id)
    assert len(set(seen)) == 6


@pytest.mark.parametrize("written", range(8))
def test_power_lost_while_the_boot_id_is_written_never_repeats_one(bench, written: int) -> None:
    """The write stops after some bytes: the next start may take that number, which was not used."""
    board = bench()
    used = {board.hello.boot_id}
    for _ in range(3):
        before = bytes(board.board.storage)
        board.board.power_cycle()
        after = bytes(board.board.storage)
        changed = [i for i in range(16) if before[i] != after[i]]
        place = 8 * (changed[0] // 8)
        torn = bytearray(before)
        # The order in which boot_id.c writes a place: value and complement by turns.
        order = [place + i + half for i in range(4) for half in (0, 4)]
        for at in order[:written]:
            torn[at] = after[at]
        for i in range(16):
            board.board.storage[i] = torn[i]
        board.board.power_cycle()
        board.go(150)
        boot = board.go(60, AskHello()).hellos[-1].boot_id
        assert boot not in used
        used.add(boot)


def test_a_blank_or_ruined_storage_still_starts(bench) -> None:
    board = bench()
    for fill in (0xFF, 0x00, 0x5A):
        for i in range(16):
            board.board.storage[i] = fill
        board.board.power_cycle()
        board.go(150)
        assert board.go(60, AskHello()).hellos[-1].boot_id == 1


# ---- clock, switch, status


def test_the_clock_reply_goes_out_at_the_tick_that_it_says(bench) -> None:
    board = bench()
    byte_us = 10e6 / 115_200
    for token in range(20):
        board.go(1 + 0.37 * token)
        start_us = board.board.now_ns / 1000
        (reply,) = board.go(30, AskClock(token)).clock_replies
        assert reply.token == token
        # The question is 11 or so bytes long; its last one is in that many byte times later.
        asked_us = (reply.received_ticks - start_us) / byte_us
        assert asked_us == pytest.approx(round(asked_us), abs=0.03)
        assert 10 <= round(asked_us) <= 12
        assert 4000 <= reply.sent_ticks - reply.received_ticks <= 4500


def test_the_first_byte_of_a_clock_reply_leaves_on_time_even_on_a_busy_line(bench) -> None:
    board = bench()
    boot = board.hello.boot_id
    for _ in range(4):
        board.strike()
        board.go(60)
    board.go(1, SendAgain(boot, 0), AskClock(77))
    data = b""
    times = []
    for _ in range(4000):
        got = board.board.advance(20_000)
        times += [board.board.now_ns / 1000] * len(got)
        data += got
    heard = board.ear.hear(data)
    (reply,) = heard.clock_replies
    frames = data.split(b"\x00")
    at = 0
    for frame in frames:
        if frame[1:2] == b"\x05":
            # Taken from the core when it was given to the line: that moment is the byte's start.
            assert times[at] - reply.sent_ticks == pytest.approx(20, abs=20)
            break
        at += len(frame) + 1
    else:
        raise AssertionError("no clock reply on the line")


def test_short_press_next_long_press_take_back(bench) -> None:
    board = bench()
    heard = []
    for length in (0.03, 0.3, 0.59, 0.62, 2.0):
        pressed_us = board.board.now_ns / 1000
        board.board.press(True)
        got = board.go(length * 1000).records
        board.board.press(False)
        got += board.go(200).records
        (button,) = got
        assert isinstance(button, Button)
        assert button.ticks == pytest.approx(pressed_us, abs=300)
        heard.append(button.action)
    short, long = ButtonAction.NEXT_CLUB, ButtonAction.TAKE_BACK
    assert heard == [short, short, short, long, long]


def test_bounces_and_spikes_are_no_presses(bench) -> None:
    board = bench()
    for _ in range(5):
        board.board.press(True)
        board.go(3)
        board.board.press(False)
        board.go(3)
    assert board.go(200).records == []
    for _ in range(4):
        board.board.press(True)
        board.go(2)
        board.board.press(False)
        board.go(1)
    board.board.press(True)
    board.go(100)
    for _ in range(4):
        board.board.press(False)
        board.go(1)
        board.board.press(True)
        board.go(2)
    board.board.press(False)
    assert len(board.go(200).records) == 1


def test_a_press_during_a_strike_waits_for_its_end(bench) -> None:
    board = bench()
    board.board.press(True)
    board.strike(length_us=400_000, after_ms=1)
    board.go(200)
    board.board.press(False)
    heard = board.go(400)
    assert [type(record).__name__ for record in heard.records] == ["Strike", "Button"]
    assert heard.sequences == [0, 1]


def test_status_comes_about_once_a_second(bench) -> None:
    board = bench()
    statuses = board.go(10_000).statuses
    assert len(statuses) == 10
    assert np.diff([status.ticks for status in statuses]) == pytest.approx(1e6, rel=0.002)
    assert all(status.supply_mv is None for status in statuses)
    assert all(status.temperature_c is None for status in statuses)


def test_a_terminal_serves_the_core_in_real_time(library, new_ear, say) -> None:
    """The same core on a pseudo-terminal, read with pyserial."""
    import threading

    import serial

    from simulators.core_board import CoreBoard, TerminalEnd

    board = CoreBoard(library("strip16"))
    end = TerminalEnd()
    stop = threading.Event()
    thread = threading.Thread(target=end.serve, args=(board, stop.is_set))
    thread.start()
    try:
        ear = new_ear()
        with serial.Serial(end.path, 115200, timeout=0.05) as port:
            hellos, replies = [], []
            port.write(say(AskHello()) + say(AskClock(5)))
            for _ in range(100):
                heard = ear.hear(port.read(4096))
                hellos += heard.hellos
                replies += heard.clock_replies
                if hellos and replies:
                    break
        assert hellos[-1].name == "strip 16"
        assert replies[0].token == 5
    finally:
        stop.set()
        thread.join()
        end.close()
