"""What a bad line may do, and what it never does."""

from __future__ import annotations

import numpy as np
import pytest

from simulators.faults import FaultyLine, Timing, parse_spec

DATA = bytes(range(256)) * 40


def through(spec, chunks, seed=0):
    rng = np.random.default_rng(seed)
    faults, timing = parse_spec(spec, rng)
    line = FaultyLine(rng, faults, timing)
    arrived = []
    for now_ns, chunk in chunks:
        line.push(now_ns, chunk)
        arrived += [(now_ns, piece) for piece in line.pop(now_ns)]
    return line, arrived


def pieces(step=100):
    return [(i * 1000, DATA[i : i + step]) for i in range(0, len(DATA), step)]


def test_cutting_up_and_putting_together_lose_nothing():
    for spec in ("", "split=7", "merge=0.4,split=9"):
        _, arrived = through(spec, [*pieces(), (10**9, b"end")])
        joined = b"".join(piece for _, piece in arrived)
        # The last chunk may still be held back.
        assert (DATA + b"end").startswith(joined)
        assert len(joined) >= len(DATA) - 1000
    assert max(len(p) for _, p in through("split=7", pieces())[1]) <= 7
    assert max(len(p) for _, p in through("merge=0.6", pieces())[1]) > 100


@pytest.mark.parametrize(
    ("spec", "longer"), [("lose=0.05", -0.05), ("double=0.05", 0.05), ("flip=0.05", 0.0)]
)
def test_bytes_are_lost_doubled_and_flipped_as_often_as_asked(spec, longer):
    _, arrived = through(spec, [(0, DATA)])
    joined = b"".join(piece for _, piece in arrived)
    # 10240 bytes: five standard deviations are 110.
    assert len(joined) - len(DATA) == pytest.approx(longer * len(DATA), abs=110 if longer else 0)
    assert joined != DATA
    if not longer:
        changed = [a ^ b for a, b in zip(joined, DATA, strict=True) if a != b]
        assert len(changed) == pytest.approx(0.05 * len(DATA), abs=110)
        assert all(bin(x).count("1") == 1 for x in changed)


def test_garbage_comes_before_and_cuts_come_off_the_end():
    _, arrived = through("garbage=1", [(0, b"frame")])
    assert arrived[0][1].endswith(b"frame")
    assert len(arrived[0][1]) > 5
    _, arrived = through("cut=1", [(0, b"frame")])
    assert b"frame".startswith(arrived[0][1])
    assert arrived[0][1] != b"frame"


def test_late_but_never_early_and_never_out_of_order():
    rng = np.random.default_rng(1)
    faults, timing = parse_spec("delay=5,jitter=8", rng)
    line = FaultyLine(rng, faults, timing)
    late = []
    expected = []
    for i in range(500):
        now_ns = i * 1_000_000
        line.push(now_ns, bytes([i % 256]))
        expected.append(bytes([i % 256]))
        while (due := line.next_due_ns()) is not None and due <= now_ns:
            late.append((due, line.pop(due)))
    late.append((10**12, line.pop(10**12)))
    got = [piece for _, pieces in late for piece in pieces]
    assert got == expected
    arrival = [due for due, pieces in late for _ in pieces]
    assert all(at - i * 1_000_000 >= 5_000_000 for i, at in enumerate(arrival))


def test_a_slow_line_takes_its_time():
    line, arrived = through("rate=11520", [(0, bytes(1152))])
    assert arrived == []
    assert line.next_due_ns() == 100_000_000


def test_silence_swallows_and_ends():
    chunks = [(second * 10**9, b"x") for second in range(10)]
    _, arrived = through("silence=4:2", chunks)
    assert [at // 10**9 for at, _ in arrived] == [0, 1, 2, 3, 6, 7]
    line = FaultyLine(np.random.default_rng(0), (), Timing(), silent_until_ns=5)
    line.push(4, b"lost")
    line.push(5, b"kept")
    assert line.pop(10) == [b"kept"]


@pytest.mark.parametrize("spec", ["lose=2", "fly=1", "delay=-1", "drop=3", "split=x", "flip"])
def test_a_spec_that_cannot_be_read_is_named(spec):
    with pytest.raises(ValueError, match=spec):
        parse_spec(spec, np.random.default_rng(0))
