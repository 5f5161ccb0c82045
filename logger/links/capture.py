"""Capture files: every byte of a link, both ways, with its time, to play back later.

A file is a header and records; numbers are little-endian::

    header   magic 8 bytes | version u16 | length u32 | JSON | crc32 of all before it
    record   kind u8 | length u32 | at_ns i64 | crc32 of these | bytes | crc32 of the bytes

The header says which link it was and pins the host's monotonic clock to UTC. A record is written
by one call, so a file that was cut off anywhere can be read up to the cut; a length has its own
checksum so that a damaged one is not taken for a cut.
"""

from __future__ import annotations

import contextlib
import io
import json
import logging
import os
import struct
import time
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from types import TracebackType
from typing import Self

from logger.errors import StoreError
from logger.links.base import Chunk, Link
from logger.protocol.clock import UtcAnchor

_log = logging.getLogger(__name__)

# A letter above 0x7F, both line ends and a Ctrl-Z show at once when a file went through a text
# transfer.
_MAGIC = b"\x8aLBC\r\n\x1a\n"
_VERSION = 1
_HEADER = struct.Struct("<8sHI")
_RECORD = struct.Struct("<BIq")
_CRC = struct.Struct("<I")

# A link never hands over more than some kilobytes at once; a longer length is damage.
_MAX_RECORD_BYTES = 1 << 20
# Years 1823 to 2116: what the clock adds to such a moment still fits the data file's 64 bits.
UTC_NS = range(-(1 << 62), 1 << 62)


class RecordKind(IntEnum):
    """What a record of a capture file holds."""

    FROM_BOARD = 1
    TO_BOARD = 2
    OPENED = 3
    CLOSED = 4


@dataclass(frozen=True, slots=True)
class CaptureRecord:
    """One record: bytes that came or went, or the start or end of a connection."""

    kind: RecordKind
    at_ns: int
    """Host monotonic clock: when the last byte had come, or when the first was about to go."""
    data: bytes


class _Closing:
    """Closes itself at the end of a ``with`` block."""

    def close(self) -> None:
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class CaptureWriter(_Closing):
    """Writes one capture file; several connections may follow each other in it.

    Raises
    ------
    StoreError
        If the file exists already, or the disk does not take it.
    """

    def __init__(self, path: Path, url: str, anchor: UtcAnchor) -> None:
        self._path = path
        facts = json.dumps(
            {"url": url, "monotonic_ns": anchor.monotonic_ns, "utc_ns": anchor.utc_ns}
        ).encode()
        try:
            # Unbuffered: what was written is in the hands of the system even if we are killed.
            self._file = io.FileIO(path, "x")
        except FileExistsError as error:
            raise StoreError(f"{path} exists already; give the capture another name") from error
        except OSError as error:
            raise StoreError(f"cannot write a capture to {path}: {error.strerror}") from error
        head = _HEADER.pack(_MAGIC, _VERSION, len(facts)) + facts
        self._append(head + _CRC.pack(zlib.crc32(head)))

    def write(self, kind: RecordKind, data: bytes, at_ns: int) -> None:
        """Append one record, or several if ``data`` is longer than one may be."""
        for start in range(0, max(len(data), 1), _MAX_RECORD_BYTES):
            part = data[start : start + _MAX_RECORD_BYTES]
            head = _RECORD.pack(kind, len(part), at_ns)
            self._append(head + _CRC.pack(zlib.crc32(head)) + part + _CRC.pack(zlib.crc32(part)))

    def close(self) -> None:
        """Close the file once it is on the disk; may be called twice."""
        if not self._file.closed:
            try:
                os.fsync(self._file.fileno())
            finally:
                self._file.close()

    def _append(self, data: bytes) -> None:
        if self._file.closed:
            raise StoreError(f"the capture {self._path} is closed already")
        start = self._file.tell()
        try:
            left = memoryview(data)
            while left:
                left = left[self._file.write(left) :]
        except OSError as error:
            # Half a record would make all that follows it unreadable.
            with contextlib.suppress(OSError):
                self._file.truncate(start)
                self._file.seek(start)
            raise StoreError(
                f"cannot write to the capture {self._path}: {error.strerror}; "
                "free some space on the disk"
            ) from error


