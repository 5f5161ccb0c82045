"""When a record was struck: by its own ticks, and by the record before only if that is near."""

import numpy as np
import pytest
from cobs import cobs

from logger.collector.boot import ARRIVAL_U_NS, KeepingBoot, begin_boot, moment_ticks
from logger.collector.recording import BoardIdentity, KnownBoot
from logger.hostclock import HostClock
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import RawRecord
from logger.protocol.wire import parse
from simulators import encode

SECOND = 10**9
MS = 10**6
TICK_HZ = 1_000_000
# Of a counter of 32 bits at 1 MHz.
WRAP_NS = 2**32 * 1000
NOW_NS = 5_000 * SECOND
NOW_TICKS = 3_000_000_000


def body_of(frame):
    return cobs.decode(frame[:-1])[:-4]


class Start:
    """One start of a board whose clock was asked, exactly, at `NOW_NS`; UTC is the host's clock."""

    def __init__(self, recorder, kept=0, asked=True):
        hello = encode.Hello(
            board_id=bytes(8), boot_id=1, firmware=(1, 0, 0), tick_hz=TICK_HZ, rows=1, cells=16,
            pitch_um=4000, row_distance_um=0, scan_order=0, scan_ticks=52, full_scale=1023,
            trigger_level=24, oldest_kept=0, next_sequence=kept, abilities=31, name="bench",
        )  # fmt: skip
        said = parse(body_of(hello.encode()))
        self.recorder = recorder
        self.identity = BoardIdentity(said.board_id, "1", "bench", said)
        self.now_ns = NOW_NS
        self.boot = KeepingBoot(
            self.identity, KnownBoot(1), recorder, lambda event: None,
            HostClock(lambda: self.now_ns, lambda: self.now_ns),
        )  # fmt: skip
        if asked:
            self.boot.ticks.feed_exchange(NOW_NS - MS, NOW_TICKS, NOW_TICKS, NOW_NS + MS)

    async def take(self, *records):
        """Records: number, ticks and arrival after `NOW`, both ns; all in one batch."""
        raws = []
        for sequence, ticks_ns, arrival_ns in records:
            frame = encode.reading(
                sequence=sequence, ticks=(NOW_TICKS + ticks_ns // 1000) % 2**32, position=0,
                trail=encode.TRAIL_UNKNOWN, pressure=500, flags=0, span_ticks=0,
            )  # fmt: skip
            bodies = (body_of(frame),)
            raws.append(RawRecord(record_from_raw(bodies), bodies, NOW_NS + arrival_ns))
        await self.boot.take(raws)

    def struck(self):
        """Nanoseconds after `NOW` at which each was struck, by number."""
        return {r.sequence: r.struck_utc_ns - NOW_NS for r in self.recorder.stored}


@pytest.mark.parametrize("apart_ns", [2 * MS, 99 * MS, 101 * MS, 10 * SECOND, 600 * SECOND])
@pytest.mark.parametrize("way", [1, -1])
async def test_records_that_come_together_are_as_far_apart_as_their_ticks(bench, apart_ns, way):
    """Kept on the board and sent in one go; a later start of it knows only their order."""
    start = Start(bench.recorder, kept=2)
    first = -apart_ns - SECOND
    pair = [(0, first), (1, first + apart_ns)][::way]
    await start.take((*pair[0], 5 * MS), (*pair[1], 6 * MS))
    struck = start.struck()
    assert struck[1] - struck[0] == pytest.approx(apart_ns, abs=apart_ns * 1e-3 + 1000)
    # Exactly asked, so within what the question took and what crystals differ.
    assert struck[0] == pytest.approx(first, abs=2 * MS + 3e-4 * abs(first))


async def test_a_record_a_whole_wrap_later_is_no_neighbour(bench):
    """The same ticks and 10 ms, but an hour later: only the arrival tells."""
    start = Start(bench.recorder, kept=2)
    await start.take((0, -SECOND, 5 * MS))
    await start.take((1, -SECOND + 10 * MS + WRAP_NS, WRAP_NS))
    struck = start.struck()
    assert struck[1] - struck[0] == pytest.approx(WRAP_NS + 10 * MS, rel=1e-3)


async def test_a_neighbour_from_before_the_clock_was_asked_again_counts_no_more(bench):
    """The second answer says that the clock was a quarter of a second off."""
    start = Start(bench.recorder, kept=2)
    await start.take((0, -SECOND, 5 * MS))
    shifted = NOW_TICKS + 250_000
    for step in range(3):
        at = NOW_NS + (10 + 2 * step) * MS
        ticks = shifted + (10 + 2 * step) * 1000
        start.boot.ticks.feed_exchange(at - MS, ticks, ticks, at + MS)
    await start.take((1, -SECOND + 20 * MS, 30 * MS))
    assert start.struck()[1] == pytest.approx(-SECOND - 230 * MS, abs=3 * MS)


async def test_the_stated_uncertainty_is_a_standard_one_and_holds_the_truth(bench):
    """The clock gives half a width of 95 %, which is two standard ones (JCGM 100:2008, 6.3.3)."""
    start = Start(bench.recorder)
    await start.take((0, 20 * MS, 25 * MS), (1, 22 * MS, 27 * MS))
    half_width = start.boot.ticks.to_host_ns(NOW_TICKS + 20_000, NOW_NS).uncertainty_ns
    for record, truth in zip(start.recorder.stored, (20 * MS, 22 * MS), strict=True):
        assert record.struck_u_ns == pytest.approx(half_width / 2, rel=0.01)
        assert abs(record.struck_utc_ns - NOW_NS - truth) <= 2 * record.struck_u_ns


async def test_what_was_kept_says_nothing_of_how_late_messages_are(bench):
    start, alone = Start(bench.recorder, kept=1), Start(type(bench.recorder)(), kept=1)
    await start.take((0, -10 * SECOND, 5 * MS))
    for one in (start, alone):
        await one.take((1, 300 * MS, 305 * MS))
    assert start.recorder.stored[-1].struck_u_ns == alone.recorder.stored[-1].struck_u_ns
    assert start.struck()[1] == alone.struck()[1]


async def test_records_wait_until_the_clock_was_asked_but_not_for_ever(bench):
    """A board answers within milliseconds, or never."""
    start = Start(bench.recorder, asked=False)
    start.now_ns += 10 * MS
    await start.take((0, 20 * MS, 25 * MS))
    assert (start.boot.waits_for_clock, start.recorder.stored) == (True, [])
    start.now_ns += 2 * SECOND
    await start.take()
    assert not start.boot.waits_for_clock
    assert start.struck()[0] == pytest.approx(25 * MS, abs=ARRIVAL_U_NS)


@pytest.mark.parametrize(("announced", "key"), [(5, "1~1"), (6, "1")])
async def test_numbers_that_went_back_are_another_start(bench, announced, key):
    """Records 0 to 5 are on disk: a board that will number its next one 5 has started again."""
    bench.recorder.known["1"] = KnownBoot(1, 6)
    start = Start(bench.recorder, kept=announced)
    identity, _ = await begin_boot(bench.recorder, start.identity, start.identity.hello)
    assert identity.boot_key == key


def test_a_strike_is_of_the_moment_of_its_last_scan():
    frames = encode.strike(
        sequence=0, flags=0, span_ticks=700, scan_ticks=np.array([100, 900], dtype=np.uint32),
        counts=np.zeros((2, 1, 16), dtype=np.uint16),
    )  # fmt: skip
    assert moment_ticks(record_from_raw([body_of(frame) for frame in frames])) == 900
