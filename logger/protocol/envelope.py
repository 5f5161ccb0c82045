"""A straight line under a cloud of late arrivals, and how sure it is.

A message carries the board's ticks ``x`` and arrives at host time ``y``, late by a delay that is
never negative. So the line from ticks to host time lies under all points ``(x, y)``. Of all lines
under them, the one with the least sum of delays is the edge of their lower convex hull above the
mean of ``x``: the linear programme of Moon, Skelly and Towsley (IEEE INFOCOM 1999, 227-234),
solved by the hull as in Zhang, Liu and Xia (INFOCOM 2002).

In the other direction, a question sent at host time ``y`` that the board has at ticks ``x`` says
that the line lies above that point. The narrowest place between the line and those points bounds
the least delay, which arrivals alone cannot know; half of it is the ``delay / 2`` of RFC 5905,
section 8.

How far the line may be off comes from the points themselves: each block of time has its own least
delay above the line. Where the board's clock wanders, or where points are few, these are large.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Point = tuple[int, int]

# Hulls of random points have about ten corners; more come only from a clock that bends all the
# time.
_MAX_CORNERS = 48

# Frequency tolerance of RFC 5905 (PHI): how much a clock may change its rate unseen.
PHI = 15e-6


def extend_hull(hull: list[Point], point: Point) -> None:
    """Append ``point``, right of all others, to the lower convex hull ``hull``."""
    x, y = point
    while len(hull) >= 2:
        (x1, y1), (x2, y2) = hull[-2], hull[-1]
        if (x2 - x1) * (y - y1) > (y2 - y1) * (x - x1):
            break
        hull.pop()
    hull.append(point)
    if len(hull) > _MAX_CORNERS:
        _cut_a_corner(hull)


def _cut_a_corner(hull: list[Point]) -> None:
    # Two neighbours become the place where the edges outside them meet. It lies below both, so
    # what was above the hull stays above it. Taken where that changes least.
    best: tuple[int, int, Point] | None = None
    for i in range(1, len(hull) - 2):
        (ax, ay), (px, py), (qx, qy), (bx, by) = hull[i - 1 : i + 3]
        rx, ry, sx, sy = px - ax, py - ay, bx - qx, by - qy
        turn = rx * sy - ry * sx
        if turn <= 0:
            continue
        along = (qx - px) * sy - (qy - py) * sx
        x = px + along * rx // turn
        if not px <= x <= qx:
            continue
        y = min(py + ry * (x - px) // rx, qy + sy * (x - qx) // sx)
        change = abs((qx - px) * (y - py) - (qy - py) * (x - px))
        if best is None or change < best[0]:
            best = (change, i, (x, y))
    if best is not None:
        _, i, corner = best
        hull[i : i + 2] = [corner]


@dataclass(slots=True)
class Block:
    """The points of one stretch of time, of which only the corners are kept."""

    arrivals: list[Point] = field(default_factory=list)
    """Corners of the lower hull of arrivals, (ticks, host ns)."""
    questions: list[Point] = field(default_factory=list)
    """Corners of the upper hull of questions as (ticks, -host ns), which makes it a lower one."""
    points: int = 0
    sum_ticks: int = 0

    def add_arrival(self, ticks: int, host_ns: int) -> None:
        """Take in a point that the line must lie under."""
        # A point that is not right of the last arrived later than it, so the last one says it all.
        if not self.arrivals or ticks > self.arrivals[-1][0]:
            extend_hull(self.arrivals, (ticks, host_ns))
            self.points += 1
            self.sum_ticks += ticks

    def add_question(self, ticks: int, host_ns: int) -> None:
        """Take in a point that the line must lie above."""
        if not self.questions or ticks > self.questions[-1][0]:
            extend_hull(self.questions, (ticks, -host_ns))

    def merge(self, later: Block) -> None:
        """Take over all of the block that follows this one."""
        for point in later.arrivals:
            extend_hull(self.arrivals, point)
        for point in later.questions:
            extend_hull(self.questions, point)
        self.points += later.points
        self.sum_ticks += later.sum_ticks


@dataclass(frozen=True, slots=True)
class ClockLine:
    """Host time as a straight function of ticks, from the points of some blocks."""

    ticks: int
    host_ns: int
    """A corner that the line goes through."""
    slope: float
    """Host ns per tick."""
    slope_sd: float
    middle_ticks: int
    scatter_ns: float
    """How far above the line the least delay of a block lies, on average."""
    reach: tuple[Point, ...]
    """First and last tick of each block."""
    least_delays_ns: tuple[float, ...]
    """Of each block, above the line."""
    gap_ns: float | None
    """Narrowest place between line and questions; None without questions."""

    def at(self, ticks: int) -> int:
        """Host time under all delays, ns."""
        return self.host_ns + math.floor(self.slope * (ticks - self.ticks))

    def ticks_at(self, host_ns: int) -> int:
        """Ticks at a host time."""
        return self.ticks + round((host_ns - self.host_ns) / self.slope)

    def uncertainty_ns(self, ticks: int) -> float:
        """How far the line may be off at ``ticks``, not counting the least delay."""
        off = self.scatter_ns + abs(ticks - self.middle_ticks) * self.slope_sd
        first, last = self.reach[0][0], self.reach[-1][1]
        beyond = max(first - ticks, ticks - last, 0)
        at = min(
            max(bisect_right(self.reach, ticks, key=lambda r: r[0]) - 1, 0), len(self.reach) - 1
        )
        near = self.least_delays_ns[max(at - 1, 0) : at + 2]
        # One block alone may hold few points; two neighbours that both stay above the line mean
        # that it is the line that is off there.
        bend = max((min(pair) for pair in pairwise(near)), default=0.0)
        bent_the_other_way = max(-(self.gap_ns or 0.0), 0.0)
        return max(off, bend) + beyond * self.slope * PHI + bent_the_other_way


def fit(blocks: Sequence[Block], nominal: float, tolerance: float, assumed_ns: float) -> ClockLine:
    """Fit the line under the arrivals of ``blocks``.

    Parameters
    ----------
    blocks : sequence of Block
        In order of time, each with at least one arrival.
    nominal : float
        Host ns per tick if the board's clock were exact.
    tolerance : float
        Standard deviation of the board's rate about that, as a fraction, before anything was seen.
    assumed_ns : float
        Size of the delays that is assumed, with the weight of one point, before they are seen.
    """
    hull: list[Point] = []
    for block in blocks:
        for point in block.arrivals:
            extend_hull(hull, point)
    points = sum(block.points for block in blocks)
    middle = sum(block.sum_ticks for block in blocks) // points
    span = hull[-1][0] - hull[0][0]
    steep, slope_sd = nominal, nominal * tolerance
    if span > 0:
        right = min(max(bisect_right(hull, middle, key=lambda p: p[0]), 1), len(hull) - 1)
        (x1, y1), (x2, y2) = hull[right - 1], hull[right]
        edge = (y2 - y1) / (x2 - x1)
        delays = _least_delays(blocks, edge, (x1, y1))
        seen = 2 * (_mean_above(delays) + assumed_ns / points) / span
        both = math.hypot(slope_sd, seen)
        # Both are estimates of the same rate: weigh them by their variances.
        steep += (edge - nominal) * (slope_sd / both) ** 2
        slope_sd *= seen / both
    corner = _lowest(hull, steep)
    delays = _least_delays(blocks, steep, corner)
    scatter = _mean_above(delays) + assumed_ns / points
    questions = [point for block in blocks for point in block.questions]
    gap = min((_above(steep, corner, x, y) for x, y in questions), default=None)
    return ClockLine(
        ticks=corner[0],
        host_ns=corner[1],
        slope=steep,
        slope_sd=slope_sd,
        middle_ticks=middle,
        scatter_ns=scatter,
        reach=tuple((block.arrivals[0][0], block.arrivals[-1][0]) for block in blocks),
        least_delays_ns=delays,
        gap_ns=gap,
    )


def _above(slope: float, corner: Point, x: int, minus_y: int) -> float:
    return corner[1] + minus_y + slope * (x - corner[0])


def _lowest(hull: Iterable[Point], slope: float) -> Point:
    x0, y0 = next(iter(hull))
    return min(hull, key=lambda p: (p[1] - y0) - slope * (p[0] - x0))


def _least_delays(blocks: Sequence[Block], slope: float, corner: Point) -> tuple[float, ...]:
    x0, y0 = corner
    return tuple(
        max(min((y - y0) - slope * (x - x0) for x, y in block.arrivals), 0.0) for block in blocks
    )


def _mean_above(delays: Sequence[float]) -> float:
    # The line touches two blocks, whose least delay is 0 by construction.
    return sum(delays) / max(len(delays) - 2, 1)
