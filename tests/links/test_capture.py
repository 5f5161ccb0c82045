"""Capture files: what goes in comes out, also from a cut file, and damage is never believed."""

from __future__ import annotations

import asyncio
import binascii
import json
import resource
import signal
import struct
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import LinkClosedError, LinkOpenError, StoreError, UsageError
from logger.links.capture import (
    CaptureReader,
    CaptureRecord,
    CaptureWriter,
    RecordingLink,
    RecordKind,
)
from logger.links.open import comes_back, link_from_url
from logger.links.replay import ReplayLink, capture_begin_utc_ns
from logger.protocol.clock import ClockMap, UtcAnchor

ANCHOR = UtcAnchor(monotonic_ns=5_000_000_000, utc_ns=1_700_000_000_000_000_000)

RECORDS = [
    CaptureRecord(RecordKind.OPENED, 1_000, b"/dev/ttyACM0"),
    CaptureRecord(RecordKind.TO_BOARD, 2_000, b"\x03\x21\x01\x00"),
    CaptureRecord(RecordKind.FROM_BOARD, 3_000, bytes(range(40))),
    CaptureRecord(RecordKind.FROM_BOARD, 4_000, b"\x00"),
    CaptureRecord(RecordKind.CLOSED, 5_000, b""),
]


def _write(path, records):
    with CaptureWriter(path, "/dev/ttyACM0", ANCHOR) as writer:
        for record in records:
            writer.write(record.kind, record.data, record.at_ns)
    return path


def _read(path):
    with CaptureReader(path) as reader:
        return list(reader), reader.was_cut


def _read_into(got, path):
    with CaptureReader(path) as reader:
        got.extend(reader)


def _by_hand(records):
    """The format as the docstring of the module tells it, put together again."""
    facts = json.dumps(
        {"url": "/dev/ttyACM0", "monotonic_ns": 5_000_000_000, "utc_ns": 1_700_000_000_000_000_000}
    ).encode()
    head = bytes.fromhex("8a4c42430d0a1a0a") + struct.pack("<HI", 1, len(facts)) + facts
    out = head + struct.pack("<I", binascii.crc32(head))
    for record in records:
        start = struct.pack("<BIq", record.kind, len(record.data), record.at_ns)
        out += start + struct.pack("<I", binascii.crc32(start))
        out += record.data + struct.pack("<I", binascii.crc32(record.data))
    return out


