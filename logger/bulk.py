"""A whole captured stream at once: readings as columns, everything else as `Decoder` gives it.

A stream of readings is many small frames of one size, where the work around each frame costs more
than the frame. Here such frames are decoded and checked side by side with numpy. Results are those
of `Decoder.feed`, which also does all that is not such a frame.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from logger.decoding import Counters, Decoded, Decoder
from logger.framing import CRC_RESIDUE, LINE_MARK, holds_line
from logger.records import RawRecord
from logger.wire import reading_from_fields
from logger.wire_layout import CHECKSUM_BYTES, READING, MessageType

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Fields of a reading in the order and the units of firmware_notes/wire.md, section 2.4.
READING_COLUMNS = np.dtype(
    [
        ("sequence", "<u4"),
        ("ticks", "<u4"),
        ("position", "<i2"),
        ("trail", "<i2"),
        ("pressure", "<u2"),
        ("flags", "u1"),
        ("span_ticks", "<u4"),
    ]
)
_FRAME = np.dtype([("type", "u1"), ("reading", READING_COLUMNS), ("crc", "<u4")])
_DECODED = READING.size + CHECKSUM_BYTES
# COBS adds exactly one byte to fewer than 254.
_ENCODED = _DECODED + 1
# Frames worked on together: 25 columns of 4096 bytes stay in a core's nearest cache.
_BLOCK = 4096


@dataclass(frozen=True, slots=True)
class BulkDecoded:
    """A decoded stream."""

    readings: NDArray[np.void]
    """Shape (n_readings,), dtype `READING_COLUMNS`, in the order of the stream: the plain numbers
    of the page (position and trail in 0.01 mm, trail -32768 where not known)."""
    reading_offsets: NDArray[np.int64]
    """Shape (n_readings,): where in the stream the frame of each begins."""
    others: tuple[tuple[int, Decoded], ...]
    """Everything else with an offset that sorts it among the readings. Text lines are here, and
    binary readings whose frames are not plain ones: of a later minor version, which are longer, or
    with debug prints before them."""
    arrival_ns: int
    counters: Counters

    def in_order(self) -> list[Decoded]:
        """Return the list that `Decoder.feed` would have made of the stream."""
        merged: list[Decoded] = []
        others = iter(self.others)
        offset, other = next(others, (-1, None))
        for start, fields in zip(self.reading_offsets.tolist(), self.readings, strict=True):
            while other is not None and offset < start:
                merged.append(other)
                offset, other = next(others, (-1, None))
            body = bytes([MessageType.READING]) + fields.tobytes()
            merged.append(RawRecord(reading_from_fields(*fields.item()), (body,), self.arrival_ns))
        if other is not None:
            merged.append(other)
            merged += [item for _, item in others]
        return merged


def decode_bulk(data: bytes, arrival_ns: int) -> BulkDecoded:
    """Decode a captured stream from its beginning; ``arrival_ns`` goes to every record.

    What the stream breaks off in the middle of is not reported.

    Raises
    ------
    ProtocolError
        As `Decoder.feed`.
    """
    decoder = Decoder()
    stream = np.frombuffer(data, dtype=np.uint8)
    starts = _reading_starts(data, stream)
    bodies, good = _decode_readings(stream, starts)
    starts, readings = starts[good], bodies["reading"][good]
    # What lies between good readings goes the ordinary way, as one piece where readings are apart.
    others: list[tuple[int, Decoded]] = []
    ends = starts + _ENCODED + 1
    gap_starts = np.concatenate([np.zeros(1, dtype=np.int64), ends])
    gap_ends = np.concatenate([starts, np.full(1, len(data), dtype=np.int64)])
    there = gap_ends > gap_starts
    for start, end in zip(gap_starts[there].tolist(), gap_ends[there].tolist(), strict=True):
        others += [(start, item) for item in decoder.feed(data[start:end], arrival_ns)]
    decoder.counters.frames += len(readings)
    return BulkDecoded(readings, starts, tuple(others), arrival_ns, decoder.counters)


def _reading_starts(data: bytes, stream: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Offsets of what has the length of a reading's frame between two zeros, text apart."""
    zeros = np.flatnonzero(stream == 0)
    starts = np.zeros(len(zeros), dtype=np.int64)
    starts[1:] = zeros[:-1] + 1
    fits = zeros - starts == _ENCODED
    mark = LINE_MARK.search(data)
    while mark:
        index = int(np.searchsorted(zeros, mark.start()))
        if index == len(zeros):
            break
        end = int(zeros[index])
        # A line is cut out of what is around it, and that is the ordinary way's work.
        if fits[index] and holds_line(data[end - _ENCODED : end]):
            fits[index] = False
        mark = LINE_MARK.search(data, end)
    fitting: NDArray[np.int64] = starts[fits]
    return fitting


def _decode_readings(
    stream: NDArray[np.uint8], starts: NDArray[np.int64]
) -> tuple[NDArray[np.void], NDArray[np.bool_]]:
    """Frames at these offsets, shape (n,), and which of them are good readings."""
    bodies = np.empty(len(starts), dtype=_FRAME)
    good = np.empty(len(starts), dtype=np.bool_)
    tables, start_crc = _crc_tables()
    for first in range(0, len(starts), _BLOCK):
        block = slice(first, first + _BLOCK)
        rows = np.lib.stride_tricks.sliding_window_view(stream, _ENCODED)[starts[block]]
        columns = np.ascontiguousarray(rows.T)
        whole = _remove_codes(columns)
        crc = np.full(columns.shape[1], start_crc, dtype=np.uint32)
        for table, column in zip(tables, columns[1:], strict=True):
            crc ^= table[column]
        bodies[block] = np.ascontiguousarray(columns[1:].T).view(_FRAME)[:, 0]
        good[block] = whole & (crc == CRC_RESIDUE) & (bodies["type"][block] == MessageType.READING)
    return bodies, good


def _remove_codes(columns: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Put the zeros back where COBS codes stand, in place; say which frames end where they should.

    The first byte says how far it is to the next code, which says how far it is to the one after.
    """
    next_code = columns[0].astype(np.uint16)
    for index in range(1, _ENCODED):
        column = columns[index]
        is_code = next_code == index
        next_code += column * is_code
        column *= ~is_code
    whole: NDArray[np.bool_] = next_code == _ENCODED
    return whole


@lru_cache(maxsize=1)
def _crc_tables() -> tuple[NDArray[np.uint32], int]:
    """Tabulate what each value at each place of a frame does to its CRC-32, shape (24, 256).

    A CRC is linear over GF(2): that of a frame is the CRC of as many zeros, exclusive-or one table
    entry per byte.
    """
    zeros = bytes(_DECODED)
    of_zeros = zlib.crc32(zeros)
    tables = np.empty((_DECODED, 256), dtype=np.uint32)
    for place in range(_DECODED):
        for value in range(256):
            frame = zeros[:place] + bytes([value]) + zeros[place + 1 :]
            tables[place, value] = zlib.crc32(frame) ^ of_zeros
    return tables, of_zeros
