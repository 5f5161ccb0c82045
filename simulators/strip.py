"""The strip of cells: depth of press in, counts out, with what real cells add of their own."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulators.sole import FloatArray, Grid

Counts = NDArray[np.uint16]


@dataclass(frozen=True, kw_only=True)
class Scanning:
    """How a board samples its cells."""

    # As in hello: 0 cell by cell and row after row, 1 all rows of a cell together, 2 all at once.
    scan_order: int = 0
    # From one sample to the next: a converter and a multiplexer that has to settle.
    sample_ns: int = 2_000
    # Between the last sample of a scan and the first of the next.
    pause_ns: int = 10_000

    def offsets_ns(self, grid: Grid) -> NDArray[np.int64]:
        """When each cell is sampled after the scan's start, shape (rows, cells)."""
        shape = (grid.rows, grid.cells)
        if self.scan_order == 2:
            return np.zeros(shape, dtype=np.int64)
        if self.scan_order == 1:
            return np.broadcast_to(np.arange(grid.cells) * self.sample_ns, shape).astype(np.int64)
        return (np.arange(grid.rows * grid.cells) * self.sample_ns).reshape(shape).astype(np.int64)

    def period_ns(self, grid: Grid) -> int:
        """From the start of a scan to the start of the next."""
        samples = {0: grid.rows * grid.cells, 1: grid.cells, 2: 1}[self.scan_order]
        # Sampling all at one moment still has to be read out.
        readout = grid.rows * grid.cells * self.sample_ns // 2 if self.scan_order == 2 else 0
        return samples * self.sample_ns + readout + self.pause_ns


