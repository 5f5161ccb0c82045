"""One screen for all bays: a line for each, and the one that is picked in full below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.cli.log.book import LogBook
from logger.cli.log.screen import Screen, foot_of, session_part

if TYPE_CHECKING:
    from rich.table import Table

KEYS = (
    ("1-9 ↑ ↓", "pick a bay"),
    ("n", "next club"),
    ("p", "previous"),
    ("b", "take back last"),
    ("e", "end this bay"),
    ("q", "end all"),
)


@dataclass(slots=True)
class BayView:
    """What one bay shows."""

    name: str
    player: str
    book: LogBook
    ended: bool = False


def bays_screen(views: Sequence[BayView], picked: int) -> Screen:
    """Draw all bays, and the picked one in full."""
    from rich.console import Group
    from rich.rule import Rule
    from rich.text import Text

    shown = views[picked]
    return Screen(
        Group(
            _table(views, picked),
            Rule(style="dim"),
            Text(shown.book.title, style="bold"),
            Text(shown.book.board_line, style="dim"),
            *session_part(shown.book),
        ),
        foot_of(KEYS),
    )


def _table(views: Sequence[BayView], picked: int) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, 1))
    for heading in ("", "bay", "player", "club", "used", "last", "board"):
        table.add_column(heading, no_wrap=True, overflow="ellipsis")
    for place, view in enumerate(views):
        style = "reverse" if place == picked else "dim" if view.ended else ""
        # What a person typed is no markup.
        table.add_row(*(Text(cell, style=style) for cell in _cells(place, view)))
    return table


def _cells(place: int, view: BayView) -> tuple[str, ...]:
    book = view.book
    up = book.up
    result = None if up is None else book.results.get(up.id)
    used = ""
    if result is not None:
        used = f"{result.evidence.used}{' ✓' if result.decision.is_settled else ''}"
    last = book.contacts[-1] if book.contacts else None
    if last is None:
        where = ""
    elif not last.used:
        where = "set aside"
    else:
        where = "" if last.toe_mm is None else f"{last.toe_mm:+.1f} mm"
    label = "" if up is None else up.label
    return (str(place + 1), view.name, view.player, label, used, where, book.board_line)
