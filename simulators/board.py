"""A lie board's firmware on virtual time: bytes from the host in, bytes to the host out, no I/O.

Time is what `Board.advance` is told; the board's ticks follow it with the board's own rate error.
What presses the strip comes from a schedule of events (`simulators.player`). Scans are worked out
only around contacts, so an hour of silence costs nothing.
"""

from __future__ import annotations

import bisect
import heapq
import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from itertools import count

import numpy as np
from numpy.typing import NDArray

from simulators import encode
from simulators.board_options import BoardOptions
from simulators.capture import Capture, Captured
from simulators.contacts import Contact, Event, Press, Restart, Truth
from simulators.readings import Sums, streamed, summed_up
from simulators.records import Kept, KeptRecords
from simulators.sole import FloatArray
from simulators.strip import Strip

SECOND_NS = 1_000_000_000
# Noise triggers rarer than this do not happen in a board's lifetime.
LEAST_NOISE_RATE_HZ = 1e-9


TruthSink = Callable[[Truth], None]


class Board:
    """One board from power-up on."""

    def __init__(
        self, rng: np.random.Generator, options: BoardOptions | None = None,
        on_truth: TruthSink | None = None,
    ) -> None:  # fmt: skip
        self.options = options or BoardOptions()
        self.now_ns = 0
        self.boot_id = self.options.boot_id
        self.trigger_level = self.options.trigger_level
        self.records = KeptRecords(self.options.capacity)
        self.decoder = encode.HostDecoder()
        self.host_seen = self.options.form == "text"
        self._rng = rng
        self._on_truth = on_truth or (lambda truth: None)
        grid = self.options.grid
        self.strip = Strip.build(rng, grid, self.options.sensing, self.options.faults)
        self._capture = Capture(self.strip, self.options.scanning, self.options.rules, rng)
        self._contacts: list[Contact] = []
        self._armed_ns = 0
        self._order = count()
        self._due: list[tuple[int, int, Callable[[], None]]] = []
        self._out = bytearray()
        self._ticks_zero_ns = 0
        self._first_ticks = self.options.first_ticks
        self._noise_seed = 0
        self._events_left = 0
        self._begin_boot()

    # -- time ----------------------------------------------------------------------------------

    def ticks(self, at_ns: int) -> int:
        """Read the board's clock at a moment of true time."""
        # Integers all through: a float would lose single ticks after a few days.
        milli_ppm = round(self.options.tick_error_ppm * 1000)
        rate = self.options.tick_hz * (1_000_000_000 + milli_ppm)
        elapsed = (at_ns - self._ticks_zero_ns) * rate // (SECOND_NS * 1_000_000_000)
        return (self._first_ticks + elapsed) % 2**32

    def advance(self, dt_ns: int) -> bytes:
        """Let time pass; return what the board sends meanwhile."""
        if dt_ns < 0:
            raise ValueError("time does not run backwards")
        end_ns = self.now_ns + dt_ns
        while self._due and self._due[0][0] <= end_ns:
            at_ns, _, action = heapq.heappop(self._due)
            self.now_ns = max(self.now_ns, at_ns)
            action()
        self.now_ns = end_ns
        sent = bytes(self._out)
        self._out.clear()
        return sent

    def next_event_ns(self) -> int | None:
        """When the board will next do something of itself, on the axis of `now_ns`."""
        return self._due[0][0] if self._due else None

    @property
    def busy(self) -> bool:
        """Whether scheduled contacts or presses are still to come."""
        return self._events_left > 0

    def _at(self, at_ns: int, action: Callable[[], None]) -> None:
        heapq.heappush(self._due, (at_ns, next(self._order), action))

    # -- what happens to the board -------------------------------------------------------------

    def play(self, events: Iterable[Event], start_ns: int | None = None) -> None:
        """Put a schedule on the board's axis; its zero is `start_ns` (default: now)."""
        zero = self.now_ns if start_ns is None else start_ns
        for event in events:
            at_ns = zero + event.at_ns
            self._events_left += 1
            if isinstance(event, Contact):
                moved = replace(event, at_ns=at_ns)
                bisect.insort(self._contacts, moved, key=self._first_ns)
                self._at(max(self.now_ns, self._first_ns(moved)), partial(self._touch, moved))
            elif isinstance(event, Press):
                self._at(at_ns, partial(self._press, replace(event, at_ns=at_ns)))
            else:
                self._at(at_ns, partial(self._restart, event))

    def burst(self, count: int) -> None:
        """Make so many readings at once: a load for the line and for whoever reads it."""
        for step in range(count):
            ticks, board_mm = self.ticks(self.now_ns), step % 60 - 30.0
            self._add(Kept("reading", ticks, flags=encode.SUMS_UP, board_mm=board_mm,
                           pressure_counts=500, span_ticks=900))  # fmt: skip

    def _first_ns(self, contact: Contact) -> int:
        return contact.window_ns(self.options.grid)[0]

    def reset(self, *, warm: bool = False) -> None:
        """Start again under another boot id.

        Cold: ticks begin again and all records are lost. Warm (a watchdog: memory and timer live
        on): the ticks go on, and records that were never sent are kept and numbered again from 0.
        Records sent but not confirmed are let go, since under new numbers a host would take them
        twice.
        """
        unsent = self.records.unsent() if warm else []
        if not warm:
            self._ticks_zero_ns = self.now_ns
            self._first_ticks = self.options.first_ticks
        self.boot_id = (self.boot_id + 1) % 2**32
        self.trigger_level = self.options.trigger_level
        self.records = KeptRecords(self.options.capacity)
        for record in unsent:
            self.records.add(record)
        self.decoder = encode.HostDecoder()
        self.host_seen = self.options.form == "text"
        # What was half recorded is lost.
        self._armed_ns = self.now_ns
        self._begin_boot()

    def _begin_boot(self) -> None:
        boot = self.boot_id
        # A 0x00 first cuts off whatever came before (section 2.1).
        if self.options.form != "text":
            self._out += b"\x00" + self._hello()
        self._at(self.now_ns + SECOND_NS, partial(self._each_second, boot))
        self._plan_noise()

    def link_closed(self) -> None:
        """Nobody listens any more: records wait until the next *ask hello*."""
        self.host_seen = self.options.form == "text"
        self.decoder = _carry_counts(self.decoder)

    def _restart(self, event: Restart) -> None:
        self._events_left -= 1
        self.reset(warm=event.warm)

    def _press(self, press: Press) -> None:
        self._events_left -= 1
        if not self.options.foot_switch:
            return
        sequence = self._add(Kept("button", self.ticks(press.at_ns), action=press.action))
        truth: Truth = {"action": encode.BUTTON_WORDS[press.action]}
        self._tell("button", press.club, sequence, truth, press.at_ns)

    # -- contacts ------------------------------------------------------------------------------

    def _field(self, t_ns: NDArray[np.int64]) -> FloatArray:
        """Depth of press by all contacts together."""
        grid = self.options.grid
        first, last = int(t_ns.min()), int(t_ns.max())
        total = np.zeros(np.broadcast_shapes(t_ns.shape, (1, 1, grid.rows, grid.cells)))
        for contact in self._contacts:
            begins, ends = contact.window_ns(grid)
            if begins > last:
                break
            if ends >= first:
                t_ms = (t_ns - contact.at_ns) / 1e6
                total += contact.load.pressed_mm(
                    grid, t_ms, semi_elliptic=self.options.faults.semi_elliptic
                )
        return total

    def _touch(self, contact: Contact) -> None:
        """Begin a contact: look whether it makes a record, unless an earlier one covers it."""
        self._events_left -= 1
        first_ns, last_ns = contact.window_ns(self.options.grid)
        got = None
        missed = "covered"
        if last_ns > self._armed_ns:
            missed = "too light"
            got = self._capture.run(
                self._armed_ns, first_ns, last_ns, self.trigger_level, self._field
            )
        if got is None:
            truth = contact.truth | {"missed": missed}
            self._tell(contact.kind, contact.club, None, truth, contact.at_ns)
            self._forget()
            return
        self._armed_ns = got.armed_ns
        self._events_left += 1
        self._at(
            max(self.now_ns, got.closed_ns), partial(self._complete, self.boot_id, got, contact)
        )

    def _complete(self, boot: int, got: Captured, contact: Contact | None) -> None:
        """Close a record: give it its number, keep it, send it."""
        kind, club, at_ns = "noise", "", got.trigger_ns
        truth: Truth = {}
        if contact is not None:
            self._events_left -= 1
            self._forget()
            kind, club, at_ns, truth = contact.kind, contact.club, contact.at_ns, contact.truth
        if boot != self.boot_id:
            self._tell(kind, club, None, truth | {"missed": "restart"}, at_ns)
            return
        sequences = [self._add(kept) for kept in self._as_records(got)]
        if len(sequences) > 1:
            truth = truth | {"records": len(sequences)}
        self._tell(kind, club, sequences[0], truth, at_ns)

    def _forget(self) -> None:
        """Drop contacts that are over: the field need not look at them again."""
        grid = self.options.grid
        over_ns = min(self.now_ns, self._armed_ns)
        self._contacts = [c for c in self._contacts if c.window_ns(grid)[1] > over_ns]

    def _as_records(self, got: Captured) -> list[Kept]:
        if self.options.form == "scans":
            ticks = np.array([self.ticks(int(t)) for t in got.scan_ns], dtype=np.uint32)
            return [Kept("strike", self.ticks(got.trigger_ns), flags=got.flags,
                         span_ticks=self._span(got.trigger_ns, got.span_ns), scan_ticks=ticks,
                         counts=got.counts, compact=self.options.compact)]  # fmt: skip
        grid = self.options.grid
        if self.options.form == "stream":
            return [self._reading(sums) for sums in streamed(got, grid)]
        return [self._reading(summed_up(got, grid, self._capture.period_ns))]

    def _span(self, from_ns: int, span_ns: int) -> int:
        return (self.ticks(from_ns + span_ns) - self.ticks(from_ns)) % 2**32

    def _reading(self, sums: Sums) -> Kept:
        return Kept("reading", self.ticks(sums.at_ns), flags=sums.flags, board_mm=sums.board_mm,
                    trail_mm=sums.trail_mm, pressure_counts=sums.pressure_counts,
                    span_ticks=self._span(sums.at_ns, sums.span_ns))  # fmt: skip

    def _plan_noise(self) -> None:
        """Find the next moment at which mere noise reaches the trigger level."""
        self._noise_seed += 1
        noise = self.options.faults.noise_counts
        if not self.options.noise_triggers or noise <= 0:
            return
        grid = self.options.grid
        # Rounding adds half a count of reach.
        chance = 0.5 * math.erfc((self.trigger_level - 0.5) / noise / math.sqrt(2))
        per_scan = -math.expm1(grid.rows * grid.cells * math.log1p(-min(chance, 1 - 1e-12)))
        rate_hz = per_scan * 1e9 / self._capture.period_ns
        if rate_hz < LEAST_NOISE_RATE_HZ:
            return
        wait_ns = int(self._rng.exponential(1 / rate_hz) * 1e9)
        seed = self._noise_seed
        self._at(max(self.now_ns, self._armed_ns) + wait_ns, partial(self._noise, seed))

    def _noise(self, seed: int) -> None:
        if seed != self._noise_seed:
            return
        if self.now_ns >= self._armed_ns:
            rules = self.options.rules
            since = (self.now_ns - self._armed_ns) // self._capture.period_ns
            got = self._capture.noise(self.now_ns, self.trigger_level, min(rules.pre_scans, since))
            self._armed_ns = got.armed_ns
            self._at(got.closed_ns, partial(self._complete, self.boot_id, got, None))
        self._plan_noise()

    # -- what it says --------------------------------------------------------------------------

    def _add(self, kept: Kept) -> int:
        sequence = self.records.add(kept)
        if self.host_seen:
            self._out += self._encoded(kept)
        return sequence

    def _encoded(self, kept: Kept) -> bytes:
        if self.options.form != "text":
            return self.records.frames(kept)
        return kept.text(bare=self.options.bare_text)

    def _hello(self) -> bytes:
        return self.options.hello(
            boot_id=self.boot_id, trigger_level=self.trigger_level,
            oldest_kept=self.records.oldest_kept, next_sequence=self.records.next_sequence,
        )  # fmt: skip

    def _status(self) -> bytes:
        noise = round(self.options.faults.noise_counts * 16)
        bad = self.decoder.bad_frames + self.decoder.unknown_frames
        # It warms up a little in its first quarter of an hour.
        warm = 215 + round(30 * -math.expm1(-self.now_ns / (900 * SECOND_NS)))
        return encode.status(
            ticks=self.ticks(self.now_ns), supply_mv=3900 if self.options.battery else 5020,
            temperature=warm, noise=min(noise, 65534), trigger_level=self.trigger_level,
            kept=min(len(self.records), 65535), dropped=self.records.dropped,
            bad_frames=min(bad, 65535), oldest_kept=self.records.oldest_kept,
            next_sequence=self.records.next_sequence,
        )  # fmt: skip

    def _each_second(self, boot: int) -> None:
        if boot != self.boot_id or self.options.form == "text":
            return
        self._out += self._status()
        self._at(self.now_ns + SECOND_NS, partial(self._each_second, boot))

    # -- what it hears -------------------------------------------------------------------------

    def receive(self, data: bytes) -> None:
        """Bytes from the host, in full at `now_ns`; answers leave with the next `advance`."""
        if self.options.form == "text":
            return
        for message in self.decoder.feed(data):
            self._obey(message, self.now_ns)

    def _obey(self, message: encode.FromHost, heard_ns: int) -> None:
        boot = self.boot_id

        def answer(make: Callable[[], bytes]) -> None:
            def send() -> None:
                if boot == self.boot_id:
                    self._out.extend(make())

            self._at(heard_ns + self.options.turnaround_ns, send)

        if message.kind == encode.ASK_HELLO:
            self.host_seen = True
            answer(self._hello)
        elif message.kind == encode.ASK_CLOCK:
            token, received = message.values[0], self.ticks(heard_ns)
            answer(lambda: encode.clock_reply(token=token, received_ticks=received,
                                              sent_ticks=self.ticks(self.now_ns)))  # fmt: skip
        elif message.kind == encode.SET_TRIGGER:
            self.trigger_level = min(message.values[0], self.options.sensing.full_scale)
            self._plan_noise()
            answer(self._status)
        elif message.values[0] == self.boot_id:
            sequence = message.values[1]
            if message.kind == encode.CONFIRM:
                self.records.confirm(sequence)
            else:
                answer(lambda: b"".join(map(self.records.frames, self.records.since(sequence))))

    def _tell(self, kind: str, club: str, sequence: int | None, truth: Truth, at_ns: int) -> None:
        """Write down what really happened; no sequence = it made no record."""
        head: Truth = {"kind": kind, "club": club, "boot_id": self.boot_id, "sequence": sequence,
                       "at_ns": at_ns, "ticks": self.ticks(at_ns)}  # fmt: skip
        self._on_truth(head | truth)


def _carry_counts(old: encode.HostDecoder) -> encode.HostDecoder:
    new = encode.HostDecoder()
    new.bad_frames, new.unknown_frames = old.bad_frames, old.unknown_frames
    return new
