"""What a bad line does to bytes, as plug-ins: `bytes -> list[bytes]`, or later than they should.

`FaultyLine` puts them in a row between a board and its end of the line, on virtual time. Bytes may
be changed, lost, doubled, cut up, put together or late; they never overtake one another and never
arrive before they were sent.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

Fault = Callable[[bytes], list[bytes]]


def split(rng: np.random.Generator, largest: int) -> Fault:
    """Pieces of 1 to `largest` bytes: a frame over several notifications."""

    def fault(data: bytes) -> list[bytes]:
        pieces, start = [], 0
        while start < len(data):
            size = int(rng.integers(1, largest + 1))
            pieces.append(data[start : start + size])
            start += size
        return pieces

    return fault


def merge(rng: np.random.Generator, chance: float) -> Fault:
    """Hold a chunk back, with `chance`, and let it go together with the next."""
    held = bytearray()

    def fault(data: bytes) -> list[bytes]:
        held.extend(data)
        if rng.random() < chance:
            return []
        whole = bytes(held)
        held.clear()
        return [whole]

    return fault


def garbage(rng: np.random.Generator, chance: float, largest: int = 40) -> Fault:
    """Before a chunk, with `chance`, up to `largest` bytes of anything."""

    def fault(data: bytes) -> list[bytes]:
        if rng.random() >= chance:
            return [data]
        return [rng.bytes(int(rng.integers(1, largest + 1))) + data]

    return fault


def flip(rng: np.random.Generator, chance: float) -> Fault:
    """Turn one bit of a byte, with `chance` for each byte."""

    def fault(data: bytes) -> list[bytes]:
        array = np.frombuffer(data, dtype=np.uint8).copy()
        hit = rng.random(len(array)) < chance
        array[hit] ^= (1 << rng.integers(0, 8, int(hit.sum()))).astype(np.uint8)
        return [array.tobytes()]

    return fault


def lose(rng: np.random.Generator, chance: float) -> Fault:
    """Leave out a byte, with `chance` for each."""

    def fault(data: bytes) -> list[bytes]:
        array = np.frombuffer(data, dtype=np.uint8)
        return [array[rng.random(len(array)) >= chance].tobytes()]

    return fault


def double(rng: np.random.Generator, chance: float) -> Fault:
    """Send a byte twice, with `chance` for each."""

    def fault(data: bytes) -> list[bytes]:
        array = np.frombuffer(data, dtype=np.uint8)
        return [np.repeat(array, 1 + (rng.random(len(array)) < chance)).tobytes()]

    return fault


def cut(rng: np.random.Generator, chance: float) -> Fault:
    """Break a chunk off in the middle, with `chance`, and lose the rest of it."""

    def fault(data: bytes) -> list[bytes]:
        if len(data) < 2 or rng.random() >= chance:
            return [data]
        return [data[: int(rng.integers(1, len(data)))]]

    return fault


@dataclass(frozen=True, kw_only=True)
class Timing:
    """When things arrive, and when nothing does. Times in ns."""

    delay_ns: int = 0
    # Exponential on top of the delay, so never early.
    jitter_ns: int = 0
    # 0 = no limit; else bytes leave one after another at this rate.
    bytes_per_s: float = 0.0
    # Each `every`: for `length` nothing gets through either way (silence), or the link is closed
    # and comes back (drop).
    silence_every_ns: int = 0
    silence_ns: int = 0
    drop_every_ns: int = 0
    drop_ns: int = 0

    def silent(self, now_ns: int) -> bool:
        """Whether the line is dead now."""
        every = self.silence_every_ns
        return every > 0 and now_ns >= every and now_ns % every < self.silence_ns


@dataclass
class FaultyLine:
    """Faults in a row, then the delay; one direction of a line."""

    rng: np.random.Generator
    faults: Sequence[Fault] = ()
    timing: Timing = field(default_factory=Timing)
    _queue: deque[tuple[int, bytes]] = field(default_factory=deque)
    _last_ns: int = 0
    # Extra silence on request, up to this moment.
    silent_until_ns: int = 0

    def push(self, now_ns: int, data: bytes) -> None:
        """Bytes leave the sender."""
        if not data or self.timing.silent(now_ns) or now_ns < self.silent_until_ns:
            return
        chunks = [data]
        for fault in self.faults:
            chunks = [piece for chunk in chunks for piece in fault(chunk)]
        for chunk in chunks:
            due_ns = now_ns + self.timing.delay_ns
            if self.timing.jitter_ns:
                due_ns += int(self.rng.exponential(self.timing.jitter_ns))
            due_ns = max(due_ns, self._last_ns)
            if self.timing.bytes_per_s:
                due_ns += int(len(chunk) / self.timing.bytes_per_s * 1e9)
            self._last_ns = due_ns
            if chunk:
                self._queue.append((due_ns, chunk))

    def pop(self, now_ns: int) -> list[bytes]:
        """Bytes that have arrived by now, chunk by chunk."""
        arrived = []
        while self._queue and self._queue[0][0] <= now_ns:
            arrived.append(self._queue.popleft()[1])
        return arrived

    def next_due_ns(self) -> int | None:
        """When the next chunk arrives."""
        return self._queue[0][0] if self._queue else None

    def clear(self) -> None:
        """Forget what is under way: the link is gone, and what was on it."""
        self._queue.clear()


_SPEC_HELP = (
    "comma-separated, in the order they act: split=N (pieces of 1..N bytes), merge=P, garbage=P, "
    "flip=P, lose=P, double=P, cut=P (chances), delay=MS, jitter=MS, rate=BYTES_PER_S, "
    "silence=EVERY_S:LENGTH_S, drop=EVERY_S:LENGTH_S"
)


def spec_help() -> str:
    """Say what a fault spec may contain, for a command's help."""
    return _SPEC_HELP


def parse_spec(spec: str, rng: np.random.Generator) -> tuple[list[Fault], Timing]:
    """Faults and timing from text, such as ``split=20,flip=1e-4,delay=5,drop=10:1``.

    Raises
    ------
    ValueError
        Names the part that cannot be read.
    """
    makers: dict[str, Callable[[np.random.Generator, float], Fault]] = {
        "merge": merge, "garbage": garbage, "flip": flip, "lose": lose, "double": double,
        "cut": cut,
    }  # fmt: skip
    faults: list[Fault] = []
    timing: dict[str, int] = {}
    rate = 0.0
    for part in filter(None, (p.strip() for p in spec.split(","))):
        name, _, value = part.partition("=")
        try:
            if name == "split":
                faults.append(split(rng, max(1, int(value))))
            elif name in makers:
                chance = float(value)
                if not 0 <= chance <= 1:
                    raise ValueError
                faults.append(makers[name](rng, chance))
            elif name in ("delay", "jitter"):
                timing[f"{name}_ns"] = _span_ns(value, 1e6)
            elif name == "rate":
                rate = float(value)
            elif name in ("silence", "drop"):
                every, _, length = value.partition(":")
                timing[f"{name}_every_ns"] = _span_ns(every, 1e9)
                timing[f"{name}_ns"] = _span_ns(length, 1e9)
            else:
                raise ValueError
        except ValueError:
            raise ValueError(f"cannot read the fault {part!r}; write {_SPEC_HELP}") from None
    return faults, Timing(**timing, bytes_per_s=rate)


def _span_ns(text: str, unit: float) -> int:
    value = float(text)
    if value < 0:
        raise ValueError
    return int(value * unit)
