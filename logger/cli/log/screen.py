"""The logging screen, drawn from the `LogBook` of each bay."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logger.cli.log.book import LogBook

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
    from rich.table import Table
    from rich.text import Text

    from logger.session.results.clubs import ClubResult
    from logger.store.rows import StrikeRow


_LAST = 8
_HALF_SOLE_MM = 40.0
# Clubs beside each other on 80 columns.
_IN_A_ROW = 8
KEYS = (
    ("n", "next club"),
    ("p", "previous"),
    ("b", "take back last"),
    ("x", "set aside / bring in"),
    ("t", "note"),
    ("q", "end"),
)
KEYS_OF_SEVERAL = (
    ("1-9 ↑ ↓", "pick a bay"),
    *KEYS[:-1],
    ("e", "end this bay"),
    ("q", "end all"),
)


def screen(books: Sequence[LogBook], picked: int = 0) -> Screen:
    """Draw everything: a line for each of several bays, and the picked one in full.

    The club that is up is largest; what was said last and what to press stand at the foot.
    """
    from rich.console import Group
    from rich.rule import Rule
    from rich.text import Text

    book = books[picked]
    several = len(books) > 1
    above = (_bays_table(books, picked), Rule(style="dim")) if several else ()
    foot = Group(
        Rule(style="dim"),
        *(Text(message, style="italic") for message in book.messages),
        foot_of(KEYS_OF_SEVERAL if several else KEYS, book.prompt),
    )
    return Screen(Group(*above, *_body(book)), foot)


def _bays_table(books: Sequence[LogBook], picked: int) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, 1))
    for heading in ("", "bay", "player", "club", "used", "last", "board"):
        table.add_column(heading, no_wrap=True, overflow="ellipsis")
    for place, book in enumerate(books):
        style = "reverse" if place == picked else "dim" if book.ended else ""
        # What a person typed is no markup.
        cells = (str(place + 1), *_bay_cells(book))
        table.add_row(*(Text(cell, style=style) for cell in cells))
    return table


def _bay_cells(book: LogBook) -> tuple[str, ...]:
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
    return (book.bay, book.player, label, used, where, book.board_line)


class Screen:
    """A body that is cut where the terminal ends, and a foot that never is."""

    def __init__(self, body: Group, foot: Group) -> None:
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
        _clubs_row(book),
        Text(""),
        *_club(book),
        Text(""),
        _last_contacts(book),
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
        result = book.results.get(club.id)
        count = result.evidence.used if result else 0
        settled = result is not None and result.decision.is_settled
        mark = "✓" if settled else " "
        text = f" {club.label} {count}{mark} "
        row.append(Text(text, style="reverse bold" if club == book.up else ""))
    for first in range(0, len(row), _IN_A_ROW):
        table.add_row(*row[first : first + _IN_A_ROW])
    return table


def _club(book: LogBook) -> list[Text]:
    from rich.text import Text

    if book.up is None:
        return [Text("no club is up: press n")]
    result = book.results.get(book.up.id)
    evidence = None if result is None else result.evidence
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
    if result is None or evidence is None:
        lines.append(Text("no strike yet"))
        return lines
    counts = f"{evidence.used} used, {evidence.set_aside} set aside"
    if evidence.lost:
        counts += f", {evidence.lost} lost"
    touched = f"   {_touched(result)}" if result.touched else ""
    lines.append(Text(f"{counts}{touched}"))
    for words in (result.wanted.words, result.lie_words):
        if words:
            lines.append(Text(words))
    decided = Text(result.decision.words, style="bold")
    if result.off_line:
        decided.append(f"   {result.off_line}", style="not bold")
    lines.append(decided)
    if book.level:
        lines.append(Text(book.level, style="dim"))
    if book.advice:
        lines.append(Text(f"next: {book.advice}"))
    return lines


def _touched(result: ClubResult) -> str:
    contact = result.evidence.contact
    if contact.mean_mm is None or contact.interval_mm is None:
        return ""
    half = (contact.interval_mm.high - contact.interval_mm.low) / 2
    where = "" if result.touched == "not clear" else f"{result.touched}: "
    return f"{where}contact {contact.mean_mm:+z.1f} ± {half:.1f} mm"


def _last_contacts(book: LogBook) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, 1), show_header=False)
    for _ in range(3):
        # A line a contact, however long the reason is.
        table.add_column(no_wrap=True, overflow="ellipsis")
    for contact in list(reversed(book.contacts))[:_LAST]:
        # What a person typed is no markup.
        table.add_row(*map(Text, _contact_cells(contact, book)))
    return table


def _contact_cells(contact: StrikeRow, book: LogBook) -> tuple[str, str, str]:
    place = "" if contact.toe_mm is None else f"{contact.toe_mm:+z.1f} mm"
    if contact.used:
        if contact.toe_mm is None:
            return (f"{contact.number}", place, "has no place: it cannot count")
        drawn = sole_line(
            [contact.toe_mm],
            width=31,
            half_length_mm=_HALF_SOLE_MM,
            toe_on_right=book.toe_on_right,
        )
        return (f"{contact.number}", place, drawn)
    return (f"{contact.number}", place, f"set aside: {contact.reason or contact.kind}")


def sole_line(
    contacts_mm: Sequence[float],
    *,
    width: int = 41,
    half_length_mm: float = 40.0,
    mean_mm: float | None = None,
    interval_mm: tuple[float, float] | None = None,
    toe_on_right: bool = True,
    plain: bool = False,
) -> str:
    """Draw contacts on a sole seen from above, heel at one end and toe at the other.

    Parameters
    ----------
    contacts_mm
        toe_mm of each strike; what lies beyond the sole is drawn at its end as an arrow.
    width
        Columns between the two ends.
    half_length_mm
        From the middle of the sole to its end.
    mean_mm, interval_mm
        Drawn over the strikes if given.
    toe_on_right
        False for a left-hander, who looks at the sole the other way round.
    plain
        ASCII only.
    """
    dot, many, mean, bar, rail = ("o", "8", "#", "=", "-") if plain else ("•", "◉", "◆", "━", "─")
    columns = [rail] * width
    columns[width // 2] = "|" if plain else "┼"

    def column(mm: float) -> int:
        share = (mm / half_length_mm + 1) / 2
        return min(width - 1, max(0, round(share * (width - 1))))

    if interval_mm is not None:
        for index in range(column(interval_mm[0]), column(interval_mm[1]) + 1):
            columns[index] = bar
    seen: dict[int, int] = {}
    for mm in contacts_mm:
        index = column(mm)
        seen[index] = seen.get(index, 0) + 1
        if abs(mm) > half_length_mm:
            columns[index] = "<" if mm < 0 else ">"
        else:
            columns[index] = dot if seen[index] == 1 else many
    if mean_mm is not None:
        columns[column(mean_mm)] = mean
    heel_end, toe_end = ("[", "]") if plain else ("├", "┤")
    if toe_on_right:
        return f"heel {heel_end}{''.join(columns)}{toe_end} toe"
    turned = ["<" if c == ">" else ">" if c == "<" else c for c in reversed(columns)]
    return f"toe {heel_end}{''.join(turned)}{toe_end} heel"
