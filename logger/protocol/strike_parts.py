"""Strikes put together from their numbered parts, however the parts arrive.

Parts may come in any order, more than once, between other records, or never
(``firmware_notes/wire.md``, section 2.4 *strike scans* and section 2.7).
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field

from logger.protocol.layout import StrikeHead
from logger.protocol.records import Flag, Strike
from logger.protocol.wire import strike_scans

# A board sends one record after the other (section 2.7, rule 3), so more than two strikes under way
# are holes. With 32 parts of at most 508 bytes (section 2.4), 8 strikes hold 130 kB.
MAX_HALF_BUILT = 8
# Kept to tell a late repeat of a part from the beginning of a strike that will never be whole.
MAX_REMEMBERED = 8


@dataclass(frozen=True, slots=True)
class Built:
    """A whole strike with its bodies in order of part."""

    strike: Strike
    bodies: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class GivenUp:
    """What was there of a strike that did not become whole."""

    sequence: int
    reason: str
    bodies: tuple[bytes, ...]
    conflict: bool
    """Parts contradicted each other, rather than failed to come."""


@dataclass(slots=True)
class _HalfBuilt:
    head: StrikeHead
    """Of the part that came first."""
    bodies: dict[int, bytes] = field(default_factory=dict)
    heads: dict[int, StrikeHead] = field(default_factory=dict)
    repeats: bool = False
    """Only parts of a strike that is whole already have come."""

    def missing(self) -> str:
        lacking = [str(part) for part in range(self.head.parts) if part not in self.bodies]
        return f"{'part' if len(lacking) == 1 else 'parts'} {', '.join(lacking)}"

    def in_order(self) -> tuple[bytes, ...]:
        return tuple(self.bodies[part] for part in sorted(self.bodies))


def build_strike(heads: Sequence[StrikeHead], bodies: Sequence[bytes]) -> Strike:
    """Join the checked parts of one strike, all there and in order."""
    ticks, counts = strike_scans(heads, bodies)
    head = heads[0]
    return Strike(head.sequence, Flag(head.flags), head.span_ticks, ticks, counts)


def contradiction(one: StrikeHead, other: StrikeHead) -> str:
    """Say which field differs that is the same in each part of a strike; empty if none does."""
    if _shared(one) == _shared(other):
        return ""
    names = ("parts", "flags", "rows", "cells", "span_ticks")
    return next(
        f"{name} is {here} in part {one.part} and {there} in part {other.part}"
        for name, here, there in zip(names, _shared(one), _shared(other), strict=True)
        if here != there
    )


def _shared(head: StrikeHead) -> tuple[int, ...]:
    return (head.parts, head.flags, head.rows, head.cells, head.span_ticks)


class StrikeAssembler:
    """Keeps a bounded number of half-built strikes; the oldest is given up for a new one."""

    def __init__(self) -> None:
        self._half_built: OrderedDict[int, _HalfBuilt] = OrderedDict()
        self._whole: OrderedDict[int, tuple[bytes, ...]] = OrderedDict()

    @property
    def half_built(self) -> tuple[int, ...]:
        """Sequences of strikes that lack parts, oldest first."""
        return tuple(sequence for sequence, half in self._half_built.items() if not half.repeats)

    def add(self, head: StrikeHead, body: bytes) -> list[Built | GivenUp]:
        """Take one checked part; return what it completed or made hopeless."""
        out: list[Built | GivenUp] = []
        half = self._half_built.get(head.sequence)
        if half is not None and (fault := _conflict(half, head, body)):
            # The later part is believed: a board that restarted unseen numbers from 0 again.
            out += self._give_up(head.sequence, fault, conflict=True)
            half = None
        if half is None:
            half = _HalfBuilt(head, repeats=True)
            self._half_built[head.sequence] = half
        half.bodies[head.part] = body
        half.heads[head.part] = head
        half.repeats = half.repeats and self._is_repeat(head, body)
        if len(half.bodies) == head.parts:
            out.append(self._finish(half))
        elif len(self._half_built) > MAX_HALF_BUILT:
            oldest, lost = next(iter(self._half_built.items()))
            out += self._give_up(oldest, f"{lost.missing()} of {lost.head.parts} never came")
        return out

    def give_up_all(self, why: str) -> list[GivenUp]:
        """Forget everything, because the board restarted or the stream ended."""
        out: list[GivenUp] = []
        for sequence in list(self._half_built):
            half = self._half_built[sequence]
            out += self._give_up(
                sequence, f"{why} before {half.missing()} of {half.head.parts} came"
            )
        self._whole.clear()
        return out

    def _finish(self, half: _HalfBuilt) -> Built:
        sequence, bodies = half.head.sequence, half.in_order()
        strike = build_strike([half.heads[part] for part in range(half.head.parts)], bodies)
        del self._half_built[sequence]
        # A strike in one part leaves no late repeats that could look half-built.
        if half.head.parts > 1:
            self._whole[sequence] = bodies
            self._whole.move_to_end(sequence)
            if len(self._whole) > MAX_REMEMBERED:
                self._whole.popitem(last=False)
        return Built(strike, bodies)

    def _is_repeat(self, head: StrikeHead, body: bytes) -> bool:
        whole = self._whole.get(head.sequence)
        return whole is not None and len(whole) == head.parts and whole[head.part] == body

    def _give_up(self, sequence: int, reason: str, *, conflict: bool = False) -> list[GivenUp]:
        half = self._half_built.pop(sequence)
        if half.repeats:
            return []
        return [GivenUp(sequence, f"strike {sequence}: {reason}", half.in_order(), conflict)]


def _conflict(half: _HalfBuilt, head: StrikeHead, body: bytes) -> str:
    if fault := contradiction(half.head, head):
        return fault
    there = half.bodies.get(head.part)
    if there is not None and there != body:
        return f"part {head.part} came twice with different scans"
    return ""