@dataclass(frozen=True, kw_only=True)
class CellFaults:
    """What separates a real strip from the ideal one; all zero by `CellFaults.none()`.

    Spread of gain 5 to 22 % and hysteresis 5 to 15 % are what force-sensing film shows (J. Sensors
    2018, 6561901, tables 4 and 5, for repeatability; typical ranges for hysteresis from memory).
    """

    gain_spread: float = 0.07
    rest_spread_counts: float = 12.0
    # Widest part of the loop between loading and unloading, as a share of the peak.
    hysteresis: float = 0.08
    # Share of the peak that the cover keeps after the load, and how fast it lets go of it.
    creep: float = 0.0
    creep_ms: float = 30.0
    # Share of a cell's load that the cover hands to each neighbour.
    neighbour_share: float = 0.05
    # A cell's response flattens: share missing at full scale.
    flattening: float = 0.03
    noise_counts: float = 1.5
    drift_counts_per_hour: float = 4.0
    # Flat indices (row * cells + cell) of cells that never answer, or always read full scale.
    dead_cells: tuple[int, ...] = ()
    stuck_cells: tuple[int, ...] = ()
    semi_elliptic: bool = False

    @classmethod
    def none(cls, noise_counts: float = 0.0) -> CellFaults:
        """Make a strip without faults, but for the noise asked for."""
        return cls(
            gain_spread=0.0, rest_spread_counts=0.0, hysteresis=0.0, neighbour_share=0.0,
            flattening=0.0, noise_counts=noise_counts, drift_counts_per_hour=0.0,
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Sensing:
    """Scale of the counts."""

    full_scale: int = 4095
    counts_per_mm: float = 900.0
    rest_counts: float = 60.0
    # A resistor below each cell, ohm, the film above it; 0 = cells read their load itself. The film
    # has these resistances at rest and where the cover is pressed in 3 mm.
    divider_ohm: float = 0.0
    film_rest_ohm: float = 50e3
    film_pressed_ohm: float = 1e3
    # Of load, to give conductance.
    film_power: float = 1.0

    def read_over_divider(self, load_counts: FloatArray) -> FloatArray:
        """Work out the converter's value of films under these loads (straight counts, no rest)."""
        hard = 3.0 * self.counts_per_mm
        rest, pressed = 1 / self.film_rest_ohm, 1 / self.film_pressed_ohm
        share = np.maximum(load_counts, 0.0) / hard
        film_ohm = 1 / (rest + (pressed - rest) * share**self.film_power)
        return np.asarray(self.full_scale * self.divider_ohm / (self.divider_ohm + film_ohm))


@dataclass
class Memory:
    """What the cells remember within one contact: their greatest load so far, and when."""

    greatest: FloatArray
    since_ms: FloatArray


@dataclass
class Strip:
    """Cells of one board, or of `boards` boards when many strikes are made at once.

    The arrays have shape (boards, rows, cells).
    """

    grid: Grid
    sensing: Sensing
    faults: CellFaults
    gain: FloatArray
    rest: FloatArray
    drift_per_hour: FloatArray
    _kept_counts: FloatArray = field(init=False)
    _kept_at_ns: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        self._kept_counts = np.zeros_like(self.rest)

    @classmethod
    def build(
        cls, rng: np.random.Generator, grid: Grid, sensing: Sensing, faults: CellFaults,
        boards: int = 1,
    ) -> Strip:  # fmt: skip
        """Draw the spread of the cells."""
        shape = (boards, grid.rows, grid.cells)
        # Lognormal, so that a wide spread cannot turn a gain negative.
        gain = np.exp(rng.normal(0.0, faults.gain_spread, shape))
        rest = sensing.rest_counts + rng.normal(0.0, faults.rest_spread_counts, shape)
        if sensing.divider_ohm:
            rest += float(sensing.read_over_divider(np.zeros(1))[0]) - sensing.rest_counts
        drift = rng.normal(0.0, faults.drift_counts_per_hour, shape)
        flat_gain = gain.reshape(boards, -1)
        flat_rest = np.clip(rest, 5.0, None).reshape(boards, -1)
        flat_gain[:, [*faults.dead_cells, *faults.stuck_cells]] = 0.0
        flat_rest[:, list(faults.stuck_cells)] = sensing.full_scale + 50.0
        return cls(grid, sensing, faults, flat_gain.reshape(shape), flat_rest.reshape(shape), drift)

    def rest_counts(self, t_ns: int) -> FloatArray:
        """Rest level now: the cell's own, its drift, and what the last contact left behind."""
        hours = t_ns / 3.6e12
        age_ms = (t_ns - self._kept_at_ns) / 1e6
        kept = self._kept_counts * np.exp(-max(0.0, age_ms) / self.faults.creep_ms)
        # A converter shows nothing below zero: a cell that drifts there rests at zero. (Else its
        # load would never seem to end, and a board never record again.)
        drifted = self.rest + self.drift_per_hour * hours + kept
        return np.asarray(np.maximum(drifted, 0.0))

    def memory(self, n: int = 1) -> Memory:
        """Cells that have been at rest for long."""
        shape = (n, self.grid.rows, self.grid.cells)
        return Memory(np.zeros(shape), np.full(shape, -1e9))

    def load_counts(self, pressed_mm: FloatArray, t_ms: FloatArray, memory: Memory) -> FloatArray:
        """Work out counts above rest, (n, scans, rows, cells), no noise; `memory` moves on."""
        faults = self.faults
        load = _spread(pressed_mm, faults.neighbour_share) * self.sensing.counts_per_mm
        before = memory.greatest[:, None]
        greatest = np.maximum.accumulate(np.concatenate([before, load], axis=1), axis=1)
        grew = np.diff(greatest, axis=1) > 0
        greatest = greatest[:, 1:]
        times = np.broadcast_to(t_ms, load.shape)
        stamped = np.concatenate([memory.since_ms[:, None], np.where(grew, times, -1e9)], axis=1)
        since = np.maximum.accumulate(stamped, axis=1)[:, 1:]
        memory.greatest, memory.since_ms = greatest[:, -1].copy(), since[:, -1].copy()

        share = np.divide(load, greatest, out=np.ones_like(load), where=greatest > 0)
        # Unloading runs above loading; the loop is closed at both of its ends and widest half-way.
        signal = load + 4 * faults.hysteresis * share * (1 - share) * greatest
        if faults.creep:
            kept = faults.creep * greatest * np.exp(-(times - since) / faults.creep_ms)
            signal = np.maximum(signal, kept)
        signal = signal * self.gain[:, None]
        signal = np.asarray(signal * (1 - faults.flattening * signal / self.sensing.full_scale))
        if not self.sensing.divider_ohm:
            return signal
        read = self.sensing.read_over_divider(signal)
        return np.asarray(read - self.sensing.read_over_divider(np.zeros(1)))

    def to_counts(
        self, load_counts: FloatArray, rest: FloatArray, rng: np.random.Generator
    ) -> Counts:
        """Add rest and noise, round and clip: what the converter gives."""
        noise = self.faults.noise_counts
        value = rest[:, None] + load_counts
        if noise:
            value = value + rng.normal(0.0, noise, load_counts.shape)
        return np.clip(np.rint(value), 0, self.sensing.full_scale).astype(np.uint16)

    def let_go(self, memory: Memory, t_ns: int) -> None:
        """End a contact: keep what the cover has not yet given back."""
        if self.faults.creep:
            age_ms = (t_ns - self._kept_at_ns) / 1e6
            left = self._kept_counts * np.exp(-max(0.0, age_ms) / self.faults.creep_ms)
            self._kept_counts = left + self.faults.creep * memory.greatest * self.gain
            self._kept_at_ns = t_ns


def _spread(load: FloatArray, share: float) -> FloatArray:
    """Hand a share of each cell's load to its neighbours; at the strip's ends it is gone."""
    if not share:
        return load
    out = (1 - 2 * share) * load
    out[..., 1:] += share * load[..., :-1]
    out[..., :-1] += share * load[..., 1:]
    return np.asarray(out)
