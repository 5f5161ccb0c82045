"""How long metres per degree take for a set, how exact the flight is, and what comes out.

A set of invented clubs is asked for, after the first call (which imports scipy's
integrator). The flight is held against one with a thousand times the strictness. The last line is
one line of JSON.

    python tests/benchmarks/shot.py
"""

from __future__ import annotations

import json
import time

import numpy as np

from analysis.conventions import Hand
from analysis.flight import trajectory
from analysis.flight.aside import metres_aside
from analysis.flight.trajectory import Launch, fly

CLUBS = (
    ("4", 22.0, 977.9),
    ("5", 25.0, 965.2),
    ("6", 28.5, 952.5),
    ("7", 32.5, 939.8),
    ("8", 36.5, 927.1),
    ("9", 41.0, 914.4),
    ("P", 46.0, 901.7),
    ("S", 56.0, 889.0),
)


def exactness_m():
    shots = Launch(
        np.linspace(30, 55, 16), np.linspace(35, 12, 16), np.linspace(8e3, 4e3, 16), 1, 3
    )
    usual = fly(shots)
    tolerance, trajectory._TOLERANCE = trajectory._TOLERANCE, 1e-10
    strict = fly(shots)
    trajectory._TOLERANCE = tolerance
    return max(
        float(np.abs(usual.carry_m - strict.carry_m).max()),
        float(np.abs(usual.side_m - strict.side_m).max()),
    )


def main():
    labels, lofts, lengths = zip(*CLUBS, strict=True)
    start = time.perf_counter()
    metres_aside(lofts, lengths, hand=Hand.RIGHT)
    first_ms = (time.perf_counter() - start) * 1e3
    wall = []
    for _ in range(25):
        began = time.perf_counter()
        found = metres_aside(lofts, lengths, hand=Hand.RIGHT)
        wall.append(time.perf_counter() - began)
    print(
        json.dumps(
            {
                "first_call_ms": round(first_ms, 1),
                "set_median_ms": round(float(np.median(wall)) * 1e3, 2),
                "set_best_ms": round(min(wall) * 1e3, 2),
                "flight_error_m": float(f"{exactness_m():.1e}"),
                "m_per_deg": dict(zip(labels, found.round(2).tolist(), strict=True)),
            }
        )
    )


if __name__ == "__main__":
    main()
