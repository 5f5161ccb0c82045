"""Control charts of one stream of a set's past."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis.conventions import NORMAL_90, sure_words
from analysis.history.set_history import ClubBend, Stream
from analysis.report.drawing import (
    BLUE,
    GREY,
    INK,
    ORANGE,
    TINT,
    as_svg,
    new_figure,
    our_style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CHART_MM = (184.0, 44.0)
# More dates than this would run into each other.
_MOST_DATES = 8


def stream_svg(
    stream: Stream, bends: Sequence[ClubBend], dates: Sequence[str], title: str, name: str
) -> str:
    """Draw EWMA and CUSUM of a stream side by side.

    Parameters
    ----------
    stream : Stream
    bends : sequence of ClubBend
        Marked where they were made.
    dates : sequence of str
        Of all sessions.
    title, name : str
        Shown; for the ids within.

    Returns
    -------
    str
        An ``<svg>`` element of `CHART_MM`.
    """
    with our_style():
        figure = new_figure(*CHART_MM)
        left = figure.add_axes((0.055, 0.20, 0.55, 0.66))
        right = figure.add_axes((0.67, 0.20, 0.32, 0.66))
        at = np.arange(len(stream.sessions))
        _averages(left, stream, at)
        _sums(right, stream, at)
        left.set_title(title, fontsize=8, loc="left")
        right.set_title("CUSUM, °", fontsize=8, loc="left")
        for axes in (left, right):
            _marks(axes, stream, bends, named=axes is left)
            few = 1 if axes is left else 2
            every = max(1, int(np.ceil(few * at.size / _MOST_DATES)))
            axes.set_xticks(at[::every], [dates[row] for row in stream.sessions[::every]])
            axes.set_xlim(-0.5, at.size - 0.5)
        return as_svg(figure, name, f"Control charts: {title}")


def _averages(axes: Axes, stream: Stream, at: np.ndarray) -> None:
    chart = stream.ewma
    low, high = chart.target - chart.half_width, chart.target + chart.half_width
    axes.fill_between(at, low, high, color=TINT, lw=0, zorder=0)
    for edge in (low, high):
        axes.plot(at, edge, color=GREY, lw=0.9, ls=(0, (4, 2)), zorder=1)
    axes.axhline(chart.target, color=GREY, lw=0.6, zorder=1)
    half = NORMAL_90 * stream.u
    axes.vlines(at, stream.values - half, stream.values + half, color=BLUE, lw=1.3, zorder=2)
    axes.plot(at, stream.values, "o", ms=4.5, color=BLUE, mec="white", zorder=3)
    axes.plot(at, chart.mean, color=INK, lw=1.3, zorder=4)
    out = chart.out
    axes.plot(at[out], chart.mean[out], "s", ms=7, mfc="none", mec=ORANGE, mew=1.4, zorder=5)
    axes.set_ylabel("°", rotation=0)


def _sums(axes: Axes, stream: Stream, at: np.ndarray) -> None:
    chart = stream.cusum
    axes.axhline(0, color=GREY, lw=0.6)
    for sign, sums, marker in ((1, chart.high, "^"), (-1, chart.low, "v")):
        axes.plot(at, sign * sums, marker=marker, ms=3.5, color=INK, lw=1.0)
        axes.axhline(sign * chart.limit, color=GREY, lw=0.9, ls=(0, (4, 2)))
        out = sums > chart.limit
        beyond = sign * sums[out]
        axes.plot(at[out], beyond, "s", ms=7, mfc="none", mec=ORANGE, mew=1.4)


def _marks(axes: Axes, stream: Stream, bends: Sequence[ClubBend], *, named: bool) -> None:
    """Bends and changes stand between two sessions."""
    places = np.array(stream.sessions)
    marks = [("C", change.session, sure_words(change.probability)) for change in stream.changes]
    marks += [("B", bent.session, f"{bent.bend_deg:+g}°".replace("-", "−")) for bent in bends]
    for letter, session, words in marks:
        x = float(np.searchsorted(places, session)) - 0.5
        dash = "-" if letter == "B" else (0, (1, 1.2))
        axes.axvline(x, color=ORANGE, lw=1.1, ls=dash, zorder=1)
        if named:
            y = 0.98 if letter == "B" else 0.86
            axes.text(
                x, y, f" {letter} {words}", transform=axes.get_xaxis_transform(), va="top",
                fontsize=6.5, bbox={"fc": "white", "ec": "none", "pad": 0.4, "alpha": 0.8},
            )  # fmt: skip
