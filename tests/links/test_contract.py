"""What `logger.links.base.Link` promises, checked on each transport."""

from __future__ import annotations

import asyncio
import time

import pytest

from logger.errors import LinkClosedError, LinkOpenError

# pyserial 3.5 still calls Thread.setDaemon and setName for rfc2217://.
pytestmark = pytest.mark.filterwarnings(
    r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"
)

ALL_BYTES = bytes(range(256))


async def _read(link, count):
    data = b""
    while len(data) < count:
        data += (await link.read()).data
    return data


class TestWithFarEnd:
    async def test_every_byte_comes_in_order(self, far_end):
        link = far_end.make_link()
        await link.open()
        try:
            for part in (ALL_BYTES, b"\x00", b"\xff\xff", ALL_BYTES[::-1]):
                await far_end.send(part)
                assert await _read(link, len(part)) == part
        finally:
            await link.close()

    async def test_every_byte_goes_in_order(self, far_end):
        link = far_end.make_link()
        await link.open()
        try:
            # The escape of RFC 2217 (0xFF), both line ends and XON and XOFF are in there.
            await link.write(ALL_BYTES)
            assert await far_end.receive(256) == ALL_BYTES
        finally:
            await link.close()

    async def test_writes_of_many_tasks_stay_whole_and_in_order(self, far_end):
        link = far_end.make_link()
        await link.open()
        try:
            parts = [bytes([i]) * 40 for i in range(1, 31)]
            await asyncio.gather(*(link.write(part) for part in parts))
            assert await far_end.receive(40 * 30) == b"".join(parts)
        finally:
            await link.close()

    async def test_arrival_lies_between_sending_and_reading(self, far_end):
        link = far_end.make_link()
        await link.open()
        try:
            earlier_ns = 0
            for _ in range(5):
                before_ns = time.monotonic_ns()
                await far_end.send(b"strike")
                got = b""
                while len(got) < 6:
                    chunk = await link.read()
                    got += chunk.data
                    assert chunk.data
                    assert before_ns <= chunk.arrival_ns <= time.monotonic_ns()
                    assert chunk.arrival_ns >= earlier_ns
                    earlier_ns = chunk.arrival_ns
        finally:
            await link.close()

    async def test_arrival_is_stamped_even_while_the_loop_is_busy(self, far_end):
        link = far_end.make_link()
        await link.open()
        try:
            await far_end.send(b"x")
            await _read(link, 1)
            await far_end.send(b"y")
            time.sleep(0.2)  # noqa: ASYNC251 - a loop that is busy is what this is about
            looked_ns = time.monotonic_ns()
            assert (await link.read()).arrival_ns < looked_ns
        finally:
            await link.close()

    async def test_what_came_before_the_end_is_read_before_the_error(self, far_end):
        link = far_end.make_link()
        await link.open()
        try:
            await far_end.send(b"last words")
            await asyncio.sleep(0.2)
            await far_end.hang_up()
            assert await _read(link, 10) == b"last words"
            for _ in range(2):
                with pytest.raises(LinkClosedError):
                    await link.read()
            with pytest.raises(LinkClosedError):
                await link.write(b"anyone?")
        finally:
            await link.close()

    async def test_a_waiting_read_learns_that_the_other_end_went(self, far_end):
        link = far_end.make_link()
        await link.open()
        try:
            await link.write(b"hello?")
            await far_end.receive(6)
            reading = asyncio.create_task(link.read())
            await asyncio.sleep(0.1)
            assert not reading.done()
            await far_end.hang_up()
            with pytest.raises(LinkClosedError):
                await reading
        finally:
            await link.close()

    async def test_a_cancelled_read_loses_nothing(self, far_end):
        link = far_end.make_link()
        await link.open()
        try:
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(link.read(), 0.05)
            await far_end.send(b"kept")
            assert await _read(link, 4) == b"kept"
        finally:
            await link.close()

    async def test_a_new_link_gets_what_a_closed_one_had(self, far_end):
        for word in (b"one", b"two"):
            link = far_end.make_link()
            await link.open()
            await link.write(word)
            assert await far_end.receive(3) == word
            await link.close()
            if hasattr(far_end, "_here"):  # the next client of the TCP server is another one
                far_end._here.get_nowait()


class TestWithAnyEnd:
    async def test_close_wakes_a_waiting_read(self, any_end):
        link = any_end.make_link()
        await link.open()

        async def read_to_the_end():
            while True:
                await link.read()

        reading = asyncio.create_task(read_to_the_end())
        await asyncio.sleep(0.05)
        await link.close()
        with pytest.raises(LinkClosedError):
            await reading

    async def test_nothing_works_after_close(self, any_end, link_threads):
        link = any_end.make_link()
        await link.open()
        await link.close()
        assert link_threads() == []
        with pytest.raises(LinkClosedError):
            await link.read()
        with pytest.raises(LinkClosedError):
            await link.write(b"x")
        with pytest.raises(LinkOpenError):
            await link.open()

    async def test_close_as_often_as_you_like(self, any_end):
        link = any_end.make_link()
        await link.close()
        with pytest.raises(LinkOpenError):
            await link.open()
        link = any_end.make_link()
        await link.open()
        await asyncio.gather(link.close(), link.close())
        await link.close()

    async def test_opens_only_once(self, any_end):
        link = any_end.make_link()
        await link.open()
        try:
            with pytest.raises(LinkOpenError):
                await link.open()
            # The refused second call must not have harmed the first.
            await link.write(b"\x00")
        finally:
            await link.close()

    async def test_not_open_yet(self, any_end):
        link = any_end.make_link()
        with pytest.raises(LinkClosedError):
            await link.read()
        with pytest.raises(LinkClosedError):
            await link.write(b"x")

    async def test_other_tasks_run_meanwhile(self, any_end):
        link = any_end.make_link()
        turns = 0

        async def work():
            nonlocal turns
            while True:
                turns += 1
                await asyncio.sleep(0)

        working = asyncio.create_task(work())
        for step in (link.open(), link.write(b"\x00"), asyncio.sleep(0), link.close()):
            before = turns
            await step
            # Memory takes no time, so there is nothing to share; all else goes through a thread.
            assert turns > before or link.url == "memory"
        working.cancel()
