"""Stored records of one boot -> contacts of the strip, in the terms of `analysis`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.strikes.contacts import Contact, ContactBuilder, ContactFlag, StripReading
from analysis.strikes.scans import SampleOrder, Strip, contact_from_scans, rest_levels
from analysis.strikes.sorting import SortRules
from logger.protocol.layout import TICK_RANGE
from logger.protocol.records import Flag, Hello, Reading, Strike
from logger.session.logging.cell_calibration import (
    CalibrationsInForce,
    calibrated_counts,
    fits_board,
)

# A sole of 25 mm and a row of 10 mm under a slow wedge of 10 m/s: 3.5 ms; half as much again.
_LONGEST_STRIKE_US = 5_000.0
# 2025-01-01. Microseconds from 1970 would leave a float a quarter of one.
_EPOCH_UTC_NS = 1_735_689_600_000_000_000
_TEXT_TICK_HZ = 1_000_000
# A radio may hold readings back for as long as this before it hands them on in one go.
_PATIENCE_US = 500_000.0
_BEGINS, _ENDS, _EDGE = int(Flag.BEGINS), int(Flag.ENDS), int(Flag.EDGE)
_SATURATED, _STILL_LOADED = int(Flag.SATURATED), int(Flag.STILL_LOADED)
_WHOLE = int(Flag.SUMS_UP | Flag.NO_TICKS)


class ContactReader:
    """Turns readings and strikes of one boot into contacts, in the order of their numbers.

    Board time is unwrapped with the help of the moment that the clock worked out for each record,
    so that a record gives the same contact whether it is read live or from the store.
    """

    def __init__(
        self, hello: Hello | None, calibrations: CalibrationsInForce | None = None
    ) -> None:
        self._calibrations = calibrations or CalibrationsInForce()
        self._tick_hz = _TEXT_TICK_HZ if hello is None else hello.tick_hz
        self._half_mm: float | None = None
        self._strip: Strip | None = None
        if hello is not None:
            pitch_mm = hello.pitch_um / 1000
            self._half_mm = pitch_mm * hello.cells / 2
            self._strip = Strip(
                pitch_mm=pitch_mm,
                full_scale=hello.full_scale,
                row_distance_mm=hello.row_distance_um / 1000,
                scan_order=SampleOrder(hello.scan_order),
                scan_us=hello.scan_ticks / hello.tick_hz * 1e6,
            )
        self._shape = None if hello is None else (hello.rows, hello.cells)
        self._builder = ContactBuilder()
        # Of the latest reading: board time, and the moment that the clock made of it.
        self._latest: tuple[float, int] | None = None
        self._given_up_us: float | None = None
        self._parted = False
        self._flags: dict[int, int] = {}

    def sort_rules(self) -> SortRules:
        """Return what tells strikes from the rest on this board.

        A board that times its scans sees how long a strike lasts to a fraction of it, so nothing
        slow passes for one; of a board that speaks text nobody knows how often it looks.
        """
        if self._strip is None:
            return SortRules()
        longest_us = _LONGEST_STRIKE_US + 2 * self._strip.scan_us
        return SortRules(half_strip_mm=self._half_mm, longest_strike_us=longest_us)

    def read(self, sequence: int, record: Reading | Strike, struck_utc_ns: int) -> list[Contact]:
        """Take the next record; return the contacts that it completes."""
        self._flags[sequence] = int(record.flags)
        given_up_us, self._given_up_us = self._given_up_us, None
        if isinstance(record, Strike):
            done = self._builder.flush()
            done.append(self._from_strike(sequence, record, struck_utc_ns))
            return done
        reading = self._reading(sequence, record, struck_utc_ns)
        self._latest = reading.t_us, struck_utc_ns
        if given_up_us is not None and self._builder.continues(reading, given_up_us):
            self._parted = True
        return self._builder.feed(reading)

    @property
    def open_since(self) -> int | None:
        """First record of the contact that has not ended; None if all have."""
        return self._builder.open_since

    @property
    def parted(self) -> bool:
        """Whether `idle` closed a contact of which more came later.

        Only reading all records again puts it right.
        """
        return self._parted

    def idle(self, now_utc_ns: int) -> list[Contact]:
        """Close a contact that no reading has followed for long."""
        if self._latest is None:
            return []
        latest_us, struck_utc_ns = self._latest
        # Board time has a zero of its own.
        now_us = latest_us + (now_utc_ns - struck_utc_ns) / 1000
        closed = self._builder.idle(now_us - _PATIENCE_US)
        if closed:
            self._given_up_us = latest_us
        return closed

    def flush(self) -> list[Contact]:
        """Close the open contact, if any."""
        self._given_up_us = None
        return self._builder.flush()

    def flags_of(self, contact: Contact) -> Flag:
        """All flags of the records of a contact; each contact is asked for once."""
        flags = 0
        for sequence in [s for s in self._flags if s <= contact.last_key]:
            flag = self._flags.pop(sequence)
            if sequence >= contact.first_key:
                flags |= flag
        return Flag(flags)

    def _from_strike(self, sequence: int, strike: Strike, struck_utc_ns: int) -> Contact:
        if self._strip is None:
            raise ValueError("scans from a board that never said hello")
        last_ticks = int(strike.scan_ticks[-1])
        last_us = self._unwrapped_us(last_ticks, struck_utc_ns)
        # Modulo 2^32 before the difference is taken, as unsigned ticks do.
        before = (last_ticks - strike.scan_ticks.astype("int64")) % TICK_RANGE
        # The frames were sound, so asking again would bring the same: it is kept and set aside.
        if fault := self._fault_of(strike, before):
            return _unreadable(sequence, last_us, fault)
        counts, strip = self._evened(self._strip, strike, struck_utc_ns)
        return contact_from_scans(
            last_us - before / self._tick_hz * 1e6,
            counts,
            strip,
            key=sequence,
            span_us=strike.span_ticks / self._tick_hz * 1e6 or None,
            late_start=Flag.LATE_START in strike.flags,
            edge=Flag.EDGE in strike.flags,
            saturated=Flag.SATURATED in strike.flags,
            still_loaded=Flag.STILL_LOADED in strike.flags,
        )

    def _fault_of(self, strike: Strike, before: NDArray[np.int64]) -> str:
        """Say how a strike breaks the board's own word; empty if it does not."""
        shape = strike.counts.shape[1:]
        if shape != self._shape:
            assert self._shape is not None
            return f"has {_grid(*shape)}, where the board said {_grid(*self._shape)}"
        if np.any(np.diff(before) >= 0):
            return "its scan times do not go up"
        return ""

    def _evened(self, strip: Strip, strike: Strike, struck_utc_ns: int) -> tuple[FloatArray, Strip]:
        """Correct the counts by what held when they were struck; also the strip they belong to."""
        raw = strike.counts.astype(np.float64)
        held = self._calibrations.at(struck_utc_ns)
        if held is None or not fits_board(held.calibration, *raw.shape[1:]):
            return raw, strip
        rest, _, _ = rest_levels(raw, late_start=Flag.LATE_START in strike.flags)
        counts, full_scale = calibrated_counts(raw, rest, held.calibration, strip.full_scale)
        return counts, replace(strip, full_scale=full_scale)

    def method_of(self, version: str, struck_utc_ns: int) -> str:
        """Name what a contact was worked out with: the version, and the calibration if one held."""
        held = None if self._strip is None else self._calibrations.at(struck_utc_ns)
        return version if held is None else f"{version}, evening {held.id}"

    def _reading(self, sequence: int, reading: Reading, struck_utc_ns: int) -> StripReading:
        # As a number: asking an enum for one of its flags takes longer than all the rest of this.
        flags = int(reading.flags)
        if reading.ticks is None:
            t_us = self._utc_us(struck_utc_ns)
        else:
            t_us = self._unwrapped_us(reading.ticks, struck_utc_ns)
        return StripReading(
            t_us=t_us,
            board_mm=reading.board_mm,
            key=sequence,
            trail_mm=reading.trail_mm,
            load=None if reading.pressure_counts is None else float(reading.pressure_counts),
            begins=bool(flags & _BEGINS),
            ends=bool(flags & _ENDS),
            # A text line that says neither how long nor which number of a contact it is stands
            # for a whole one: that is what a first sketch prints.
            sums_up=bool(flags & _WHOLE),
            saturated=bool(flags & _SATURATED),
            edge=bool(flags & _EDGE),
            still_loaded=bool(flags & _STILL_LOADED),
            span_us=reading.span_ticks / self._tick_hz * 1e6 or None,
        )

    def _unwrapped_us(self, ticks: int, struck_utc_ns: int) -> float:
        """Board time that goes on over the wraps of its counter, microseconds.

        Its zero is near that of `_utc_us`: only differences within a boot mean something. Wrong by
        whole wraps only if the two clocks came apart by half a wrap.
        """
        near = (struck_utc_ns - _EPOCH_UTC_NS) * self._tick_hz // 1_000_000_000
        wraps = round((near - ticks) / TICK_RANGE)
        return (ticks + wraps * TICK_RANGE) * 1e6 / self._tick_hz

    def _utc_us(self, utc_ns: int) -> float:
        return (utc_ns - _EPOCH_UTC_NS) / 1000


def _grid(rows: int, cells: int) -> str:
    return f"{rows} {'row' if rows == 1 else 'rows'} of {cells} cells"


def _unreadable(sequence: int, t_us: float, fault: str) -> Contact:
    return Contact(
        t_us=t_us,
        span_us=None,
        board_mm=float("nan"),
        trail_mm=None,
        load=None,
        width_mm=None,
        patches=None,
        flags=ContactFlag.NONE,
        first_key=sequence,
        last_key=sequence,
        fault=fault,
    )
