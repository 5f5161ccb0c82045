"""Tables copied from published sources, and a bar drawn along a strip worked out from physics."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from analysis.board.roller import Direction, RollerPass

# Published tables that straight lines are tested with are kept there.
DATA = (Path(__file__).parent / "data", Path(__file__).parents[1] / "statistics" / "data")


@pytest.fixture(scope="session")
def table() -> Callable[[str], dict[str, list[str]]]:
    """Read one of the CSV files; its source is in its first lines."""

    def read(name: str) -> dict[str, list[str]]:
        lines = [
            line
            for line in next(folder / name for folder in DATA if (folder / name).exists())
            .read_text("utf-8")
            .splitlines()
            if not line.startswith("#")
        ]
        rows = list(csv.DictReader(lines))
        return {key: [row[key] for row in rows] for key in rows[0]}

    return read


@dataclass
class Strip:
    """A strip of point cells on an elastic foundation under a rigid cylinder.

    Pressure of a cylinder on such a foundation is a parabola, ``p = p0 (1 - (u/a)^2)`` (Johnson,
    Contact Mechanics, 1985, 4.3), so its area over place is ``4/3 a p0``.
    """

    gain: np.ndarray
    pitch_mm: float = 4.0
    half_width_mm: float = 7.0
    peak_counts: float = 900.0
    rest: np.ndarray | float = 60.0
    noise: float = 2.0
    full_scale: int = 4095
    scan_hz: float = 800.0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(1))

    def draw(
        self,
        direction: Direction,
        *,
        speed_mm_s: float = 60.0,
        jerk: float = 0.0,
        phase: float = 0.0,
        load: float = 1.0,
        tilt: float = 0.0,
        gain: np.ndarray | None = None,
        overrun_mm: float = 20.0,
    ) -> RollerPass:
        """One pass; speed is ``v * (1 + jerk * sin(path / 40 mm + phase))``, load may tilt."""
        gain = self.gain if gain is None else gain
        cells = gain.shape[1]
        half = (cells - 1) / 2 * self.pitch_mm
        end = half + overrun_mm
        fine = np.linspace(-end, end, 20_001)
        speed = speed_mm_s * (1.0 + jerk * np.sin(fine / 40.0 + phase))
        when = np.concatenate([[0.0], np.cumsum(np.diff(fine) / ((speed[1:] + speed[:-1]) / 2))])
        # The bar stands clear of the strip for a moment at both ends.
        pause = 0.3
        t = np.arange(0.0, when[-1] + 2 * pause, 1.0 / self.scan_hz)
        place = direction * np.interp(t - pause, when, fine)
        middles = (np.arange(cells) - (cells - 1) / 2) * self.pitch_mm
        u = (place[:, None] - middles) / self.half_width_mm
        shape = np.maximum(1.0 - u**2, 0.0)
        here = load * (1.0 + tilt * place / half)
        clean = self.rest + gain * (self.peak_counts * here[:, None] * shape)[:, None, :]
        counts = np.rint(clean + self.rng.normal(0.0, self.noise, clean.shape))
        return RollerPass(t * 1e6, np.clip(counts, 0, self.full_scale).astype(np.uint16), direction)

    def there_and_back(self, times: int = 3, **how: float) -> list[RollerPass]:
        """Alternating passes with loads and hands that differ."""
        passes = []
        for k in range(2 * times):
            way = Direction.TOWARD_POSITIVE if k % 2 == 0 else Direction.TOWARD_NEGATIVE
            passes.append(
                self.draw(
                    way,
                    speed_mm_s=45.0 + 8.0 * k,
                    load=0.8 + 0.07 * k,
                    phase=1.3 * k,
                    jerk=how.get("jerk", 0.3),
                    tilt=how.get("tilt", 0.0) * (-1) ** (k // 2),
                )
            )
        return passes


@pytest.fixture
def strip() -> Callable[..., Strip]:
    """Build a strip with uneven cells: (rows, cells, **options)."""

    def build(rows: int = 1, cells: int = 32, **options: object) -> Strip:
        rng = np.random.default_rng(7)
        gain = np.exp(rng.normal(0.0, 0.15, (rows, cells)))
        return Strip(gain=gain / gain.mean(), **options)  # type: ignore[arg-type]

    return build
