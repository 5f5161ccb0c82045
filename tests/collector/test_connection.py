"""One connection against the rules of firmware_notes/wire.md, section 2.7, frame by frame.

The board's side is written with the simulator's own encoder, which shares nothing with the logger.
"""

from __future__ import annotations

import asyncio

import numpy as np
import pytest

from logger.collector.recording import (
    BoardReport,
    Greeted,
    KnownBoot,
    LineTrouble,
    RecordsLost,
    RecordsUndated,
)
from logger.collector.settings import ConnectionSettings, ConnectionState
from logger.errors import LinkClosedError, LinkTimeoutError, ProtocolError, StoreError
from logger.protocol.sequence import Hole
from simulators import encode


def confirmed(bench):
    said = bench.said(encode.CONFIRM)
    return said[-1] if said else None


async def test_asks_hello_until_the_board_says_it(bench):
    async with bench.running():
        await bench.until(lambda: len(bench.said(encode.ASK_HELLO)) >= 3)
        bench.say(bench.hello())
        await bench.until(lambda: bench.connection.state is ConnectionState.STREAMING)
        await bench.until(lambda: len(bench.said(encode.ASK_CLOCK)) > 2)
        asked = len(bench.said(encode.ASK_HELLO))
        await asyncio.sleep(0.2)
        assert len(bench.said(encode.ASK_HELLO)) == asked
    assert isinstance(bench.events[0], Greeted)


async def test_confirms_what_is_on_disk_and_nothing_beyond_a_hole(bench):
    async with bench.running():
        bench.say(bench.hello(0, 0))
        bench.say(bench.reading(0), bench.reading(1), bench.reading(3))
        await bench.until(lambda: 3 in bench.stored())
        assert confirmed(bench) == (7, 1)
        await bench.until(lambda: bench.said(encode.SEND_AGAIN))
        assert bench.said(encode.SEND_AGAIN)[0] == (7, 2)
        # The board sends again from the hole: what is there already does no harm.
        bench.say(bench.reading(2), bench.reading(3))
        await bench.until(lambda: confirmed(bench) == (7, 3))
    assert bench.filed() == [0, 1, 2, 3]
    assert sorted(bench.stored()) == [0, 1, 2, 3]


async def test_never_confirms_what_the_disk_refused(bench):
    async with bench.running() as running:
        bench.say(bench.hello(0, 0))
        await bench.until(lambda: bench.said(encode.ASK_CLOCK))
        bench.recorder.failure = StoreError("disk full")
        bench.say(bench.reading(0))
        with pytest.raises(StoreError, match="disk full"):
            await bench.until(running.done) or await running
    assert confirmed(bench) is None


async def test_asks_for_what_the_board_kept_from_the_first_it_lacks(bench):
    bench.recorder.known["00000007"] = KnownBoot(1, 4, frozenset({6}))
    async with bench.running():
        bench.say(bench.hello(2, 9))
        await bench.until(lambda: bench.said(encode.SEND_AGAIN))
        assert bench.said(encode.SEND_AGAIN)[0] == (7, 4)
        bench.say(*(bench.reading(n) for n in range(4, 9)))
        await bench.until(lambda: confirmed(bench) == (7, 8))
    assert bench.stored() == [4, 5, 7, 8]


async def test_what_the_board_dropped_is_counted_once_and_does_not_hold_up_the_rest(bench):
    async with bench.running():
        bench.say(bench.hello(0, 0))
        bench.say(bench.reading(0), bench.reading(5))
        await bench.until(lambda: sorted(bench.stored()) == [0, 5])
        frame = bench.status(oldest=5, following=6, dropped=4)
        bench.say(frame, frame)
        await bench.until(lambda: confirmed(bench) == (7, 5))
    assert bench.recorder.holes == [(Hole(1, 4), "the board's memory was full")]
    assert [e.count for e in bench.events if isinstance(e, RecordsLost)] == [4]
    assert bench.filed() == [0, 5]


