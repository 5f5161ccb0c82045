"""One touch of the strip as a value, and how a stream of readings becomes such touches.

A board either works out readings itself or sends all scans of a strike; both end in a `Contact`.
Whole scans are read in `analysis.strikes.scans`; what a contact *was* (a strike, a resting head, a
foot) is decided in `analysis.strikes.sorting`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import IntFlag
from typing import NamedTuple


class ContactFlag(IntFlag):
    """What is known about the quality of one contact."""

    NONE = 0
    SATURATED = 1
    """A cell was at full scale: the load is a lower bound."""
    EDGE = 2
    """The patch reaches the end of the strip: the place is biased inward."""
    STILL_LOADED = 4
    """The strip was still pressed when the board closed its record."""
    CELL_FILLED = 8
    """A dead, stuck or saturated cell inside the patch was filled in from its neighbours."""
    REST_GUESSED = 16
    """No scan from before the contact: rest levels were taken from each cell's lowest value."""


@dataclass(frozen=True, slots=True)
class Contact:
    """One touch of the strip, from its first load to its last."""

    t_us: float
    """Moment of the heaviest pressure, unwrapped board microseconds."""
    span_us: float | None
    """How long it lasted; None if the board gave too little to tell."""
    board_mm: float
    """Load-weighted place along the strip; 0 = its middle. NaN if nothing could be read."""
    trail_mm: float | None
    """Front to back on the sole, positive toward the trailing edge; None if not knowable."""
    load: float | None
    """Counts above rest, summed over the cells at the peak; None if the board gave none."""
    width_mm: float | None
    """Length of the main patch along the strip at a tenth of its height."""
    patches: int | None
    """Number of separate patches; a shoe or two sole ends give more than one."""
    flags: ContactFlag
    first_key: int
    """Opaque to this folder: ties the contact back to the first record it came from."""
    last_key: int
    speed_m_s: float | None = None
    """Of the sole across the strip, from the delay between two rows; None with one row."""
    fault: str = ""
    """Why nothing can be read from it, where whoever made it knows; one plain clause."""


# A tuple: a board may bring a thousand a second, and one takes a third of the time that a frozen
# dataclass takes.
class StripReading(NamedTuple):
    """One reading as the board (or a text line, or a typed mark) gave it."""

    t_us: float
    board_mm: float
    key: int
    trail_mm: float | None = None
    load: float | None = None
    begins: bool = False
    ends: bool = False
    sums_up: bool = False
    saturated: bool = False
    edge: bool = False
    still_loaded: bool = False
    span_us: float | None = None
    """Only when the reading sums up a contact; 0 and None both mean not known."""

    def flags(self) -> ContactFlag:
        """Give the flags of the contact this reading belongs to."""
        flags = ContactFlag.NONE
        if self.saturated:
            flags |= ContactFlag.SATURATED
        if self.edge:
            flags |= ContactFlag.EDGE
        if self.still_loaded:
            flags |= ContactFlag.STILL_LOADED
        return flags


# Readings of one contact come scan by scan, at worst every 10 to 20 ms from a slow text sketch; two
# swings are never closer than 150 ms and a head that bounces stays up for some 30 ms or more. So
# 25 ms without a reading parts two contacts. Common practice, no source.
GAP_US = 25_000.0

# A resting head under a 1 kHz board would add readings for ever. The first 4096 hold any strike
# whole (0.4 s at 10 kHz); later ones only make the contact longer.
MAX_READINGS = 4096

# Readings below this share of the heaviest are the patch growing or fading, where an uneven cover
# pulls the place about. Half height is common practice, no source.
NEAR_PEAK = 0.5


