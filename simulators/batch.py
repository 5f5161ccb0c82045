"""Thousands of strikes at once as arrays, with their truth beside them: for benchmarks."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from simulators.clubs import Club
from simulators.player import Player
from simulators.sole import FloatArray, Grid, Number, Pass, Sole, lowest_point_mm, pressed_mm
from simulators.strip import CellFaults, Counts, Scanning, Sensing, Strip

_Whole = TypeVar("_Whole", Sole, Pass)

# Strikes worked out together: bounds the memory (500 * 40 scans * 64 cells * 4 points * 8 bytes
# is 41 MB a temporary).
CHUNK = 500


@dataclass(frozen=True, kw_only=True)
class Rig:
    """The board that the strikes fall on."""

    grid: Grid = field(default_factory=Grid)
    scanning: Scanning = field(default_factory=Scanning)
    sensing: Sensing = field(default_factory=Sensing)
    faults: CellFaults = field(default_factory=CellFaults)
    tick_hz: int = 1_000_000
    pre_scans: int = 8
    # False: all strikes fall on one board; True: each on another with gains and rests of its own.
    board_each: bool = False


@dataclass(frozen=True)
class StrikeTruth:
    """What was really done, each of shape (n,); lengths mm, angles degrees, board frame."""

    c_mm: FloatArray
    lie_error_deg: FloatArray
    depth_mm: FloatArray
    trail_mm: FloatArray
    speed_mm_per_ms: FloatArray
    camber_mm: FloatArray
    length_mm: FloatArray
    width_mm: FloatArray
    front_back_radius_mm: FloatArray
    # Lowest point of the sole at this lie error, from the sole's middle, toe positive.
    toe_mm: FloatArray
    # The same on the board.
    board_mm: FloatArray
    # When the middle of the sole was over row 0, ticks from the first scan, not wrapped.
    over_row_ticks: FloatArray
    hand: int


@dataclass(frozen=True)
class Batch:
    """What n boards would have sent: raw counts and the ticks of each scan's first cell."""

    # (n, scans, rows, cells), raw: rest is not subtracted; the first `pre_scans` are before.
    counts: Counts
    # (n, scans), u32 as sent.
    ticks: NDArray[np.uint32]
    truth: StrikeTruth
    rig: Rig
    strip: Strip
    pre_scans: int


def _draw(rng: np.random.Generator, n: int, low: float, high: float) -> FloatArray:
    return np.asarray(rng.uniform(low, high, n))


def random_passes(rng: np.random.Generator, n: int, hand: int = 1) -> Pass:
    """Swings with no player behind them: everything uniform over what is met at a mat."""
    return Pass(
        c_mm=rng.normal(0.0, 6.0, n), lie_error_deg=_draw(rng, n, -4.0, 4.0),
        depth_mm=_draw(rng, n, 1.0, 3.2), trail_mm=_draw(rng, n, -5.0, 5.0),
        speed_mm_per_ms=_draw(rng, n, 25.0, 45.0), low_point_mm=_draw(rng, n, -15.0, 15.0),
        hand=hand,
    )  # fmt: skip


