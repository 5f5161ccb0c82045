"""How near the clock map comes to the truth, and how fast it is.

The toy is a board's clock seen through exponential delays: true offset 10 ms, skew 40 ppm, 1200
messages. Compared are the map, the linear programme of Moon, Skelly and Towsley (INFOCOM 1999)
solved by scipy, and least squares. Then links as they are, with exchanges, of known truth: how
often it lies inside the stated uncertainty. The last line is one line of JSON.

    python tests/benchmarks/clock.py
"""

from __future__ import annotations

import json
import time

import numpy as np
from scipy.optimize import linprog

from logger.protocol.clock import ClockMap

TICK_HZ = 1_000_000
TICK_RANGE = 1 << 32
OFFSET_MS, SKEW_PPM = 10.0, 40.0
# The default window is half the toy; as long as the toy, the map sees the same points as the
# others.
WINDOW_S = 1200.0


def toy(seed):
    rng = np.random.default_rng(seed)
    board_s = np.arange(1200) * 0.5
    delay_s = rng.exponential(0.004, 1200)
    return board_s, OFFSET_MS / 1e3 + board_s * (1 + SKEW_PPM * 1e-6) + delay_s


def by_map(board_s, host_s):
    clock = ClockMap(TICK_HZ, window_s=WINDOW_S)
    for board, host in zip(board_s, host_s, strict=True):
        clock.feed(round(board * TICK_HZ) % TICK_RANGE, round(host * 1e9))
    estimate = clock.estimate()
    return estimate.offset_ns / 1e6, estimate.drift_ppm


def by_linear_programme(board_s, host_s):
    n = len(board_s)
    found = linprog(
        [-n, -board_s.sum()],
        A_ub=np.c_[np.ones(n), board_s],
        b_ub=host_s - board_s,
        bounds=[(None, None)] * 2,
    )
    return found.x[0] * 1e3, found.x[1] * 1e6


def by_least_squares(board_s, host_s):
    skew, offset = np.polyfit(board_s, host_s - board_s, 1)
    return offset * 1e3, skew * 1e6


def rms_errors(method, seeds):
    errors = np.array([method(*toy(seed)) for seed in seeds]) - (OFFSET_MS, SKEW_PPM)
    return np.sqrt(np.mean(errors**2, axis=0))


def usb_delay_ns(rng):
    return 2e5 + rng.uniform(0, 1e6) + (rng.exponential(5e6) if rng.random() < 0.1 else 0)


def ble_delay_ns(rng):
    return 3e6 + rng.uniform(0, 30e6) + (30e6 * rng.geometric(0.5) if rng.random() < 0.1 else 0)


def coverage(delay_ns, seed, ppm):
    """Errors and stated uncertainties of messages asked about as they come, ns, shape (n, 2)."""
    rng = np.random.default_rng(seed)
    clock = ClockMap(TICK_HZ)

    def ticks(host_ns):
        return round(host_ns / 1e9 * TICK_HZ * (1 - ppm * 1e-6)) % TICK_RANGE

    out, now_ns, arrived_ns = [], 0.0, 0
    for n in range(600):
        now_ns += rng.uniform(0.5, 1.5) * 1e9
        arrived_ns = max(int(now_ns + delay_ns(rng)), arrived_ns)
        clock.feed(ticks(now_ns), arrived_ns)
        reading = clock.to_host_ns(ticks(now_ns), arrived_ns)
        out.append((reading.host_ns - now_ns, reading.uncertainty_ns))
        if n % 10 == 0:
            sent_ns = arrived_ns + 1000
            got_ns = sent_ns + delay_ns(rng)
            arrived_ns = int(got_ns + 2e5 + delay_ns(rng))
            clock.feed_exchange(sent_ns, ticks(got_ns), ticks(got_ns + 2e5), arrived_ns)
        now_ns = max(now_ns, arrived_ns)
    return out


def points_per_s(count=200_000):
    rng = np.random.default_rng(1)
    host_ns = np.cumsum(rng.integers(1, 20_000_000, count))
    arrivals = (host_ns + rng.exponential(4e6, count)).astype(np.int64).tolist()
    all_ticks = (host_ns // 1000 % TICK_RANGE).tolist()
    clock = ClockMap(TICK_HZ)
    start = time.perf_counter()
    for ticks, arrival in zip(all_ticks, arrivals, strict=True):
        clock.feed(ticks, arrival)
    fed = count / (time.perf_counter() - start)
    asked = 2000
    start = time.perf_counter()
    for ticks, arrival in zip(all_ticks[-asked:], arrivals[-asked:], strict=True):
        clock.feed(ticks, arrivals[-1])
        clock.to_host_ns(ticks, arrival)
    return fed, asked / (time.perf_counter() - start)


def main():
    seeds = range(50)
    result = {}
    for name, method in (
        ("map", by_map),
        ("linear_programme", by_linear_programme),
        ("least_squares", by_least_squares),
    ):
        offset, skew = method(*toy(0))
        rms_offset, rms_skew = rms_errors(method, seeds)
        print(
            f"{name:17} seed 0: {offset:.4f} ms {skew:.5f} ppm, RMS error of {len(seeds)} seeds: "
            f"{rms_offset * 1e3:.2f} us {rms_skew:.5f} ppm"
        )
        result[name] = {
            "offset_ms": round(offset, 5),
            "skew_ppm": round(skew, 5),
            "rms_offset_us": round(rms_offset * 1e3, 3),
            "rms_skew_ppm": round(rms_skew, 5),
        }
    for name, delay_ns in (("usb", usb_delay_ns), ("ble", ble_delay_ns)):
        pairs = [coverage(delay_ns, seed, ppm) for seed, ppm in enumerate((-200, -40, 0, 90, 200))]
        error, uncertainty = np.concatenate(pairs).T
        result[name] = {
            "coverage": round(float(np.mean(np.abs(error) <= uncertainty)), 4),
            "rms_error_ms": round(float(np.sqrt(np.mean(error**2))) / 1e6, 3),
            "median_uncertainty_ms": round(float(np.median(uncertainty)) / 1e6, 3),
        }
        print(name, result[name])
    fed, asked = points_per_s()
    result["points_per_s"] = round(fed)
    result["feed_and_ask_per_s"] = round(asked)
    print(json.dumps(result))


if __name__ == "__main__":
    main()