class TestFile:
    def test_bytes_are_as_written_down(self, tmp_path):
        # CRC-32/ISO-HDLC check value, from the catalogue of CRC algorithms (from memory).
        assert binascii.crc32(b"123456789") == 0xCBF43926
        assert _write(tmp_path / "a", RECORDS).read_bytes() == _by_hand(RECORDS)

    def test_comes_back(self, tmp_path):
        path = _write(tmp_path / "a", RECORDS)
        assert _read(path) == (RECORDS, False)
        with CaptureReader(path) as reader:
            assert reader.url == "/dev/ttyACM0"
            assert reader.anchor == ANCHOR

    @given(
        st.lists(
            st.builds(
                CaptureRecord,
                st.sampled_from(list(RecordKind)),
                st.integers(-(2**63), 2**63 - 1),
                st.binary(max_size=200),
            ),
            max_size=8,
        )
    )
    @settings(max_examples=50, deadline=None)
    def test_any_records_come_back(self, tmp_path_factory, records):
        assert _read(_write(tmp_path_factory.mktemp("c") / "a", records)) == (records, False)

    def test_longer_than_a_record_may_be(self, tmp_path):
        data = bytes(range(256)) * 8192
        records, _ = _read(_write(tmp_path / "a", [CaptureRecord(RecordKind.FROM_BOARD, 7, data)]))
        assert b"".join(record.data for record in records) == data
        assert {record.at_ns for record in records} == {7}

    def test_cut_anywhere_reads_up_to_the_cut(self, tmp_path):
        whole = _by_hand(RECORDS)
        ends = [len(_by_hand(RECORDS[:n])) for n in range(len(RECORDS) + 1)]
        path = tmp_path / "a"
        for cut in range(ends[0], len(whole)):
            path.write_bytes(whole[:cut])
            records, was_cut = _read(path)
            n = sum(end <= cut for end in ends) - 1
            assert records == RECORDS[:n]
            assert was_cut == (cut not in ends)

    def test_zeros_at_the_end_are_a_cut(self, tmp_path):
        path = tmp_path / "a"
        path.write_bytes(_by_hand(RECORDS) + bytes(4096))
        assert _read(path) == (RECORDS, True)

    def test_one_wrong_byte_is_never_believed(self, tmp_path):
        whole = _by_hand(RECORDS)
        path = tmp_path / "a"
        for at in range(len(whole)):
            broken = bytearray(whole)
            broken[at] ^= 0x10
            path.write_bytes(broken)
            got = []
            with pytest.raises(StoreError):
                _read_into(got, path)
            assert got == RECORDS[: len(got)]
            assert len(got) < len(RECORDS)

    def test_damage_says_where(self, tmp_path):
        whole = bytearray(_by_hand(RECORDS))
        start = len(_by_hand(RECORDS[:2]))
        whole[start + 20] ^= 1
        path = tmp_path / "a"
        path.write_bytes(whole)
        with pytest.raises(StoreError, match=f"damaged at byte {start};"):
            _read(path)

    @pytest.mark.parametrize(
        ("content", "says"),
        [
            (b"", "no.* capture"),
            (b"LB1 x=12.4\n" * 9, "not a capture"),
            (b"SQLite format 3\0" * 9, "not a capture"),
            (bytes.fromhex("8a4c42430d0a1a0a") + struct.pack("<HI", 2, 0) + bytes(9), "newer"),
            (bytes.fromhex("8a4c42430d0a1a0a") + struct.pack("<HI", 1, 2**31), "damaged"),
            (bytes.fromhex("8a4c42430d0a1a0a") + struct.pack("<HI", 1, 9), "damaged"),
        ],
    )
    def test_other_files_are_refused(self, tmp_path, content, says):
        path = tmp_path / "a"
        path.write_bytes(content)
        with pytest.raises(StoreError, match=says):
            CaptureReader(path)

    def test_header_that_says_nothing(self, tmp_path):
        facts = b'{"url": 3}'
        head = bytes.fromhex("8a4c42430d0a1a0a") + struct.pack("<HI", 1, len(facts)) + facts
        path = tmp_path / "a"
        path.write_bytes(head + struct.pack("<I", binascii.crc32(head)))
        with pytest.raises(StoreError, match="damaged"):
            CaptureReader(path)

    def test_missing_or_a_folder(self, tmp_path):
        for path in (tmp_path / "none", tmp_path):
            with pytest.raises(StoreError, match="cannot read"):
                CaptureReader(path)

    def test_never_overwrites(self, tmp_path):
        path = _write(tmp_path / "a", RECORDS)
        with pytest.raises(StoreError, match="exists already"):
            CaptureWriter(path, "x", ANCHOR)
        assert _read(path)[0] == RECORDS
        with pytest.raises(StoreError, match="cannot write"):
            CaptureWriter(tmp_path / "no" / "such" / "folder", "x", ANCHOR)

    def test_readable_while_it_is_written(self, tmp_path):
        with CaptureWriter(tmp_path / "a", "/dev/ttyACM0", ANCHOR) as writer:
            for n, record in enumerate(RECORDS, 1):
                writer.write(record.kind, record.data, record.at_ns)
                assert _read(tmp_path / "a") == (RECORDS[:n], False)
        with pytest.raises(StoreError, match="closed"):
            writer.write(RecordKind.CLOSED, b"", 0)

    def test_a_full_disk_leaves_whole_records(self, tmp_path):
        path = tmp_path / "a"
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        writer = CaptureWriter(path, "/dev/ttyACM0", ANCHOR)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
        written = 0
        try:
            while written < 100:
                writer.write(RecordKind.FROM_BOARD, bytes(100), 0)
                written += 1
        except StoreError as error:
            told = str(error)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
            signal.signal(signal.SIGXFSZ, handler)
        # With space again it goes on where it stopped.
        writer.write(RecordKind.CLOSED, b"", 1)
        writer.close()
        records, was_cut = _read(path)
        assert "free some space" in told
        assert 0 < written < 100
        assert [record.kind for record in records] == [RecordKind.FROM_BOARD] * written + [
            RecordKind.CLOSED
        ]
        assert not was_cut


async def _play(link):
    chunks = []
    await link.open()
    try:
        while True:
            chunks.append(await link.read())
    except LinkClosedError as error:
        return chunks, str(error)
    finally:
        await link.close()


