"""The report's tables as text, the same in HTML and PDF."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.report.content import ClubContent, ReportContent, SheetRow
from analysis.statistics.estimation import Interval

MM_PER_INCH = 25.4
CLUB_LEGEND = (
    "Contact: + toe, − heel, from the middle of the sole. Lie error as delivered in the swing: "
    "+ too upright, − too flat."
)
_SOLE_LEGEND = (
    "Printed at full size, a millimetre is a millimetre; trailing edge above. Filled circle: "
    "strike that counts. Open square: mark read by eye. Cross: set aside. Solid line: mean, with "
    "its interval above. Dashed line and triangle: wanted. Strikes not known front to back are "
    "spread out in the order they came. A dashed outline is a usual sole, not this one's measure."
)
BUDGET_LEGEND = (
    "Standard uncertainty u of each club's lie error taken by itself, and what it is made of, with "
    "each cause's part of the variance. With the other clubs to lean on, the club table's lie "
    "errors are somewhat surer."
)


def club_heads(*, inches: bool = False) -> tuple[str, ...]:
    """Heads of the club table."""
    contact = f"contact {'in' if inches else 'mm'}"
    return (
        "club", "used", "aside", "lost", contact, "90 %", "spread", "lie error", "90 %",
        "touched", "decision",
    )  # fmt: skip


def sole_legend(*, inches: bool = False) -> str:
    """Say what the drawn soles show."""
    return (
        _SOLE_LEGEND.replace("a millimetre is a millimetre", "an inch is an inch")
        if inches
        else (_SOLE_LEGEND)
    )


def club_rows(report: ReportContent, *, inches: bool = False) -> list[tuple[str, ...]]:
    """Cells of the club table, one row for each club, under `club_heads`."""
    return [
        (
            club.label,
            str(club.used),
            str(club.set_aside),
            str(club.lost),
            "-" if club.mean_mm is None else place(club.mean_mm, inches=inches),
            "-" if club.interval_mm is None else places(club.interval_mm, inches=inches),
            "-" if club.spread_mm is None else place(club.spread_mm, inches=inches).lstrip("+"),
            _signed(club.lie_error_deg, "°"),
            _range(club.lie_interval_deg, "°"),
            club.touched or "-",
            "; ".join(part for part in (club.decision, club.off_line, club.wanted_words) if part),
        )
        for club in report.clubs
    ]


@dataclass(frozen=True, slots=True)
class SheetCells:
    """One line of the bend sheet as text."""

    label: str
    decision: str
    pulls: tuple[str, ...]
    error: str
    static: str


def sheet_cells(row: SheetRow) -> SheetCells:
    """One line of the bend sheet as text."""
    return SheetCells(
        row.label,
        row.decision,
        tuple(f"{minus(f'{pull:+g}')}°" for pull in row.pulls_deg),
        _pair(row.before_deg, row.after_deg, sign=True),
        _pair(row.static_before_deg, row.static_after_deg, sign=False),
    )


def budget_rows(report: ReportContent) -> list[tuple[str, str, str, str]]:
    """Club, combined standard uncertainty, its causes by size, what to do about the largest."""
    rows = []
    for club in report.clubs:
        if not club.budget:
            rows.append((club.label, "-", "no lie error yet", _no_budget(club)))
            continue
        total = math.hypot(*(line.u_deg for line in club.budget))
        causes = ", ".join(
            f"{line.name} {line.u_deg:.2f}° ({100 * line.share:.0f} %)"
            for line in club.budget
            if line.u_deg >= 0.005
        )
        rows.append((club.label, f"{total:.2f}°", causes, club.improve or "-"))
    return rows


def place(mm: float, *, inches: bool = False) -> str:
    """Show a place along the sole with its sign, without its unit, as fine as a mark is read."""
    return minus(f"{mm / MM_PER_INCH:+z.2f}" if inches else f"{mm:+z.1f}")


def places(ends: Interval, *, inches: bool = False) -> str:
    """Show an interval of places along the sole."""
    return f"{place(ends.low, inches=inches)} … {place(ends.high, inches=inches)}"


def minus(text: str) -> str:
    """Show a minus sign as one, not as a hyphen."""
    return text.replace("-", "−")


def _no_budget(club: ClubContent) -> str:
    return "Hit it at least twice." if club.used < 2 else "-"


def _signed(value: float | None, unit: str = "") -> str:
    return "-" if value is None else minus(f"{value:+z.1f}{unit}")


def _range(ends: Interval | None, unit: str = "") -> str:
    return "-" if ends is None else minus(f"{ends.low:+z.1f} … {ends.high:+z.1f}{unit}")


def _pair(before: float | None, after: float | None, *, sign: bool) -> str:
    form = "+z.1f" if sign else ".1f"
    if before is None or after is None:
        return "-" if before is None else minus(f"{before:{form}}°")
    return minus(f"{before:{form}} → {after:{form}}°")