async def test_a_lost_last_record_shows_in_the_status(bench):
    async with bench.running():
        bench.say(bench.hello(0, 0), bench.reading(0))
        await bench.until(lambda: bench.stored() == [0])
        bench.say(bench.status(oldest=0, following=3))
        await bench.until(lambda: bench.said(encode.SEND_AGAIN))
    assert bench.said(encode.SEND_AGAIN)[0] == (7, 1)
    (report,) = [e for e in bench.events if isinstance(e, BoardReport)]
    assert report.waiting == 2


async def test_behind_a_hole_that_stays_the_screen_goes_on_but_nothing_is_confirmed(bench):
    async with bench.running():
        bench.say(bench.hello(0, 0), bench.reading(0), bench.reading(2))
        await bench.until(lambda: 2 in bench.filed())
        assert confirmed(bench) == (7, 0)
        bench.say(bench.reading(1))
        await bench.until(lambda: confirmed(bench) == (7, 2))
    # The late one comes after; the session works the boot out again then.
    assert bench.filed() == [0, 2, 1]


async def test_a_restart_begins_a_new_boot(bench):
    async with bench.running():
        bench.say(bench.hello(0, 0), bench.reading(0), bench.reading(1))
        await bench.until(lambda: confirmed(bench) == (7, 1))
        bench.say(bench.hello(0, 1, boot=8), bench.reading(0))
        await bench.until(lambda: confirmed(bench) == (8, 0))
    assert [b.boot_key for b in bench.recorder.boots] == ["00000007", "00000008"]
    assert bench.stored() == [0, 1, 0]


async def test_what_came_just_before_a_restart_is_kept(bench):
    """No clock, and a hole that nothing can fill now: what the board has forgotten is with us."""
    async with bench.running():
        bench.say(bench.hello(0, 0), bench.reading(0), bench.reading(2), bench.hello(0, 0, boot=8))
        await bench.until(lambda: len(bench.recorder.boots) == 2)
        await bench.until(lambda: bench.filed() == [0, 2])


async def test_a_start_that_was_not_asked_for_is_answered(bench):
    """Rule 7: until it has seen *ask hello* a board keeps its records to itself."""
    async with bench.running():
        bench.say(bench.hello(0, 0))
        await bench.until(lambda: len(bench.said(encode.ASK_CLOCK)) > 2)
        asked = len(bench.said(encode.ASK_HELLO))
        bench.say(bench.hello(0, 2, boot=8))
        await bench.until(lambda: len(bench.said(encode.ASK_HELLO)) == asked + 1)
        await bench.until(lambda: (8, 0) in bench.said(encode.SEND_AGAIN))


async def test_a_board_that_cannot_count_its_starts_loses_nothing(bench):
    """Same boot id, numbers gone back: a record of now must not pass for one of then."""
    bench.recorder.known["00000007"] = KnownBoot(1, 12)
    async with bench.running():
        bench.say(bench.hello(0, 1), bench.reading(0))
        await bench.until(lambda: bench.stored() == [0])
    assert [b.boot_key for b in bench.recorder.boots] == ["00000007", "00000007~1"]


async def test_a_board_that_cannot_count_its_starts_goes_on_with_its_latest_start(bench):
    """Its second start has come further than its first: a new connection must not mix the two."""
    bench.recorder.known["00000007"] = KnownBoot(1, 10, later_starts=1)
    bench.recorder.known["00000007~1"] = KnownBoot(2, 11)
    async with bench.running():
        bench.say(bench.hello(9, 12))
        await bench.until(lambda: bench.said(encode.SEND_AGAIN))
    assert bench.said(encode.SEND_AGAIN)[0] == (7, 11)


async def test_records_before_the_hello_wait_for_it(bench):
    async with bench.running():
        bench.say(bench.reading(0))
        await asyncio.sleep(0.05)
        assert bench.stored() == []
        bench.say(bench.hello(0, 1))
        await bench.until(lambda: confirmed(bench) == (7, 0))


