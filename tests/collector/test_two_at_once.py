"""What listens and what watches use one boot at the same time."""

from __future__ import annotations

import asyncio

from logger.collector.boot import KeepingBoot
from logger.collector.recording import BoardIdentity, KnownBoot
from logger.protocol.decoding import Decoder


async def test_what_is_on_its_way_to_disk_is_not_counted_as_lost(slow):
    """The board dropped what it had sent; we have it, and are just writing it."""
    decoder = Decoder()
    (hello,) = decoder.feed(slow.hello(), 0)
    identity = BoardIdentity(hello.board_id, "7", "bench", hello)
    boot = KeepingBoot(identity, KnownBoot(1), slow.recorder, slow.events.append, slow.clock)
    records = decoder.feed(b"".join(slow.reading(n) for n in range(3)), 0)
    await boot.take(records)
    now_ns = slow.clock.monotonic_ns()
    boot.ticks.feed_exchange(now_ns, slow.ticks(), slow.ticks(), slow.clock.monotonic_ns())
    watching = asyncio.create_task(boot.take(()))
    await slow.writing.wait()
    listening = asyncio.create_task(boot.announced(3, 3))
    await asyncio.sleep(0.01)
    slow.go_on.set()
    await asyncio.gather(watching, listening)
    assert slow.recorder.holes == []
    assert slow.filed() == [0, 1, 2]
    assert boot.confirmable == 2


async def test_a_damaged_record_does_not_outrun_what_is_being_written(bench):
    decoder = Decoder()
    (hello,) = decoder.feed(bench.hello(), 0)
    identity = BoardIdentity(hello.board_id, "7", "bench", hello)
    boot = KeepingBoot(identity, KnownBoot(1), bench.recorder, bench.events.append, bench.clock)
    boot.ticks.feed(bench.ticks(), bench.clock.monotonic_ns())
    records = decoder.feed(bench.reading(0) + bench.reading(2), 0)
    taking = asyncio.create_task(boot.take(records))
    await asyncio.sleep(0)
    await boot.damaged(1, "no such action", False)
    await taking
    assert [hole.first for hole, _ in bench.recorder.holes] == [1]
    assert bench.filed() == [0, 2]
    assert boot.confirmable == 2
