"""A connection that ends while records are on their way to disk files every one that got there."""

from __future__ import annotations

import asyncio

import pytest

from logger.errors import LinkClosedError, StoreError


async def _begin(bench):
    bench.say(bench.hello(0, 2), bench.reading(0), bench.reading(1))
    await bench.until(bench.writing.is_set)


async def _goes_on(bench):
    await asyncio.sleep(0.05)
    bench.go_on.set()


async def test_the_other_end_goes(slow):
    async with slow.running() as task:
        await _begin(slow)
        slow.link.hang_up()
        await _goes_on(slow)
        with pytest.raises(LinkClosedError):
            await task
    assert slow.stored() == [0, 1]
    assert slow.filed() == [0, 1]


async def test_a_question_cannot_be_sent(slow):
    async with slow.running() as task:
        await _begin(slow)

        async def gone(data):
            raise LinkClosedError("gone")

        slow.link.write = gone
        # Until one of the questions that are asked again and again met the end.
        await asyncio.sleep(0.3)
        slow.link.hang_up()
        await _goes_on(slow)
        with pytest.raises(LinkClosedError):
            await task
    assert slow.filed() == [0, 1]


async def test_the_fitter_leaves(slow):
    async with slow.running() as task:
        await _begin(slow)
        task.cancel()
        await _goes_on(slow)
        with pytest.raises(asyncio.CancelledError):
            await task
    assert slow.filed() == [0, 1]


async def test_a_full_disk_is_told_all_the_same(slow):
    async with slow.running() as task:
        await _begin(slow)
        slow.recorder.failure = StoreError("disk full")
        slow.link.hang_up()
        await _goes_on(slow)
        with pytest.raises(StoreError, match="disk full"):
            await task
    assert slow.filed() == []