async def test_a_record_that_cannot_be_read_is_given_up(bench):
    """A button with an action of a later version: the same bytes would come again for ever."""
    strange = encode.frame(encode.BUTTON, (1).to_bytes(4, "little") + bytes(4) + b"\x63")
    async with bench.running():
        bench.say(bench.hello(0, 0), bench.reading(0), strange, bench.reading(2))
        await bench.until(lambda: confirmed(bench) == (7, 2))
    assert [hole for hole, _ in bench.recorder.holes] == [Hole(1, 1)]
    assert any(isinstance(e, LineTrouble) for e in bench.events)


@pytest.mark.parametrize("age_s", [3, 1800, 4200])
async def test_old_records_are_dated_by_the_boards_clock(age_s, bench):
    """Up to one wrap of the counter, 2^32 microseconds = 4295 s; 1800 s is before half of it."""
    then = (bench.ticks() - age_s * 1_000_000) % 2**32
    now_utc_ns = bench.clock.utc_ns()
    async with bench.running():
        bench.say(bench.hello(0, 1))
        await bench.until(lambda: bench.said(encode.SEND_AGAIN))
        bench.say(bench.reading(0, ticks=then))
        await bench.until(lambda: bench.stored() == [0])
    (record,) = bench.recorder.stored
    assert (now_utc_ns - record.struck_utc_ns) / 1e9 == pytest.approx(age_s, abs=1.0)


async def test_what_came_before_the_drop_reaches_the_disk(bench):
    async with bench.running() as running:
        bench.say(bench.hello(0, 0))
        await bench.until(lambda: len(bench.said(encode.ASK_CLOCK)) > 2)
        bench.say(bench.reading(0), bench.reading(1))
        bench.link.hang_up()
        with pytest.raises(LinkClosedError):
            await running
    assert bench.stored() == [0, 1]


@pytest.mark.parametrize("before", [False, True])
async def test_bytes_that_are_no_board(bench, before):
    settings = ConnectionSettings(foreign_after_s=0.1, seen_before=before)
    async with bench.running(settings) as running:
        for _ in range(20):
            bench.say(bytes(range(1, 60)))
        # On a port that was a board's before it is a bad line: try again, do not give up.
        expected = LinkClosedError if before else ProtocolError
        with pytest.raises(expected, match="--baud"):
            async with asyncio.timeout(5):
                await running


async def test_a_board_that_starts_slowly_gets_its_time_from_its_first_bytes_on(bench):
    """A boot loader's words, long after the port was opened, and then a board."""
    async with bench.running(ConnectionSettings(foreign_after_s=1.0)) as running:
        await asyncio.sleep(1.1)
        bench.say(bytes(range(1, 60)), bytes(range(1, 60)))
        # The watch looks every 50 ms.
        await asyncio.sleep(0.2)
        assert not running.done()
        # After a reset a zero first, which cuts off whatever was there (wire.md, section 2.1).
        bench.say(b"\0" + bench.hello())
        await bench.until(lambda: bench.recorder.boots)


async def test_a_line_that_takes_nothing_hides_no_other_device(bench):
    bench.link.full = True
    async with bench.running() as running:
        for _ in range(20):
            bench.say(bytes(range(1, 60)))
        with pytest.raises(ProtocolError, match="--baud"):
            async with asyncio.timeout(5):
                await running


async def test_a_sketch_that_never_reads_keeps_its_line(bench):
    bench.link.full = True
    async with bench.running() as running:
        await asyncio.sleep(0.3)
        bench.say(b"LB1 x=1\n")
        await bench.until(lambda: bench.filed() == [0])
        assert not running.done()


async def test_a_newer_protocol_is_refused(bench):
    async with bench.running() as running:
        bench.say(bench.hello(protocol_major=2))
        with pytest.raises(ProtocolError, match="protocol 2"):
            async with asyncio.timeout(5):
                await running


