"""Which records of one boot are on disk, which are missing, what may be confirmed. Pure.

The rules are those of ``firmware_notes/wire.md``, section 2.7.
"""

from __future__ import annotations

from collections.abc import Container, Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Hole:
    """Sequence numbers ``first`` to ``last`` (both included) that have not arrived."""

    first: int
    last: int

    @property
    def count(self) -> int:
        """How many records are missing."""
        return self.last - self.first + 1


class SequenceTracker:
    """Keeps book over the sequence numbers of one boot.

    Memory is bounded by the number of holes, not of records: what lies below the first hole is one
    number.
    """

    def __init__(self, next_expected: int = 0) -> None:
        self._expected = next_expected
        self._beyond: set[int] = set()
        self._announced = next_expected

    @property
    def next_expected(self) -> int:
        """Lowest number that is neither on disk nor given up."""
        return self._expected

    @property
    def confirmable(self) -> int | None:
        """Highest number that may be confirmed to the board, None before the first record."""
        return self._expected - 1 if self._expected > 0 else None

    def has(self, sequence: int) -> bool:
        """Whether this record is on disk (or was given up)."""
        return sequence < self._expected or sequence in self._beyond

    def add(self, sequence: int) -> bool:
        """Note a record as on disk; False if it was there already."""
        if self.has(sequence):
            return False
        self._beyond.add(sequence)
        self._announced = max(self._announced, sequence + 1)
        self._advance()
        return True

    def add_all(self, sequences: Iterable[int]) -> None:
        """Note records as on disk that were not there."""
        self._beyond.update(sequences)
        if self._beyond:
            self._announced = max(self._announced, max(self._beyond) + 1)
        self._advance()

    def expected_with(self, fresh: Container[int]) -> int:
        """Say what `next_expected` would be if these were on disk too."""
        expected = self._expected
        while expected in fresh or expected in self._beyond:
            expected += 1
        return expected

    def announce(self, next_sequence: int) -> None:
        """Note from *hello* or *status* that all below ``next_sequence`` exist."""
        self._announced = max(self._announced, next_sequence)

    def give_up_below(self, oldest_kept: int) -> list[Hole]:
        """Give up the records that the board no longer keeps; return which those are."""
        lost = [
            Hole(hole.first, min(hole.last, oldest_kept - 1))
            for hole in self.holes()
            if hole.first < oldest_kept
        ]
        if oldest_kept > self._expected:
            self._expected = oldest_kept
            self._beyond = {s for s in self._beyond if s >= oldest_kept}
            self._announced = max(self._announced, oldest_kept)
            self._advance()
        return lost

    def holes(self) -> list[Hole]:
        """All that is known to exist and has not arrived, lowest first."""
        holes: list[Hole] = []
        first = self._expected
        for sequence in sorted(self._beyond):
            if sequence > first:
                holes.append(Hole(first, sequence - 1))
            first = sequence + 1
        if self._announced > first:
            holes.append(Hole(first, self._announced - 1))
        return holes

    @property
    def waiting(self) -> int:
        """How many known records have not arrived."""
        return self._announced - self._expected - len(self._beyond)

    def _advance(self) -> None:
        while self._expected in self._beyond:
            self._beyond.remove(self._expected)
            self._expected += 1