@dataclass(slots=True)
class ContactBuilder:
    """Readings in, contacts out, one at a time and in order.

    A contact ends with a reading flagged *ends*, before one flagged *begins*, after ``gap_us``
    without a reading, or when the clock jumps back (the board started again). A reading that sums
    up a contact is one by itself.

    Parameters
    ----------
    gap_us : float
        Pause that parts two contacts, microseconds.
    """

    gap_us: float = GAP_US
    _readings: list[StripReading] = field(default_factory=list, init=False)
    _last: StripReading | None = field(default=None, init=False)
    _flags: ContactFlag = field(default=ContactFlag.NONE, init=False)

    @property
    def open_since(self) -> int | None:
        """Key of the first reading of the contact that has not ended; None if all have."""
        return self._readings[0].key if self._readings else None

    def feed(self, reading: StripReading) -> list[Contact]:
        """Take one reading; return the contacts that it completes (none, one or two)."""
        done: list[Contact] = []
        if reading.sums_up:
            done += self.flush()
            done.append(_summed_up(reading))
            return done
        if self._last is not None and not self.continues(reading, self._last.t_us):
            done += self.flush()
        if len(self._readings) < MAX_READINGS:
            self._readings.append(reading)
        self._last = reading
        # Joining flags takes longer than all the rest of this, and most have none.
        if (flags := reading.flags()) is not ContactFlag.NONE:
            self._flags |= flags
        if reading.ends:
            done += self.flush()
        return done

    def continues(self, reading: StripReading, last_us: float) -> bool:
        """Whether a reading belongs to the contact whose latest reading was at ``last_us``."""
        # A NaN time fails the comparison: such a reading stands alone, for the sorter.
        near = 0 <= reading.t_us - last_us <= self.gap_us
        return near and not reading.begins and not reading.sums_up

    def idle(self, now_us: float) -> list[Contact]:
        """Close the open contact if ``now_us`` is past its gap: what a quiet line needs.

        If readings come later than ``now_us`` says, they make a contact of their own.
        """
        if self._last is not None and now_us - self._last.t_us > self.gap_us:
            return self.flush()
        return []

    def flush(self) -> list[Contact]:
        """Close the open contact, if any, whatever the time."""
        if self._last is None:
            return []
        contact = _from_readings(self._readings, self._last, self._flags)
        self._readings = []
        self._last = None
        self._flags = ContactFlag.NONE
        return [contact]


def _summed_up(reading: StripReading) -> Contact:
    # 0 is the wire's word for "not known"; a negative span is kept, for the sorter to refuse.
    span = reading.span_us if reading.span_us else None
    return Contact(
        t_us=float(reading.t_us),
        span_us=None if span is None else float(span),
        board_mm=float(reading.board_mm),
        trail_mm=reading.trail_mm,
        load=reading.load,
        width_mm=None,
        patches=None,
        flags=reading.flags(),
        first_key=reading.key,
        last_key=reading.key,
    )


def _from_readings(readings: list[StripReading], last: StripReading, flags: ContactFlag) -> Contact:
    loads = [r.load for r in readings if r.load is not None]
    if len(loads) == len(readings) and all(0 <= one < math.inf for one in loads):
        heaviest = max(loads)
        load: float | None = float(heaviest)
        peak = loads.index(heaviest)
        weight = [one if one >= NEAR_PEAK * heaviest else 0.0 for one in loads]
        if not heaviest:
            weight = [1.0] * len(weight)
    else:
        # Without loads the heaviest moment is unknown: the first reading is the nearest to it.
        peak = 0
        load = None
        weight = [1.0] * len(readings)
    # Lists, not arrays: a contact has a dozen readings, where an array's own work outweighs theirs.
    both = list(zip(readings, weight, strict=True))
    place = math.fsum(r.board_mm * w for r, w in both) / math.fsum(weight)
    known = [(r.trail_mm, w) for r, w in both if r.trail_mm is not None and w > 0]
    trail = sum(t * w for t, w in known) / sum(w for _, w in known) if known else None
    return Contact(
        t_us=float(readings[peak].t_us),
        # One reading alone says nothing of how long the contact lasted.
        span_us=float(last.t_us - readings[0].t_us) if last is not readings[0] else None,
        board_mm=place,
        trail_mm=trail,
        load=load,
        width_mm=None,
        patches=None,
        flags=flags,
        first_key=readings[0].key,
        last_key=last.key,
    )
