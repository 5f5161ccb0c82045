"""The whole set along its lengths: lie error as delivered, and static lies with what is wanted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis.report.content import ClubContent, SheetRow
from analysis.report.drawing import BLUE, GREY, INK, ORANGE, as_svg, new_figure, our_style
from analysis.report.tables import MM_PER_INCH, minus

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CHART_MM = (184.0, 62.0)
TALL_CHART_MM = (184.0, 112.0)


def set_chart_svg(
    clubs: Sequence[ClubContent], rows: Sequence[SheetRow], name: str, *, inches: bool = False
) -> str:
    """Draw the set along its lengths, longest left; in the set's order while one is not known.

    Parameters
    ----------
    clubs : sequence of ClubContent
        At least one.
    rows : sequence of SheetRow
        Of the bend sheet, for the static lies after it; may be empty.
    name : str
        For the ids within.

    Returns
    -------
    str
        An ``<svg>`` element. The lower panel is there if a static lie is known.
    """
    with our_style():
        return as_svg(
            set_figure(clubs, rows, inches=inches),
            name,
            "Lie errors and measured lies along the set; numbers in the table",
        )


def set_figure(
    clubs: Sequence[ClubContent], rows: Sequence[SheetRow], *, inches: bool = False
) -> Figure:
    """Draw the set; call under `analysis.report.drawing.our_style`."""
    static = any(club.lie_deg is not None for club in clubs)
    places, by_length = _places(clubs)
    figure = new_figure(*(TALL_CHART_MM if static else CHART_MM))
    if static:
        upper = figure.add_axes((0.075, 0.60, 0.915, 0.34))
        lower = figure.add_axes((0.075, 0.105, 0.915, 0.36), sharex=upper)
        _static_lies(lower, clubs, rows, places)
    else:
        upper = lower = figure.add_axes((0.075, 0.19, 0.915, 0.70))
    _lie_errors(upper, clubs, places)
    for axes in {upper, lower}:
        axes.set_xticks(places, [_tick(club, by_length, inches) for club in clubs])
        axes.tick_params(axis="x", length=0)
        axes.grid(axis="y", color=GREY, lw=0.3, alpha=0.5)
    margin = max(0.06 * (places.max() - places.min()), 0.5)
    # To the right of the last club stands its number.
    upper.set_xlim(places.min() - margin, places.max() + 1.3 * margin)
    along = (
        f"club, at its length in {'inches' if inches else 'mm'}"
        if by_length
        else "club (a length is not known)"
    )
    lower.set_xlabel(along, labelpad=2)
    return figure


def _places(clubs: Sequence[ClubContent]) -> tuple[np.ndarray, bool]:
    lengths = [club.length_mm for club in clubs]
    known = [length for length in lengths if length is not None]
    if len(known) == len(set(known)) == len(clubs):
        return -np.array(known), True
    return np.arange(len(clubs), dtype=np.float64), False


def _tick(club: ClubContent, by_length: bool, inches: bool) -> str:
    if not by_length or club.length_mm is None:
        return club.label
    length = f"{club.length_mm / MM_PER_INCH:.2f}" if inches else f"{club.length_mm:.0f}"
    return f"{club.label}\n{length}"


def _lie_errors(axes: Axes, clubs: Sequence[ClubContent], places: np.ndarray) -> None:
    wanted = np.array([club.wanted_lie_error_deg for club in clubs])
    order = np.argsort(places)
    axes.plot(places[order], wanted[order], color=ORANGE, ls=(0, (3, 1.5)), label="wanted")
    seen = [
        (x, club.lie_error_deg, club.lie_interval_deg)
        for x, club in zip(places, clubs, strict=True)
        if club.lie_error_deg is not None and club.lie_interval_deg is not None
    ]
    unseen = ~np.isin(places, [x for x, _, _ in seen])
    if unseen.any():
        axes.plot(places[unseen], wanted[unseen], "x", color=GREY, ms=5)
    if seen:
        _uprights(axes, [(x, interval.low, interval.high) for x, _, interval in seen], BLUE, 1.6)
        words = f"as delivered, {100 * seen[0][2].confidence:.0f} %"
        x, y = zip(*[(x, error) for x, error, _ in seen], strict=True)
        axes.plot(x, y, "o", ms=5, color=BLUE, mec="white", label=words)
    for x, error, _ in seen:
        axes.annotate(
            minus(f"{error:+z.1f}"), (x, error), (4, 1.5),
            textcoords="offset points", va="bottom", fontsize=6.5,
        )  # fmt: skip
    axes.set_ylabel("lie error, °")
    axes.set_title("Lie error as delivered: + too upright, − too flat", fontsize=8, loc="left")
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, borderaxespad=0.0)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -0.8), max(high, 0.8))


def _static_lies(
    axes: Axes, clubs: Sequence[ClubContent], rows: Sequence[SheetRow], places: np.ndarray
) -> None:
    after = {row.label: row.static_after_deg for row in rows if row.bend_deg}
    known = [
        (x, club, club.lie_deg)
        for x, club in zip(places, clubs, strict=True)
        if club.lie_deg is not None
    ]
    x, now = zip(*[(x, lie) for x, _, lie in known], strict=True)
    axes.plot(x, now, "D", ms=4.5, ls="none", color=INK, label="as measured")
    bent = [(x, after[club.label]) for x, club, _ in known if after.get(club.label) is not None]
    if bent:
        x, to = zip(*bent, strict=True)
        axes.plot(
            x, to, "o", ms=8, mfc="none", mec=BLUE, mew=1.2, label="after the bend sheet"
        )  # fmt: skip
    asked = []
    for x, club, lie in known:
        if club.lie_error_deg is None or club.lie_interval_deg is None:
            continue
        shift = lie + club.wanted_lie_error_deg
        interval = club.lie_interval_deg
        asked.append((x, shift - club.lie_error_deg, shift - interval.high, shift - interval.low))
    if asked:
        asked.sort()
        _uprights(axes, [(x, low, high) for x, _, low, high in asked], ORANGE, 1.2)
        x, middle = zip(*[(x, middle) for x, middle, _, _ in asked], strict=True)
        axes.plot(
            x, middle, "v", ls=(0, (3, 1.5)), ms=4.5, color=ORANGE, label="lie this swing asks for"
        )  # fmt: skip
    axes.set_ylabel("measured lie, °")
    axes.set_title("Measured lie along the set", fontsize=8, loc="left")
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, borderaxespad=0.0)


def _uprights(
    axes: Axes, ends: Sequence[tuple[float, float, float]], color: str, lw: float
) -> None:
    """Draw upright lines as one, x and both heights of each: one for each club takes far longer."""
    table = np.array(ends)
    gap = np.full(len(table), np.nan)
    x = np.stack((table[:, 0], table[:, 0], gap), axis=1).ravel()
    y = np.stack((table[:, 1], table[:, 2], gap), axis=1).ravel()
    axes.plot(x, y, color=color, lw=lw)
