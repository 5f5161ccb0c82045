"""The one drawing of the sole, as `logger/page/assets/sole.js` draws it: same frame, same outline.

Seen from below, leading edge at the foot: the toe is on the right for a right-hander and on the
left for a left-hander. Millimetres of the sole are units of the drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.conventions import USUAL_SOLE_MM
from logger.desk.shell.words import signed
from logger.session.results.rub import Rub
from logger.setfiles.units import mm_from_inches

VIEW = "-48 -19 96 38.5"
WIDTH_MM = 20.0


@dataclass(frozen=True, slots=True)
class Sole:
    """A sole to draw."""

    length_mm: float = USUAL_SOLE_MM
    hand: Literal["right", "left"] = "right"
    inches: bool = False
    """What its ruler is in."""

    @property
    def sign(self) -> int:
        """+1 where the toe is on the right."""
        return -1 if self.hand == "left" else 1

    def x(self, toe_mm: float) -> float:
        """Place along the drawing, kept within it."""
        return round(self.sign * max(-46.0, min(46.0, toe_mm)), 2)

    def y(self, trail_mm: float | None) -> float:
        """Place across the drawing."""
        return 0.0 if trail_mm is None else round(-max(-13.0, min(13.0, trail_mm)), 2)

    @property
    def half(self) -> float:
        """Half of the sole's width."""
        return WIDTH_MM / 2

    @property
    def outline(self) -> str:
        """Path of the sole: its length is the head's, its curves only frame what is drawn."""
        a, h, long = self.length_mm / 2, WIDTH_MM / 2, self.length_mm

        def curve(*points: tuple[float, float]) -> str:
            return "C" + " ".join(self._at(x, y) for x, y in points)

        return "".join(
            [
                f"M{self._at(-a + 0.12 * long, 0.82 * h)}",
                curve((-0.12 * long, 1.0 * h), (0.18 * long, 1.04 * h),
                      (a - 0.17 * long, 0.95 * h)),
                curve((a - 0.03 * long, 0.86 * h), (a, 0.45 * h), (a, -0.04 * h)),
                curve((a, -0.56 * h), (a - 0.05 * long, -0.94 * h), (a - 0.19 * long, -0.98 * h)),
                curve((0.1 * long, -1.03 * h), (-0.18 * long, -0.95 * h),
                      (-a + 0.13 * long, -0.74 * h)),
                curve((-a + 0.03 * long, -0.64 * h), (-a, -0.34 * h), (-a, 0.06 * h)),
                curve((-a, 0.5 * h), (-a + 0.04 * long, 0.76 * h), (-a + 0.12 * long, 0.82 * h)),
                "Z",
            ]
        )  # fmt: skip

    @property
    def hosel(self) -> str:
        """Path of the stump that the shaft goes into."""
        a, h, long = self.length_mm / 2, WIDTH_MM / 2, self.length_mm

        def curve(*points: tuple[float, float]) -> str:
            return "C" + " ".join(self._at(x, y) for x, y in points)

        return "".join(
            [
                f"M{self._at(-a + 0.2 * long, -0.8 * h)}",
                curve((-a + 0.06 * long, -0.72 * h), (-a, -0.66 * h), (-a - 4.5, -0.62 * h)),
                curve((-a - 6.5, -0.6 * h), (-a - 6.5, 0.3 * h), (-a - 4.5, 0.3 * h)),
                curve((-a, 0.32 * h), (-a + 0.04 * long, 0.4 * h), (-a + 0.1 * long, 0.6 * h)),
            ]
        )

    @property
    def ruler(self) -> str:
        """Path of the ruler below it."""
        y = self.half + 2.2
        step = mm_from_inches(0.25) if self.inches else 5.0
        half = 6 if self.inches else 8
        ticks = "".join(
            f"M{tick * step:g} {y}v{0.8 if tick % 2 else 1.5}" for tick in range(-half, half + 1)
        )
        return f"M{-half * step:g} {y}H{half * step:g}{ticks}"

    @property
    def figures(self) -> list[tuple[float, str]]:
        """Where the ruler has its figures, and the figures."""
        if self.inches:
            places = [(mm_from_inches(half / 2), half / 2, 1) for half in range(-3, 4)]
        else:
            places = [(float(mm), float(mm), 0) for mm in (-40, -20, 0, 20, 40)]
        unit = "in" if self.inches else "mm"
        return [(mm, signed(n, digits) if n else f"0 {unit}") for mm, n, digits in places]

    def rub_cells(self, rub: Rub) -> list[tuple[float, float, float, float, float]]:
        """Rectangles of a rub: left, top, width, height, and how hard, 0 to 1."""
        step = float(rub.toe_mm[1] - rub.toe_mm[0]) if rub.toe_mm.size > 1 else 2.0
        known = rub.trail_mm.size > 1
        height = step if known else 0.7 * WIDTH_MM
        found = []
        for i, toe in enumerate(rub.toe_mm):
            for j, trail in enumerate(rub.trail_mm):
                load = float(rub.load[i, j])
                if load >= 0.03:
                    x = self.sign * float(toe) - step / 2
                    y = -float(trail) - height / 2
                    found.append(
                        (round(x, 2), round(y, 2), round(step, 2), round(height, 2), round(load, 2))
                    )
        return found

    def _at(self, x: float, y: float) -> str:
        return f"{self.sign * x:.2f} {y:.2f}"