async def test_a_board_gone_quiet_is_noticed(bench):
    async with bench.running() as running:
        bench.say(bench.hello())
        with pytest.raises(LinkTimeoutError, match="supply and cable"):
            async with asyncio.timeout(5):
                await running


async def test_the_trigger_is_set_once_per_start(bench):
    async with bench.running(ConnectionSettings(trigger_level=31)):
        bench.say(bench.hello(), bench.hello())
        await bench.until(lambda: bench.said(encode.SET_TRIGGER))
        await asyncio.sleep(0.1)
    assert bench.said(encode.SET_TRIGGER) == [(31,)]


async def test_text_lines_are_numbered_as_they_come(bench):
    async with bench.running():
        bench.say(b"LB1 x=1\n", b"LB1 x=2\n")
        await bench.until(lambda: bench.filed() == [0, 1])
    (identity,) = bench.recorder.boots
    assert identity.board_key == "text:memory:"


async def test_text_lines_with_numbers_show_what_is_missing_and_a_restart(bench):
    async with bench.running():
        lines = [b"LB1 n=3 x=1 b=mat\n", b"LB1 n=6 x=1 b=mat\n", b"LB1 n=0 x=1 b=mat\n"]
        bench.say(*lines)
        await bench.until(lambda: bench.filed() == [3, 6, 0])
    assert [hole for hole, _ in bench.recorder.holes] == [Hole(4, 5)]
    assert [b.board_key for b in bench.recorder.boots] == ["text:mat", "text:mat"]
    assert bench.recorder.boots[0].boot_key != bench.recorder.boots[1].boot_key


async def test_a_confirm_that_was_not_heard_is_said_again(bench):
    async with bench.running():
        bench.say(bench.hello(0, 0), bench.reading(0))
        await bench.until(lambda: confirmed(bench) == (7, 0))
        # The board still keeps it.
        bench.say(bench.status(0, 1))
        await bench.until(lambda: len(bench.said(encode.CONFIRM)) == 2)
        assert confirmed(bench) == (7, 0)
        # Now it does not.
        bench.say(bench.status(1, 1))
        await bench.until(lambda: sum(isinstance(e, BoardReport) for e in bench.events) == 2)
        await asyncio.sleep(0.05)
        assert len(bench.said(encode.CONFIRM)) == 2


async def test_a_start_whose_hello_was_lost_is_asked_for(bench):
    """A board may say nothing but its status until it is asked (wire.md, section 2.7, rule 7)."""
    async with bench.running():
        bench.say(bench.hello(0, 0), *(bench.reading(number) for number in range(3)))
        await bench.until(lambda: confirmed(bench) == (7, 2))
        asked = len(bench.said(encode.ASK_HELLO))
        bench.say(bench.status(0, 1))
        await bench.until(lambda: len(bench.said(encode.ASK_HELLO)) > asked)
        bench.say(bench.hello(0, 1, boot=8))
        await bench.until(lambda: (8, 0) in bench.said(encode.SEND_AGAIN))
        bench.say(bench.reading(0))
        await bench.until(lambda: confirmed(bench) == (8, 0))
    assert not any(isinstance(e, RecordsLost) for e in bench.events)


async def test_a_board_that_does_not_send_what_it_keeps_is_asked_who_it_is(bench):
    """It started again before it had a record: its numbers do not tell; or it never was asked."""
    async with bench.running():
        bench.say(bench.hello(0, 0))
        await bench.until(lambda: len(bench.said(encode.ASK_CLOCK)) > 2)
        asked = len(bench.said(encode.ASK_HELLO))
        bench.say(bench.status(0, 2))
        await bench.until(lambda: (7, 0) in bench.said(encode.SEND_AGAIN))
        assert len(bench.said(encode.ASK_HELLO)) == asked
        # Later, nothing has come but answers about its clock.
        for _ in range(5):
            await asyncio.sleep(0.1)
            bench.say(bench.status(0, 2))
        await bench.until(lambda: len(bench.said(encode.ASK_HELLO)) > asked)


