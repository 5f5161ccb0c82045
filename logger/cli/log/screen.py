"""The logging screen drawn from a `LogBook`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logger.cli.log.book import LogBook
from logger.cli.log.sole_line import sole_line

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
    from rich.table import Table
    from rich.text import Text

    from logger.store.rows import StrikeRow

_LAST = 8
_HALF_SOLE_MM = 40.0
KEYS = (
    ("n", "next club"),
    ("p", "previous"),
    ("b", "take back last"),
    ("x", "set aside / bring in"),
    ("t", "note"),
    ("q", "end"),
)


def screen(book: LogBook) -> Screen:
    """Draw everything: the club that is up largest, what to press at the foot."""
    from rich.console import Group

    return Screen(Group(*_body(book)), foot_of(KEYS, book.prompt))


class Screen:
    """A body that is cut where the terminal ends, and a foot that never is."""

    def __init__(self, body: Group, foot: Text) -> None:
        self._body = body
        self._foot = foot

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        from rich.segment import Segment

        height = options.height or options.max_height
        free = options.update(height=None)
        free.height = None
        foot = console.render_lines(self._foot, free, pad=False)
        body = console.render_lines(self._body, free, pad=False)
        for line in [*body[: max(height - len(foot), 0)], *foot][-height:]:
            yield from line
            yield Segment.line()


def _body(book: LogBook) -> list[RenderableType]:
    from rich.rule import Rule
    from rich.text import Text

    return [
        Text(book.title, style="bold"),
        *(Text(line, style="dim") for line in book.page),
        Text(book.board_line, style="dim"),
        Rule(style="dim"),
        *session_part(book),
    ]


def session_part(book: LogBook) -> list[RenderableType]:
    """Draw the clubs, the one that is up with its last contacts, and what there is to say."""
    from rich.rule import Rule
    from rich.text import Text

    return [
        _clubs_row(book),
        Text(""),
        *_club(book),
        Text(""),
        _last_contacts(book),
        Rule(style="dim"),
        *(Text(message, style="italic") for message in book.messages),
    ]


def foot_of(keys_and_words: Sequence[tuple[str, str]], prompt: str | None = None) -> Text:
    """Draw what to press, or what the fitter is being asked."""
    from rich.text import Text

    if prompt is not None:
        return Text(prompt + "▏", style="bold")
    keys = Text()
    for key, what in keys_and_words:
        keys.append(f" {key} ", style="reverse")
        keys.append(f" {what}  ")
    return keys


def _clubs_row(book: LogBook) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, 1), show_header=False)
    row = []
    for club in book.clubs:
        evidence = book.evidence.get(club.id)
        count = evidence.used if evidence else 0
        settled = evidence is not None and evidence.settled
        mark = "✓" if settled else " "
        text = f" {club.label} {count}{mark} "
        row.append(Text(text, style="reverse bold" if club == book.up else ""))
    table.add_row(*row)
    return table


def _club(book: LogBook) -> list[Text]:
    from rich.text import Text

    if book.up is None:
        return [Text("no club is up: press n")]
    evidence = book.evidence.get(book.up.id)
    contact = None if evidence is None else evidence.contact
    used = [c.toe_mm for c in book.contacts if c.used and c.toe_mm is not None]
    interval = contact.interval_mm if contact is not None else None
    line = sole_line(
        used,
        width=61,
        half_length_mm=_HALF_SOLE_MM,
        mean_mm=contact.mean_mm if contact is not None else None,
        interval_mm=None if interval is None else (interval.low, interval.high),
        toe_on_right=book.toe_on_right,
    )
    lines = [Text(f"{book.up.label}   {line}", style="bold")]
    if evidence is None:
        lines.append(Text("no strike yet"))
        return lines
    counts = f"{evidence.used} used, {evidence.set_aside} set aside"
    if evidence.lost:
        counts += f", {evidence.lost} lost"
    lines.append(Text(f"{counts}   {evidence.words}"))
    if evidence.lie_words:
        lines.append(Text(evidence.lie_words))
    if book.advice:
        lines.append(Text(f"next: {book.advice}"))
    return lines


def _last_contacts(book: LogBook) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, 1), show_header=False)
    for contact in list(reversed(book.contacts))[:_LAST]:
        # What a person typed is no markup.
        table.add_row(*map(Text, _contact_cells(contact, book)))
    return table


def _contact_cells(contact: StrikeRow, book: LogBook) -> tuple[str, str, str, str]:
    place = "" if contact.toe_mm is None else f"{contact.toe_mm:+.1f} mm"
    if contact.used:
        if contact.toe_mm is None:
            return (f"{contact.id}", place, "", "has no place: it cannot count")
        drawn = sole_line(
            [contact.toe_mm],
            width=31,
            half_length_mm=_HALF_SOLE_MM,
            toe_on_right=book.toe_on_right,
        )
        return (f"{contact.id}", place, drawn, "")
    return (f"{contact.id}", place, "set aside", contact.reason or contact.kind)