def many_strikes(
    rng: np.random.Generator,
    n: int,
    *,
    sole: Sole | None = None,
    swings: Pass | None = None,
    rig: Rig | None = None,
) -> Batch:
    """Make n strikes.

    Parameters
    ----------
    rng : numpy.random.Generator
        All chance comes from here.
    n : int
        How many strikes.
    sole, swings : Sole, Pass
        Fields are numbers or arrays of shape (n,). Without `swings`: `random_passes`.
    rig : Rig
        Board, its scanning and its faults.

    Returns
    -------
    Batch
        Counts, ticks and truth. All strikes have the same number of scans: as many as the slowest
        and widest of them needs to come and go, and `pre_scans` before.
    """
    sole = sole or Sole()
    rig = rig or Rig()
    swings = swings or random_passes(rng, n)
    sole = replace(sole, **{name: _full(getattr(sole, name), n) for name in vars(sole)})
    many = {name: _full(getattr(swings, name), n) for name in vars(swings) if name != "hand"}
    swings = replace(swings, **many)  # type: ignore[arg-type]
    grid = rig.grid
    strip = Strip.build(rng, grid, rig.sensing, rig.faults, boards=n if rig.board_each else 1)

    reach = _array(sole.width_mm) / 2 + grid.row_width_mm / 2
    first_ms = -reach / _array(swings.speed_mm_per_ms)
    last_ms = (reach + grid.row_middles_mm[-1]) / _array(swings.speed_mm_per_ms)
    period_ms = rig.scanning.period_ns(grid) / 1e6
    scans = rig.pre_scans + int(np.ceil((last_ms - first_ms).max() / period_ms)) + 3
    # The scan grid runs freely: the contact begins anywhere within a period.
    lead_ms = (rig.pre_scans + rng.uniform(0.0, 1.0, n)) * period_ms
    scan_ms = np.arange(scans) * period_ms
    start_ms = first_ms - lead_ms
    offsets_ms = rig.scanning.offsets_ns(grid) / 1e6

    counts = np.empty((n, scans, grid.rows, grid.cells), dtype=np.uint16)
    for begin in range(0, n, CHUNK):
        part = slice(begin, min(n, begin + CHUNK))
        t_ms = (start_ms[part, None] + scan_ms)[:, :, None, None] + offsets_ms
        pressed = np.zeros(t_ms.shape)
        # All of the first scans are over before the contact begins.
        pressed[:, rig.pre_scans :] = pressed_mm(
            _cut(sole, part), _cut(swings, part), grid, t_ms[:, rig.pre_scans :],
            semi_elliptic=rig.faults.semi_elliptic,
        )  # fmt: skip
        size = part.stop - part.start
        some = (
            replace(strip, gain=strip.gain[part], rest=strip.rest[part])
            if rig.board_each
            else strip
        )
        load = some.load_counts(pressed, t_ms, strip.memory(size))
        counts[part] = some.to_counts(load, some.rest, rng)

    base = rng.integers(0, 2**32, n)
    period_ns = rig.scanning.period_ns(grid)
    elapsed = np.arange(scans, dtype=np.int64) * period_ns * rig.tick_hz // 1_000_000_000
    ticks = ((base[:, None] + elapsed[None, :]) % 2**32).astype(np.uint32)
    toe = np.asarray(lowest_point_mm(sole, swings.lie_error_deg))
    c_mm = _array(swings.c_mm)
    truth = StrikeTruth(
        c_mm, _array(swings.lie_error_deg), _array(swings.depth_mm), _array(swings.trail_mm),
        _array(swings.speed_mm_per_ms), _array(sole.camber_mm), _array(sole.length_mm),
        _array(sole.width_mm), _array(sole.front_back_radius_mm), toe, c_mm + swings.hand * toe,
        -start_ms * rig.tick_hz / 1e3, swings.hand,
    )  # fmt: skip
    return Batch(counts, ticks, truth, rig, strip, rig.pre_scans)


def club_strikes(
    rng: np.random.Generator,
    player: Player,
    club: Club,
    n: int,
    *,
    rig: Rig | None = None,
    swings_before: int = 0,
) -> tuple[Batch, NDArray[np.bool_]]:
    """Make n strikes of one player with one club, tiring as they go.

    Returns
    -------
    Batch
        As `many_strikes`.
    ndarray of bool, shape (n,)
        Which of them were mishits.
    """
    drawn = [player.swing(rng, club, swings_before + i) for i in range(n)]
    names = [name for name in vars(drawn[0][0]) if name != "hand"]
    each = {name: np.array([float(getattr(s, name)) for s, _ in drawn]) for name in names}
    swings = replace(drawn[0][0], **each)  # type: ignore[arg-type]
    batch = many_strikes(rng, n, sole=club.sole, swings=swings, rig=rig)
    return batch, np.array([mishit for _, mishit in drawn])


def _array(value: Number) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def _full(value: Number, n: int) -> FloatArray:
    return np.broadcast_to(_array(value), (n,)).copy()


def _cut(whole: _Whole, part: slice) -> _Whole:
    """Take the strikes `part` of a Sole or Pass whose fields are arrays."""
    cut = {k: v[part] for k, v in vars(whole).items() if isinstance(v, np.ndarray)}
    return replace(whole, **cut)  # type: ignore[arg-type]