class CaptureReader(_Closing):
    """Reads one capture file from its start.

    Raises
    ------
    StoreError
        If the file is missing, is no capture, was written by a newer version, or is damaged.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            self._file = path.open("rb")
        except OSError as error:
            raise StoreError(f"cannot read the capture {path}: {error.strerror}") from error
        try:
            self.url, self.anchor = self._read_header()
            """The link that was captured, and what turns the times of its records into UTC."""
        except BaseException:
            self._file.close()
            raise
        self.was_cut = False
        """True once the reader met a record that does not go to its end."""

    def __iter__(self) -> Iterator[CaptureRecord]:
        while (record := self.next()) is not None:
            yield record

    def next(self) -> CaptureRecord | None:
        """Return the next record; None at the end, or where the file was cut off.

        Raises
        ------
        StoreError
            If the record is damaged. The ones before it are good.
        """
        at = self._file.tell()
        head = self._file.read(_RECORD.size + _CRC.size)
        if len(head) < _RECORD.size + _CRC.size:
            self.was_cut = bool(head)
            return None
        kind, length, at_ns = _RECORD.unpack_from(head)
        if zlib.crc32(head[: _RECORD.size]) != _CRC.unpack_from(head, _RECORD.size)[0]:
            if not any(head) and not any(self._file.read(_MAX_RECORD_BYTES)):
                # A disk that lost power can leave zeros where the last bytes should be.
                self.was_cut = True
                return None
            raise self._damaged(at)
        if length > _MAX_RECORD_BYTES or kind not in set(RecordKind):
            raise self._damaged(at)
        body = self._file.read(length + _CRC.size)
        if len(body) < length + _CRC.size:
            self.was_cut = True
            return None
        if zlib.crc32(body[:length]) != _CRC.unpack_from(body, length)[0]:
            raise self._damaged(at)
        return CaptureRecord(RecordKind(kind), at_ns, body[:length])

    def close(self) -> None:
        """Close the file; may be called twice."""
        self._file.close()

    def _read_header(self) -> tuple[str, UtcAnchor]:
        head = self._file.read(_HEADER.size)
        if len(head) < _HEADER.size or head[: len(_MAGIC)] != _MAGIC:
            raise StoreError(f"{self._path} is not a capture of a lie board")
        _, version, length = _HEADER.unpack(head)
        if version > _VERSION:
            raise StoreError(
                f"{self._path} was captured by a newer version of lieboard; update to read it"
            )
        if length > _MAX_RECORD_BYTES:
            raise self._damaged(0)
        facts = self._file.read(length)
        crc = self._file.read(_CRC.size)
        if len(crc) < _CRC.size or zlib.crc32(head + facts) != _CRC.unpack(crc)[0]:
            raise self._damaged(0)
        try:
            found = json.loads(facts)
            anchor = UtcAnchor(int(found["monotonic_ns"]), int(found["utc_ns"]))
            url = str(found["url"])
        except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
            raise self._damaged(0) from error
        if anchor.utc_ns not in UTC_NS or not url.isprintable():
            raise self._damaged(0)
        return url, anchor

    def _damaged(self, at: int) -> StoreError:
        return StoreError(
            f"the capture {self._path} is damaged at byte {at}; what came before it is good"
        )


class RecordingLink:
    """A `Link` that writes all that goes through another one to a capture.

    The writer stays open when the link closes: the next connection goes into the same file.
    """

    def __init__(self, link: Link, writer: CaptureWriter) -> None:
        self._link = link
        self._writer = writer
        self._is_open = False

    @property
    def url(self) -> str:
        """The link below."""
        return self._link.url

    async def open(self) -> None:
        """Open the link below; see `Link.open`."""
        await self._link.open()
        self._is_open = True
        self._writer.write(RecordKind.OPENED, self.url.encode(), time.monotonic_ns())

    async def read(self) -> Chunk:
        """Wait for bytes and write them down; see `Link.read`. Also raises `StoreError`."""
        chunk = await self._link.read()
        self._writer.write(RecordKind.FROM_BOARD, chunk.data, chunk.arrival_ns)
        return chunk

    async def write(self, data: bytes) -> None:
        """Write ``data`` down and send it; see `Link.write`. Also raises `StoreError`."""
        # Before sending, or an answer could stand in the file before its question.
        self._writer.write(RecordKind.TO_BOARD, data, time.monotonic_ns())
        await self._link.write(data)

    async def close(self) -> None:
        """Close the link below and leave the capture open; see `Link.close`."""
        await self._link.close()
        if self._is_open:
            self._is_open = False
            try:
                self._writer.write(RecordKind.CLOSED, b"", time.monotonic_ns())
            except StoreError as error:
                # What was captured is safe; only the mark of its end is missing.
                _log.warning("%s", error)
