"""Which contacts are strikes, and what the others are: rules that look only backward.

Because no rule needs to know what comes next, a contact sorted live and the same contact sorted
again from the store get the same answer.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from enum import Enum
from statistics import median

from analysis.strikes.contacts import Contact, ContactFlag


class Kind(Enum):
    """What a contact was."""

    STRIKE = "strike"
    REST = "resting head"
    BRUSH = "brush"
    FOOT = "foot"
    BOUNCE = "bounce"
    REPEAT = "double trigger"
    OFF_STRIP = "off the strip"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Sorted:
    """A contact with what it was and why."""

    contact: Contact
    kind: Kind
    reason: str
    """One plain sentence with numbers."""


@dataclass(frozen=True, slots=True)
class SortRules:
    """Thresholds of the sorting. All are common practice with no source unless said otherwise."""

    longest_strike_us: float = 12_000.0
    """A sole 20 to 25 mm wide at 20 to 50 m/s is on the strip for 0.5 to 3 ms; a soft cover and a
    board that looks every few milliseconds stretch that, so four times the slowest is allowed."""
    longest_brush_us: float = 150_000.0
    """A waggle at half a metre a second takes 40 mm (sole and row) in 80 ms; twice that is a head
    that was put down."""
    light_share: float = 0.08
    """Lighter than this share of the usual strike is a brush: pressure goes with the speed of the
    head, and a chip still brings a quarter of a full swing's."""
    usual_from: int = 3
    """Strikes before "usual load" means anything."""
    usual_over: int = 15
    """The usual load is the median of so many latest strikes, so that it follows a change of club
    or cover within a dozen swings."""
    repeat_us: float = 15_000.0
    """A second trigger this soon is the same swing seen twice: the head has moved only 0.3 m."""
    bounce_us: float = 120_000.0
    """A head or cover springs back within a tenth of a second. Feeding machines pace swings at
    150 ms at the very least, so nothing real is lost below 120 ms."""
    bounce_share: float = 0.6
    """... and a bounce is clearly lighter than its strike: energy was lost."""
    foot_width_mm: float = 95.0
    """Wider than any iron's sole (about 80 mm) and still narrower than a shoe lying along it."""
    foot_share: float = 0.4
    """A weight that stays on with this share of a strike's peak load is a person: a resting club
    brings under 5 N, a strike some hundreds, a foot as many."""
    half_strip_mm: float | None = None
    """Half the strip's length where it is known."""
    absurd_mm: float = 1_000.0
    """No strip is two metres long: a place beyond is a fault."""