async def test_a_board_that_is_sending_a_long_strike_is_left_alone(bench):
    async with bench.running():
        bench.say(bench.hello(0, 0))
        await bench.until(lambda: len(bench.said(encode.ASK_CLOCK)) > 2)
        asked = len(bench.said(encode.ASK_HELLO))
        part, _ = encode.strike(
            sequence=0, flags=0, span_ticks=700, scan_ticks=np.arange(20, dtype=np.uint32),
            counts=np.full((20, 1, 16), 50, np.uint16),
        )  # fmt: skip
        bench.say(bench.status(0, 1))
        await asyncio.sleep(0.1)
        bench.say(part, bench.status(0, 1))
        await bench.until(lambda: sum(isinstance(e, BoardReport) for e in bench.events) == 2)
        await asyncio.sleep(0.05)
        assert len(bench.said(encode.ASK_HELLO)) == asked


async def test_records_of_a_start_whose_answer_was_lost_are_not_taken_for_those_of_another(bench):
    """Records do not say of which start they are; the board began just before it was asked."""
    async with bench.running():
        bench.deaf = True
        bench.say(bench.hello(0, 0))
        await bench.until(lambda: len(bench.said(encode.ASK_HELLO)) == 2)
        # It heard that, and sends; its answer is lost, and so is all that its status might tell.
        bench.say(bench.reading(0), bench.reading(1), bench.status(0, 2))
        await bench.until(lambda: len(bench.said(encode.ASK_HELLO)) > 2)
        assert bench.stored() == []
        bench.say(bench.hello(0, 2, boot=8))
        bench.deaf = False
        await bench.until(lambda: (8, 0) in bench.said(encode.SEND_AGAIN))
        bench.say(bench.reading(0), bench.reading(1))
        await bench.until(lambda: confirmed(bench) == (8, 1))
    assert sorted(bench.stored()) == [0, 1]
    assert [boot.boot_key for boot in bench.recorder.boots] == ["00000007", "00000008"]


async def test_what_was_held_back_is_kept_when_the_line_drops(bench):
    """The cable was pulled, and the board's supply with it."""
    async with bench.running() as running:
        bench.deaf = True
        bench.say(bench.hello(0, 0))
        await bench.until(lambda: len(bench.said(encode.ASK_CLOCK)) > 2)
        bench.say(bench.reading(0), bench.reading(1))
        await asyncio.sleep(0.02)
        assert bench.stored() == []
        bench.link.hang_up()
        with pytest.raises(LinkClosedError):
            await running
    assert bench.stored() == [0, 1]


async def test_what_waits_for_the_clock_is_written_when_the_line_drops(bench):
    """No clock was told, and the board may have been switched off with its cable."""
    async with bench.running() as running:
        bench.clockless = True
        bench.say(bench.hello(1, 2))
        await bench.until(lambda: bench.said(encode.SEND_AGAIN))
        bench.say(bench.reading(1, ticks=1_000_000), bench.reading(2, ticks=9_000_000))
        bench.link.hang_up()
        with pytest.raises(LinkClosedError):
            await running
    kept, fresh = bench.recorder.stored
    # The fresh one is on time, and the ticks say how long before it the other was struck.
    assert fresh.struck_utc_ns - kept.struck_utc_ns == pytest.approx(8e9, abs=0.05e9)


async def test_kept_records_without_any_clock_are_stored_and_said(bench):
    async with bench.running() as running:
        bench.clockless = True
        bench.say(bench.hello(0, 2))
        await bench.until(lambda: bench.said(encode.SEND_AGAIN))
        bench.say(bench.reading(0, ticks=1_000_000), bench.reading(1, ticks=2_000_000))
        bench.link.hang_up()
        with pytest.raises(LinkClosedError):
            await running
    assert bench.stored() == [0, 1]
    # Half a wrap of the counter: 2^31 us.
    assert all(record.struck_u_ns >= 2**31 * 1000 for record in bench.recorder.stored)
    assert [e.count for e in bench.events if isinstance(e, RecordsUndated)] == [2]
