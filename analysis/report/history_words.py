"""What a set's past says, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.conventions import sure_words
from analysis.history.set_history import (
    NAME_CHANGE,
    BendOutcome,
    Change,
    ClubHistory,
    History,
    Stream,
)
from analysis.report.tables import minus
from analysis.statistics.budget import coverage_factor


def since_last_time(stream: Stream) -> str:
    """Say whether it moved since last time; it is said only if the evidence does."""
    if stream.moved:
        return f"moved since last time: {_size(stream.last)}"
    return "not shown to have moved since last time"


def changes(stream: Stream, dates: Sequence[str]) -> list[str]:
    """Points of change with date, size and probability."""
    return [
        f"changed between {dates[_before(stream, change)]} and {dates[change.session]}: "
        f"{_size(change)}"
        for change in stream.changes
    ]


def signals(stream: Stream, dates: Sequence[str]) -> list[str]:
    """First signal of each control chart."""
    found = []
    for name, out in (("EWMA", stream.ewma.out), ("CUSUM", stream.cusum.out)):
        for row, is_out in zip(stream.sessions, out, strict=True):
            if is_out:
                found.append(f"{name} beyond its limit from {dates[row]}")
                break
    return found


def bend_words(outcome: BendOutcome, dates: Sequence[str]) -> str:
    """Tell what the swings say of a bend."""
    seen, interval = outcome.seen_deg, outcome.interval_deg
    verdict = "as measured" if outcome.held else "NOT what was measured: check it on the machine"
    bend = minus(f"{outcome.bent.bend_deg:+z.1f}°")
    shown = minus(f"{seen:+z.1f}° (90 % {interval.low:+z.1f} to {interval.high:+z.1f})")
    return f"bent {bend} before {dates[outcome.bent.session]}: the swings show {shown}, {verdict}"


def common_words(history: History, dates: Sequence[str]) -> list[str]:
    """Tell what is known of the whole set."""
    common = history.common
    if common is None:
        return [
            "Fewer than three clubs in common: whether the player or a club changed cannot be told."
        ]
    said = [f"All clubs together {since_last_time(common)}."]
    if common.moved:
        said.append("That is the swing, the stance or the board's level, not the clubs.")
    said.extend(f"All clubs together {words}." for words in changes(common, dates))
    said.extend(f"All clubs together: {words}." for words in signals(common, dates))
    return said


def club_words(club: ClubHistory, dates: Sequence[str]) -> list[str]:
    """Everything that is said of one club against the others."""
    words = [since_last_time(club.own), *changes(club.own, dates), *signals(club.own, dates)]
    words.extend(bend_words(outcome, dates) for outcome in club.bends)
    return words


def _before(stream: Stream, change: Change) -> int:
    return stream.sessions[stream.sessions.index(change.session) - 1]


def _size(change: Change) -> str:
    half = coverage_factor(math.inf) * change.u_deg
    return minus(
        f"{change.size_deg:+z.1f}° ± {half:.1f} (90 %), "
        f"probability {sure_words(change.probability)}"
    )


LEGEND = (
    "Each club against the set's other clubs and its own past, bends taken off. Left: every "
    "session with its 90 % interval, the moving average (EWMA, line) and its limits (dashed). "
    "Right: what has summed up above (▲) and below (▼) the past (CUSUM) and its limit. B: a bend; "
    f"C: a point of change at least {100 * NAME_CHANGE:.0f} % probable. Short sessions count for "
    "less."
)