@dataclass(slots=True)
class StrikeSorter:
    """Contacts in time order in, `Sorted` out, one for one.

    Parameters
    ----------
    rules : SortRules
        Thresholds.
    """

    rules: SortRules = field(default_factory=SortRules)
    _loads: deque[float] = field(init=False)
    _swing: Contact | None = field(default=None, init=False)
    """The latest contact that came from a swing: a strike, on the strip or off it."""
    _last_us: float = field(default=-math.inf, init=False)

    def __post_init__(self) -> None:
        self._loads = deque(maxlen=self.rules.usual_over)

    @property
    def usual_load(self) -> float | None:
        """Median load of the latest strikes, counts; None before there are enough."""
        return median(self._loads) if len(self._loads) >= self.rules.usual_from else None

    def feed(self, contact: Contact) -> Sorted:
        """Sort one contact by what came before it."""
        fault = self._fault(contact)
        if fault:
            return Sorted(contact, Kind.UNREADABLE, fault)
        self._look_at_time(contact)
        kind, reason = self._judge(contact)
        self._remember(contact, kind)
        return Sorted(contact, kind, reason)

    def recall(self, contact: Contact, kind: Kind) -> None:
        """Take in a contact that was sorted before, with what it was found to be."""
        if kind is not Kind.UNREADABLE:
            self._look_at_time(contact)
            self._remember(contact, kind)

    def _look_at_time(self, contact: Contact) -> None:
        if contact.t_us < self._last_us:
            # The board's clock began again: what came before says nothing of what follows, except
            # how heavy a strike is.
            self._swing = None
        self._last_us = contact.t_us

    def _remember(self, contact: Contact, kind: Kind) -> None:
        if kind in (Kind.STRIKE, Kind.OFF_STRIP):
            self._swing = contact
        if kind is Kind.STRIKE and contact.load is not None and contact.load > 0:
            self._loads.append(contact.load)

    def _fault(self, contact: Contact) -> str | None:
        if contact.fault:
            return contact.fault
        if not math.isfinite(contact.t_us):
            return "came without a usable time"
        if not math.isfinite(contact.board_mm):
            if contact.load == 0:
                return "no cell rose clearly above its rest"
            return "its place on the strip is not a number"
        if abs(contact.board_mm) > self.rules.absurd_mm:
            return f"a place {contact.board_mm:.0f} mm from the middle is on no strip"
        if contact.span_us is not None and not 0 <= contact.span_us < math.inf:
            return f"a duration of {contact.span_us:.0f} microseconds cannot be"
        if contact.load is not None and not 0 <= contact.load < math.inf:
            return f"a load of {contact.load:.0f} counts cannot be"
        return None

    def _judge(self, contact: Contact) -> tuple[Kind, str]:
        # What springs back after a strike may rock for longer than a strike takes, and as heavily
        # as a foot; nobody steps on the board for a few milliseconds.
        brief = contact.span_us is None or contact.span_us <= self.rules.longest_brush_us
        springing = brief and ContactFlag.STILL_LOADED not in contact.flags
        return (
            (self._after_swing(contact) if springing else None)
            or self._stayed(contact)
            or self._after_swing(contact)
            or self._too_light(contact)
            or self._off_strip(contact)
            or (Kind.STRIKE, _strike_reason(contact))
        )

    def _stayed(self, contact: Contact) -> tuple[Kind, str] | None:
        """Longer on the strip than any swing: foot, resting head or brush."""
        rules = self.rules
        still = ContactFlag.STILL_LOADED in contact.flags
        span = contact.span_us
        if not still and (span is None or span <= rules.longest_strike_us):
            return None
        how_long = f"for {span / 1e3:.0f} ms" if span else "on after the board closed its record"
        usual = self.usual_load
        if contact.width_mm is not None and contact.width_mm >= rules.foot_width_mm:
            return Kind.FOOT, (
                f"a foot: stayed on the strip {how_long} and was {contact.width_mm:.0f} mm wide"
            )
        if usual and contact.load is not None and contact.load >= rules.foot_share * usual:
            return Kind.FOOT, (
                f"a foot: stayed on the strip {how_long} with {contact.load:.0f} counts, where a "
                f"strike brings {usual:.0f} for an instant"
            )
        if not still and span is not None and span <= rules.longest_brush_us:
            return Kind.BRUSH, (
                f"took {span / 1e3:.0f} ms, where a strike takes 0.5 to 3 ms: a waggle"
            )
        return Kind.REST, f"stayed on the strip {how_long}: a resting head"

    def _after_swing(self, contact: Contact) -> tuple[Kind, str] | None:
        """Too soon after a strike to be another swing."""
        if self._swing is None:
            return None
        rules = self.rules
        after_us = contact.t_us - self._swing.t_us
        after = f"came {after_us / 1e3:.0f} ms after a strike"
        if after_us <= rules.repeat_us:
            return Kind.REPEAT, f"{after}: the same swing seen twice"
        if after_us > rules.bounce_us:
            return None
        if contact.load is None or not self._swing.load:
            return Kind.BOUNCE, f"{after}, sooner than anyone swings again: a bounce"
        share = contact.load / self._swing.load
        if share < rules.bounce_share:
            return Kind.BOUNCE, f"{after} with {100 * share:.0f} % of its load: a bounce"
        return None

    def _too_light(self, contact: Contact) -> tuple[Kind, str] | None:
        usual = self.usual_load
        if usual is None or contact.load is None or contact.load >= self.rules.light_share * usual:
            return None
        return Kind.BRUSH, (
            f"brought {contact.load:.0f} counts, under {100 * self.rules.light_share:.0f} % of the "
            f"usual {usual:.0f}: a brush"
        )

    def _off_strip(self, contact: Contact) -> tuple[Kind, str] | None:
        half = self.rules.half_strip_mm
        if ContactFlag.EDGE in contact.flags:
            return Kind.OFF_STRIP, (
                f"its patch at {contact.board_mm:+.0f} mm runs over the end of the strip, so its "
                "place cannot be trusted"
            )
        if half is not None and abs(contact.board_mm) > half:
            return Kind.OFF_STRIP, (
                f"lies {abs(contact.board_mm):.0f} mm from the middle of a strip that ends "
                f"at {half:.0f} mm"
            )
        return None


def _strike_reason(contact: Contact) -> str:
    lasted = f" and lasted {contact.span_us / 1e3:.1f} ms" if contact.span_us else ""
    load = f" with {contact.load:.0f} counts" if contact.load is not None else ""
    full = "; a cell was at full scale, so the load is a lower bound"
    return f"struck at {contact.board_mm:+.1f} mm{load}{lasted}" + (
        full if ContactFlag.SATURATED in contact.flags else ""
    )
