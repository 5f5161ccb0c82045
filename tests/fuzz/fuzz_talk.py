"""Fuzz target for a whole connection: any board at the other end, in virtual time.

What holds whatever a board says: nothing is confirmed that is neither on disk nor reported lost,
nothing is stored twice, every good record is stored or accounted for, and the connection ends only
with an error that is meant for a person.
"""

from __future__ import annotations

import asyncio
import selectors
import struct

from fuzz_bytes import Bytes, framed, one_line

from logger.collector.connection import BoardConnection
from logger.collector.recording import KnownBoot, LineTrouble, RecordsLost
from logger.collector.settings import ConnectionSettings
from logger.errors import LieboardError, LinkClosedError, ProtocolError
from logger.hostclock import HostClock
from logger.links.base import Chunk
from logger.protocol.decoding import Decoder
from logger.protocol.records import Hello, RawRecord
from simulators import encode

_START_S = 1000.0
_UTC_NS = 1_704_067_200 * 10**9
_TURNS = 200_000
# What a board says in one go; a longer script says little that a shorter one does not.
_READS = 60


class _Selector(selectors.DefaultSelector):
    """Waits for nothing: the time of the loop jumps instead."""

    loop = None

    def select(self, timeout=None):
        ready = super().select(0)
        self.loop.turns += 1
        assert self.loop.turns < _TURNS, "the connection turns without end"
        if not ready:
            assert timeout is not None, "everybody waits for nothing"
            self.loop.now_s += timeout
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose time passes as fast as it is waited for."""

    def __init__(self):
        self.now_s = _START_S
        self.turns = 0
        selector = _Selector()
        selector.loop = self
        super().__init__(selector)

    def time(self):
        return self.now_s


class Book:
    """A recorder in memory that keeps the rules of the real one."""

    def __init__(self):
        self.keys = []
        self.stored = []
        self.lost_spans = []
        self.filed = []
        # Row of the board that keeps its records and speaks now; None before the first.
        self.greeted = None

    async def begin_boot(self, identity):
        key = (identity.board_key, identity.boot_key)
        if key not in self.keys:
            self.keys.append(key)
            self.stored.append({})
            self.lost_spans.append([])
            self.filed.append([])
        row = self.keys.index(key)
        if identity.hello is not None:
            self.greeted = row
        later = sum(k[0] == key[0] and k[1].startswith(f"{key[1]}~") for k in self.keys)
        following = self.settled_below(row)
        beyond = frozenset(s for s in self.stored[row] if s >= following)
        return KnownBoot(row, following, beyond, later)

    async def store(self, boot_row, records, in_order=()):
        await asyncio.sleep(0)
        for record in records:
            assert record.sequence not in self.stored[boot_row], "stored twice"
            assert abs(record.struck_utc_ns) < 2**63
            assert 0 <= record.struck_u_ns < 2**63
            self.stored[boot_row][record.sequence] = record.raw.raw
        await self.file(boot_row, in_order)

    async def file(self, boot_row, records):
        await asyncio.sleep(0)
        for record in records:
            assert record.sequence in self.stored[boot_row], "filed and not on disk"
            self.filed[boot_row].append(record.sequence)

    async def lost(self, boot_row, holes, reason):
        one_line(reason)
        for hole in holes:
            assert 0 <= hole.first <= hole.last < 2**32
            self.lost_spans[boot_row].append((hole.first, hole.last))

    def settled_below(self, row):
        """Lowest number that is neither stored nor lost."""
        spans = sorted([*self.lost_spans[row], *((s, s) for s in self.stored[row])])
        following = 0
        for first, last in spans:
            if first > following:
                break
            following = max(following, last + 1)
        return following

    def accounts_for(self, row, sequence):
        lost = any(first <= sequence <= last for first, last in self.lost_spans[row])
        return lost or sequence in self.stored[row]


class HostileLink:
    """A link with a script at the other end; holds what the host says to the rules."""

    url = "memory:"

    def __init__(self, source, book, loop):
        self._source = source
        self._book = book
        self._loop = loop
        self._script = _Script(source)
        self._ears = encode.HostDecoder()
        self._shadow = Decoder()
        self._shadow_ended = False
        self.owed = []
        self._owes = []
        self._quiet_ends = 40
        self._reads = 0

    async def open(self):
        return

    async def read(self):
        # Everything before this is worked up by now: the loop had nothing else to do.
        await asyncio.sleep(0.001 + self._script.pause_s())
        row = self._book.greeted
        self.owed += [(row, record) for record in self._owes]
        self._owes = []
        if self._source and self._reads < _READS:
            self._reads += 1
            data = self._script.next()
        elif self._quiet_ends and not self._shadow_ended:
            # Long enough that nothing is held back for want of a clock.
            self._quiet_ends -= 1
            data = b"\x00"
            await asyncio.sleep(0.1)
        else:
            raise LinkClosedError("the other end is gone")
        self._look_at(data)
        return Chunk(data or b"\x00", int(self._loop.now_s * 1e9))

    def _look_at(self, data):
        if self._shadow_ended:
            return
        try:
            events = self._shadow.feed(data or b"\x00", 0)
        except ProtocolError:
            self._shadow_ended = True
            return
        if any(isinstance(event, Hello) for event in events) or self._book.greeted is None:
            return
        self._owes = [
            event
            for event in events
            if isinstance(event, RawRecord) and not event.raw[0].startswith(b"LB")
        ]

    async def write(self, data):
        for message in self._ears.feed(data):
            assert encode.ASK_HELLO <= message.kind <= encode.SET_TRIGGER
            if message.kind == encode.ASK_CLOCK:
                self._script.token = message.values[0]
            if message.kind == encode.CONFIRM:
                boot_id, sequence = message.values
                rows = [
                    row
                    for row, (_, key) in enumerate(self._book.keys)
                    if key.partition("~")[0] == f"{boot_id:08x}"
                ]
                assert any(self._book.settled_below(row) > sequence for row in rows), (
                    f"confirmed {sequence} and it is not on disk"
                )

    async def close(self):
        return


class _Script:
    """What a hostile board says: messages in good frames, with numbers that make no sense."""

    def __init__(self, source):
        self._source = source
        self._sequence = 0
        self._ticks = 0
        self._said = [b"\x00"]
        self.token = 0

    def pause_s(self):
        return (0, 0, 0.01, 0.1, 0.5, 2.0, 0, 4.0)[self._source.below(8)]

    def next(self):
        said = b"".join(self._message() for _ in range(1 + self._source.below(3)))
        # Cut, or what is said again could grow without end.
        self._said = [*self._said[-8:], said[:600]]
        return said

    def _message(self):
        s = self._source
        op = s.below(14)
        if op == 0:
            return self._hello()
        if op <= 3:
            self._sequence = s.u32(self._sequence + 1) if s.below(4) == 0 else self._sequence + 1
            self._sequence %= 2**32
            body = struct.pack("<BIIhhHBI", 2, self._sequence, self._tick(), 100, -32768, 9, 4, 700)
        elif op == 4:
            body = struct.pack("<BIIB", 6, s.u32(self._sequence), self._tick(), 1 + s.below(4))
        elif op == 5:
            parts = 1 + s.below(3)
            body = struct.pack(
                "<BIBBBBBBBI", 3, s.u32(self._sequence), s.below(4), parts, 0, 1, 1, 2, 1, s.u32()
            ) + struct.pack("<IBB", self._tick(), 1, 2)  # fmt: skip
        elif op <= 7:
            body = struct.pack(
                "<BIHhHHHIHII", 4, self._tick(), 0, -32768, 16, 24, 1, s.u32(), 0,
                *sorted((s.u32(self._sequence), s.u32(self._sequence))),
            )  # fmt: skip
        elif op <= 9:
            body = struct.pack("<BIII", 5, self.token, self._tick(), self._tick())
        elif op == 10:
            number = f"n={s.u32(self._sequence)} " if s.below(2) else ""
            return b"LB1 x=%d t=%d %sb=s\n" % (s.below(99), self._tick(), number.encode())
        elif op == 11:
            return s.take(s.number(1))
        elif op == 12:
            return self._said[s.below(len(self._said))]
        else:
            body = b"\x01" + s.take(s.number(1))
        return framed(body)

    def _tick(self):
        self._ticks = self._source.u32(self._ticks + 1000)
        return self._ticks

    def _hello(self):
        s = self._source
        oldest, following = sorted((s.u32(self._sequence), s.u32(self._sequence)))
        hz = (1_000_000, 1_000, 100_000_000, 32_768)[s.below(4)]
        boot = s.below(3)
        return encode.Hello(
            board_id=bytes([0, 0, 0, 0, 0, 0, 0, s.below(2)]), boot_id=boot,
            firmware=(1, 0, 0), tick_hz=hz, rows=1, cells=2, pitch_um=1, row_distance_um=0,
            scan_order=0, scan_ticks=s.u32(), full_scale=0, trigger_level=0, oldest_kept=oldest,
            next_sequence=following, abilities=31, name="",
        ).encode()  # fmt: skip


def talk(data):
    """Any board: nothing confirmed that is not safe, nothing twice, nothing good forgotten."""
    source = Bytes(data)
    loop = VirtualLoop()
    book = Book()
    link = HostileLink(source, book, loop)
    clock = HostClock(lambda: int(loop.now_s * 1e9), lambda: _UTC_NS)
    events = []

    def listen(event):
        if isinstance(event, LineTrouble):
            one_line(event.damage.reason)
        if isinstance(event, RecordsLost):
            assert event.count > 0
        events.append(event)

    connection = BoardConnection(link, book, listen, clock, ConnectionSettings(silent_after_s=3))
    ended = None
    try:
        loop.run_until_complete(connection.run())
    except LieboardError as error:
        one_line(str(error))
        ended = error
    finally:
        loop.close()
    assert ended is not None
    if isinstance(ended, LinkClosedError):
        for row, record in link.owed:
            if row == book.greeted:
                assert book.accounts_for(row, record.record.sequence), "a good record was forgotten"
    for row, filed in enumerate(book.filed):
        assert len(set(filed)) == len(filed), f"filed twice in {row}"
