"""Several ports of one process, which one thread reads: none is in another's way."""

from __future__ import annotations

import asyncio
import contextlib
import os
import tty

import pytest

from logger.errors import LinkClosedError
from logger.links import serial_port
from logger.links.open import link_from_url
from logger.links.port_watch import PortWatch


class Pair:
    """A pseudo-terminal and the link to it."""

    def __init__(self):
        self.board, other = os.openpty()
        tty.setraw(other)
        self.link = link_from_url(os.ttyname(other))
        os.close(other)
        os.set_blocking(self.board, False)

    def hang_up(self):
        if self.board >= 0:
            os.close(self.board)
            self.board = -1

    async def read(self, count):
        data = b""
        while len(data) < count:
            data += (await self.link.read()).data
        return data


@pytest.fixture
async def pairs():
    made = [Pair() for _ in range(5)]
    for pair in made:
        await pair.link.open()
    yield made
    for pair in made:
        await pair.link.close()
        pair.hang_up()


async def test_one_thread_reads_them_all_and_ends_with_the_last(pairs, link_threads):
    for pair in pairs:
        os.write(pair.board, b"hello")
    assert [await pair.read(5) for pair in pairs] == [b"hello"] * 5
    assert sum(name.startswith("read") for name in link_threads()) == 1
    for pair in pairs:
        await pair.link.close()
    assert link_threads() == []


async def test_one_that_goes_and_one_that_is_closed_leave_the_others(pairs):
    gone, closed, *others = pairs
    reading = asyncio.create_task(closed.link.read())
    gone.hang_up()
    with pytest.raises(LinkClosedError, match="unplugged"):
        await gone.link.read()
    await closed.link.close()
    with pytest.raises(LinkClosedError):
        await reading
    for pair in others:
        os.write(pair.board, b"still here")
        assert await pair.read(10) == b"still here"


class Heard:
    """Whose bytes a watch takes."""

    has_room = True

    def __init__(self):
        self.loop = asyncio.get_running_loop()
        self.news = asyncio.Queue()

    def came(self, chunk):
        self.loop.call_soon_threadsafe(self.news.put_nowait, chunk.data)

    def deliver(self):
        pass

    def ended(self, error):
        self.loop.call_soon_threadsafe(self.news.put_nowait, error)


async def test_a_descriptor_that_is_gone_ends_alone(link_threads):
    watch = PortWatch()
    (gone_end, gone_start), (end, start) = os.pipe(), os.pipe()
    gone, other = Heard(), Heard()
    watch.add(gone_end, gone)
    watch.add(end, other)
    os.close(gone_end)
    async with asyncio.timeout(10):
        assert isinstance(await gone.news.get(), OSError)
        os.write(start, b"!")
        assert await other.news.get() == b"!"
    watch.remove(gone_end, gone)
    watch.remove(end, other)
    assert link_threads() == []
    for descriptor in (gone_start, end, start):
        os.close(descriptor)


async def test_one_that_nobody_reads_fills_up_and_the_others_go_on(pairs, monkeypatch):
    """Its bytes stay with the system and the board; later none is missing."""
    monkeypatch.setattr(serial_port, "_MAX_WAITING_BYTES", 10_000)
    full, other, *_ = pairs
    sent = bytes(n * 7 % 251 for n in range(60_000))
    rest = sent
    for turn in range(40):
        # Until the line takes no more for some turns.
        with contextlib.suppress(BlockingIOError):
            rest = rest[os.write(full.board, rest) :]
        os.write(other.board, b"%02d" % turn)
        assert await other.read(2) == b"%02d" % turn
    assert full.link._waiting_bytes <= 10_000 + 16_384
    assert rest
    got = b""
    while len(got) < len(sent):
        got += (await full.link.read()).data
        with contextlib.suppress(BlockingIOError):
            rest = rest[os.write(full.board, rest) :] if rest else rest
    assert got == sent


async def test_what_was_written_without_waiting_keeps_its_place(pairs):
    """A piece that does not fit goes by way of a thread; what is written next must not pass it."""
    pair = pairs[0]
    parts = [bytes([65 + n]) * size for n, size in enumerate((10, 30_000, 10, 20_000, 10))]
    writing = [asyncio.create_task(pair.link.write(part)) for part in parts]
    got = b""
    while len(got) < sum(map(len, parts)):
        await asyncio.sleep(0.001)
        with contextlib.suppress(BlockingIOError):
            got += os.read(pair.board, 65_536)
    await asyncio.gather(*writing)
    assert got == b"".join(parts)
