"""Records that a board keeps until they are confirmed."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators import encode
from simulators.strip import Counts


@dataclass(eq=False)
class Kept:
    """One record; its number is given when it is added."""

    # strike, reading or button.
    kind: str
    ticks: int
    flags: int = 0
    span_ticks: int = 0
    action: int = 0
    board_mm: float = 0.0
    trail_mm: float | None = None
    pressure_counts: int = 0
    scan_ticks: NDArray[np.uint32] | None = None
    counts: Counts | None = None
    compact: bool = False
    sequence: int = -1
    sent: bool = False

    def frames(self) -> bytes:
        """Write the record in binary form, all its parts."""
        if self.kind == "button":
            return encode.button(sequence=self.sequence, ticks=self.ticks, action=self.action)
        if self.kind == "reading":
            trail = encode.TRAIL_UNKNOWN if self.trail_mm is None else _hundredths(self.trail_mm)
            return encode.reading(
                sequence=self.sequence, ticks=self.ticks, position=_hundredths(self.board_mm),
                trail=trail, pressure=self.pressure_counts, flags=self.flags,
                span_ticks=self.span_ticks,
            )  # fmt: skip
        assert self.counts is not None
        assert self.scan_ticks is not None
        small = self.compact and int(self.counts.max()) <= 255
        return b"".join(
            encode.strike(sequence=self.sequence, flags=self.flags, span_ticks=self.span_ticks,
                          scan_ticks=self.scan_ticks, counts=self.counts,
                          value_bytes=1 if small else 2)
        )  # fmt: skip

    def text(self, *, bare: bool) -> bytes:
        """Write the record as a text line, of a board whose ticks are microseconds."""
        if self.kind == "button":
            word = encode.BUTTON_WORDS[self.action]
            if bare:
                return encode.text_line(k=word)
            return encode.text_line(n=self.sequence, t=self.ticks, k=word, checksum=True)
        if bare:
            return encode.text_line(x=self.board_mm)
        return encode.text_line(
            n=self.sequence, t=self.ticks, x=self.board_mm, y=self.trail_mm,
            p=self.pressure_counts, d=self.span_ticks, checksum=True,
        )  # fmt: skip


def _hundredths(value_mm: float) -> int:
    return int(np.clip(round(value_mm * 100), -32767, 32767))


class KeptRecords:
    """The ring: as many records as fit; when full, the oldest goes (section 2.7)."""

    def __init__(self, capacity: int) -> None:
        if capacity < 1:
            raise ValueError("a board keeps at least one record")
        self.capacity = capacity
        self.next_sequence = 0
        self.dropped = 0
        self._kept: deque[Kept] = deque()

    def __len__(self) -> int:
        return len(self._kept)

    @property
    def oldest_kept(self) -> int:
        """Sequence of the oldest record still here, or the next one's if there is none."""
        return self._kept[0].sequence if self._kept else self.next_sequence

    def add(self, record: Kept) -> int:
        """Give a record its number and keep it, dropping the oldest if there is no room."""
        if len(self._kept) >= self.capacity:
            self._kept.popleft()
            self.dropped += 1
            # The hole is just before what is now the oldest: that one carries the flag, or the
            # first after it that has flags.
            flagged = next((kept for kept in self._kept if kept.kind != "button"), record)
            flagged.flags |= encode.AFTER_DROP
        record.sequence = self.next_sequence
        self.next_sequence += 1
        self._kept.append(record)
        return record.sequence

    def frames(self, record: Kept) -> bytes:
        """Bytes of a record, which counts as sent from then on."""
        record.sent = True
        return record.frames()

    def since(self, sequence: int) -> list[Kept]:
        """Kept records from this one on, in order."""
        return [record for record in self._kept if record.sequence >= sequence]

    def unsent(self) -> list[Kept]:
        """Kept records that no host was ever given."""
        return [record for record in self._kept if not record.sent]

    def confirm(self, sequence: int) -> None:
        """Forget every record up to and including this one."""
        while self._kept and self._kept[0].sequence <= sequence:
            self._kept.popleft()
