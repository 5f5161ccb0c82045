"""What can press the strip: a swung sole, a resting head, a foot, the cover's own rebound."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from simulators.sole import FloatArray, Grid, Pass, Sole, crossing_ms, lowest_point_mm, pressed_mm


class Load(Protocol):
    """Something that presses the cells over a stretch of time around its own zero."""

    def window_ms(self, grid: Grid) -> tuple[float, float]:
        """First and last moment of load, ms from the contact's zero."""

    def pressed_mm(self, grid: Grid, t_ms: FloatArray, *, semi_elliptic: bool) -> FloatArray:
        """Depth of press, shape of `t_ms`: (1, scans, rows, cells)."""


@dataclass(frozen=True)
class SolePass:
    """A sole that passes over the strip: a strike, or slowly and lightly a waggle."""

    sole: Sole
    swing: Pass

    def window_ms(self, grid: Grid) -> tuple[float, float]:
        """From the first to the last moment over a row."""
        return crossing_ms(self.sole, self.swing, grid)

    def pressed_mm(self, grid: Grid, t_ms: FloatArray, *, semi_elliptic: bool) -> FloatArray:
        """As the physics of `simulators.sole` has it."""
        return pressed_mm(self.sole, self.swing, grid, t_ms, semi_elliptic=semi_elliptic)


@dataclass(frozen=True)
class HeldSole:
    """A head set down on the strip at address: pressed slowly, held, lifted."""

    sole: Sole
    swing: Pass
    hold_ms: float
    ramp_ms: float

    def window_ms(self, grid: Grid) -> tuple[float, float]:
        """From touch to lift."""
        return 0.0, self.hold_ms + 2 * self.ramp_ms

    def pressed_mm(self, grid: Grid, t_ms: FloatArray, *, semi_elliptic: bool) -> FloatArray:
        """Stand the sole over the rows' middle, its depth a trapezium in time."""
        middle = float(grid.row_middles_mm.mean())
        still = np.full((1, 1, grid.rows, grid.cells), middle / float(np.max(self._speed)))
        shape = pressed_mm(self.sole, self.swing, grid, still, semi_elliptic=semi_elliptic)
        return np.asarray(shape * _trapezium(t_ms, self.hold_ms, self.ramp_ms))

    @property
    def _speed(self) -> FloatArray:
        return np.asarray(self.swing.speed_mm_per_ms, dtype=np.float64)


@dataclass(frozen=True)
class Foot:
    """A shoe on the board: wide, blunt, on all rows, for a while."""

    middle_mm: float
    width_mm: float
    depth_mm: float
    hold_ms: float
    ramp_ms: float

    def window_ms(self, grid: Grid) -> tuple[float, float]:
        """From touch to lift."""
        return 0.0, self.hold_ms + 2 * self.ramp_ms

    def pressed_mm(self, grid: Grid, t_ms: FloatArray, *, semi_elliptic: bool) -> FloatArray:
        """Flat shape with rounded shoulders."""
        away = np.abs(grid.middles_mm - self.middle_mm) / (self.width_mm / 2)
        shape = self.depth_mm * np.clip(1.6 - 1.6 * away**4, 0.0, 1.0)
        return np.asarray(shape * _trapezium(t_ms, self.hold_ms, self.ramp_ms))


@dataclass(frozen=True)
class Rebound:
    """The cover or the whole board springs back after a strike and loads the cells once more."""

    of: SolePass
    share: float
    length_ms: float
    # Share of the load spread evenly over the strip (the board rocking on its base).
    even_share: float = 0.0

    def window_ms(self, grid: Grid) -> tuple[float, float]:
        """Give a single half wave."""
        return 0.0, self.length_ms

    def pressed_mm(self, grid: Grid, t_ms: FloatArray, *, semi_elliptic: bool) -> FloatArray:
        """Press with the strike's own greatest footprint, fainter."""
        middle = np.full((1, 1, grid.rows, grid.cells), 0.0)
        middle += (grid.row_middles_mm / float(np.max(np.asarray(self.of.swing.speed_mm_per_ms))))[
            None, None, :, None
        ]
        shape = self.of.pressed_mm(grid, middle, semi_elliptic=semi_elliptic) * self.share
        shape = (1 - self.even_share) * shape + self.even_share * shape.mean()
        inside = (t_ms > 0) & (t_ms < self.length_ms)
        wave = np.sin(np.pi * np.clip(t_ms / self.length_ms, 0.0, 1.0))
        return np.asarray(shape * np.where(inside, wave, 0.0))


def _trapezium(t_ms: FloatArray, hold_ms: float, ramp_ms: float) -> FloatArray:
    up = t_ms / ramp_ms
    down = (hold_ms + 2 * ramp_ms - t_ms) / ramp_ms
    return np.asarray(np.clip(np.minimum(up, down), 0.0, 1.0))


Truth = dict[str, float | int | str | bool | None]


@dataclass(frozen=True)
class Contact:
    """A load on the virtual time axis, and what it really was."""

    at_ns: int
    # strike, waggle, rest, foot, double, bounce.
    kind: str
    club: str
    load: Load
    truth: Truth = field(default_factory=dict)

    def window_ns(self, grid: Grid) -> tuple[int, int]:
        """First and last moment of load on the axis of `at_ns`."""
        first, last = self.load.window_ms(grid)
        return self.at_ns + int(first * 1e6), self.at_ns + int(last * 1e6) + 1


@dataclass(frozen=True)
class Press:
    """The foot switch: 1 next club, 2 take back, 3 previous club."""

    at_ns: int
    action: int
    club: str


@dataclass(frozen=True)
class Restart:
    """The board starts again; warm keeps memory and clock (see `simulators.board`)."""

    at_ns: int
    warm: bool = False


Event = Contact | Press | Restart


def strike_truth(sole: Sole, swing: Pass, *, mishit: bool = False) -> Truth:
    """Give the truth of one pass in plain numbers."""
    toe = float(lowest_point_mm(sole, swing.lie_error_deg))
    names = ("c_mm", "lie_error_deg", "depth_mm", "trail_mm", "speed_mm_per_ms")
    truth: Truth = {name: round(float(np.asarray(getattr(swing, name))), 4) for name in names}
    for name in ("camber_mm", "length_mm", "front_back_radius_mm"):
        truth[name] = float(np.asarray(getattr(sole, name)))
    truth["toe_mm"] = round(toe, 4)
    truth["board_mm"] = round(float(np.asarray(swing.c_mm)) + swing.hand * toe, 4)
    truth["hand"] = "right" if swing.hand == 1 else "left"
    truth["mishit"] = mishit
    return truth