class TestReplay:
    async def test_plays_what_a_real_link_gave(self, tmp_path, pty_end):
        path = tmp_path / "evening.capture"
        live = []
        with CaptureWriter(path, pty_end.name, ANCHOR) as writer:
            link = RecordingLink(pty_end.make_link(), writer)
            await link.open()
            await link.write(b"hello?")
            assert await pty_end.receive(6) == b"hello?"
            for i in range(20):
                await pty_end.send(bytes([i]) * (i + 1))
                while sum(len(chunk.data) for chunk in live) < (i + 1) * (i + 2) // 2:
                    live.append(await link.read())
            await link.close()
            await link.close()
        sent = []
        link = ReplayLink(path, on_sent=sent.append)
        played, end = await _play(link)
        assert played == live
        assert [chunk.data for chunk in sent] == [b"hello?"]
        assert "at its end" in end
        kinds = [record.kind for record in _read(path)[0]]
        assert kinds[0] is RecordKind.OPENED
        assert kinds[-1] is RecordKind.CLOSED
        assert kinds.count(RecordKind.CLOSED) == 1

        # The same arrival times give the same clock.
        clocks = []
        for chunks in (live, played):
            clock = ClockMap(1_000_000)
            for i, chunk in enumerate(chunks):
                clock.feed(i * 1000, chunk.arrival_ns)
            clocks.append(clock.to_host_ns(5000, live[0].arrival_ns))
        assert clocks[0] == clocks[1]

    async def test_question_stands_before_its_answer(self, tmp_path):
        with CaptureWriter(tmp_path / "a.capture", "loop://", ANCHOR) as writer:
            link = RecordingLink(link_from_url("loop://"), writer)
            await link.open()
            await link.write(b"?")
            await link.read()
            await link.close()
        records, _ = _read(tmp_path / "a.capture")
        assert [record.kind.name for record in records] == [
            "OPENED", "TO_BOARD", "FROM_BOARD", "CLOSED",
        ]  # fmt: skip
        assert records[1].at_ns <= records[2].at_ns

    async def test_a_second_connection_starts_a_new_frame(self, tmp_path):
        path = _write(
            tmp_path / "a",
            [
                CaptureRecord(RecordKind.OPENED, 1, b""),
                CaptureRecord(RecordKind.FROM_BOARD, 2, b"half a fr"),
                CaptureRecord(RecordKind.CLOSED, 3, b""),
                CaptureRecord(RecordKind.OPENED, 4, b""),
                CaptureRecord(RecordKind.FROM_BOARD, 5, b"whole\x00"),
            ],
        )
        chunks, _ = await _play(ReplayLink(path))
        assert [chunk.data for chunk in chunks] == [b"half a fr", b"\x00", b"whole\x00"]

    async def test_cut_and_damaged_ends_are_told_apart(self, tmp_path):
        whole = _by_hand(RECORDS)
        path = tmp_path / "a"
        path.write_bytes(whole[:-30])
        chunks, end = await _play(ReplayLink(path))
        assert len(chunks) == 1
        assert "cut off" in end
        broken = bytearray(whole)
        broken[-30] ^= 1
        path.write_bytes(broken)
        chunks, end = await _play(ReplayLink(path))
        assert len(chunks) == 1
        assert "damaged at byte" in end

    async def test_no_capture_does_not_open(self, tmp_path):
        (tmp_path / "a").write_bytes(b"LB1 x=1\n")
        for path in (tmp_path / "a", tmp_path / "none"):
            link = ReplayLink(path)
            with pytest.raises(LinkOpenError, match=str(path)):
                await link.open()
            await link.close()

    async def test_follows_the_contract(self, tmp_path):
        path = _write(tmp_path / "a.capture", RECORDS)
        link = ReplayLink(path)
        with pytest.raises(LinkClosedError):
            await link.read()
        with pytest.raises(LinkClosedError):
            link.anchor  # noqa: B018 - a property that raises
        await link.open()
        assert link.anchor == ANCHOR
        with pytest.raises(LinkOpenError):
            await link.open()
        await link.write(b"nobody listens")
        await link.close()
        await link.close()
        for step in (link.read(), link.write(b"x")):
            with pytest.raises(LinkClosedError):
                await step
        with pytest.raises(LinkOpenError):
            await link.open()

    async def test_speed(self, tmp_path):
        path = _write(
            tmp_path / "a",
            [CaptureRecord(RecordKind.FROM_BOARD, int(n * 1e9), b"x") for n in range(4)],
        )
        start = time.monotonic()
        chunks, _ = await _play(link_from_url(f"capture:{path}?speed=10"))
        # Three seconds of then, ten times as fast: not before that is over.
        assert time.monotonic() - start >= 0.29
        assert [chunk.arrival_ns for chunk in chunks] == [0, 10**9, 2 * 10**9, 3 * 10**9]

    async def test_close_and_cancel_while_waiting_for_the_moment(self, tmp_path):
        path = _write(
            tmp_path / "a",
            [CaptureRecord(RecordKind.FROM_BOARD, n * 60 * 10**9, b"x") for n in range(2)],
        )
        link = ReplayLink(path, speed=1)
        await link.open()
        await link.read()
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(link.read(), 0.01)
        reading = asyncio.create_task(link.read())
        await asyncio.sleep(0.01)
        await link.close()
        with pytest.raises(LinkClosedError):
            await reading

    def test_when_it_began(self, tmp_path):
        path = _write(tmp_path / "a", RECORDS)
        assert capture_begin_utc_ns(f"capture:{path}?speed=2") == ANCHOR.utc_ns
        with pytest.raises(StoreError, match="cannot read"):
            capture_begin_utc_ns(f"capture:{tmp_path / 'none'}")

    def test_urls(self):
        link = link_from_url("capture:night?speed=2.5")
        assert link.url == "capture:night?speed=2.5"
        assert link_from_url("capture:a?b").url == "capture:a?b"
        for bad in (
            "capture:",
            "capture:a?speed=fast",
            "capture:a?speed=-1",
            "capture:a?speed=nan",
        ):
            with pytest.raises(UsageError):
                link_from_url(bad)
        assert not comes_back("capture:a")
        assert comes_back("/dev/ttyACM0")
        assert comes_back("socket://h:1")
        assert ReplayLink(Path("a")).url == "capture:a"
