"""A board's clock and a link's delays, made up from distributions and a seed."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

TICK_RANGE = 1 << 32


def usb_delay(rng):
    """Polled each millisecond, and now and then held up by the host, ns."""
    held_up = rng.exponential(5e6) if rng.random() < 0.1 else 0.0
    return 2e5 + rng.uniform(0, 1e6) + held_up


def ble_delay(rng):
    """A connection interval of 30 ms, and now and then a few missed ones, ns."""
    missed = 30e6 * rng.geometric(0.5) if rng.random() < 0.1 else 0.0
    return 3e6 + rng.uniform(0, 30e6) + missed


DELAYS = {
    "exponential": lambda rng: rng.exponential(4e6),
    "gamma of shape 2": lambda rng: rng.gamma(2, 5e6),
    "USB": usb_delay,
    "BLE": ble_delay,
}


class Board:
    """Ticks as a function of the host's time, both known exactly here."""

    def __init__(self, ppm, start_ticks, tick_hz=1_000_000, wander_s=None):
        self.rate = tick_hz * (1 - ppm * 1e-6)
        self.start_ticks = start_ticks
        self.tick_hz = tick_hz
        self.wander_s = wander_s or (lambda host_s: 0.0)

    def unwrapped(self, host_ns):
        host_s = host_ns / 1e9
        extra = self.wander_s(host_s) * self.tick_hz
        return self.start_ticks + round(host_s * self.rate + extra)

    def ticks(self, host_ns):
        return self.unwrapped(host_ns) % TICK_RANGE


def play(clock, board, delay, rng, *, duration_s, base_ns=0, every_s=1.0, exchange_every=10):
    """Feed ``clock`` as a collector would, and ask it at once and again at the end.

    ``delay`` is one function, or one for the way to the board and one for the way back.
    Host times start at ``base_ns``, as an uptime would.
    """
    out, back = delay if isinstance(delay, tuple) else (delay, delay)
    moments, now_ns, arrived_ns, number = [], 0.0, 0, 0
    live = []
    while now_ns < duration_s * 1e9:
        now_ns += every_s * rng.uniform(0.5, 1.5) * 1e9
        number += 1
        # A link keeps the order of its bytes.
        arrived_ns = max(int(now_ns + back(rng)), arrived_ns)
        ticks = board.ticks(now_ns)
        clock.feed(ticks, base_ns + arrived_ns)
        if exchange_every and number % exchange_every == 1:
            sent_ns = arrived_ns + 1000
            got_ns = sent_ns + out(rng)
            answered_ns = got_ns + 2e5
            arrived_ns = int(answered_ns + back(rng))
            assert clock.feed_exchange(
                base_ns + sent_ns,
                board.ticks(got_ns),
                board.ticks(answered_ns),
                base_ns + arrived_ns,
            )
        reading = clock.to_host_ns(ticks, base_ns + arrived_ns)
        live.append((reading.host_ns - base_ns - now_ns, reading.uncertainty_ns))
        moments.append((ticks, arrived_ns, now_ns))
        now_ns = max(now_ns, arrived_ns)
    later = []
    for ticks, arrived, true_ns in moments:
        reading = clock.to_host_ns(ticks, base_ns + arrived)
        later.append((reading.host_ns - base_ns - true_ns, reading.uncertainty_ns))
    return SimpleNamespace(live=np.array(live), later=np.array(later), moments=moments)


@pytest.fixture
def world():
    """What the simulations are made of."""
    return SimpleNamespace(Board=Board, DELAYS=DELAYS, play=play)
