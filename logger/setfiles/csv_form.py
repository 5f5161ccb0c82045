"""Set files from a spreadsheet: one row of headings, one row per club.

Above the headings may stand rows such as ``player;NAME``. Empty rows and rows that begin with ``#``
are skipped. Cells are parted by commas, semicolons or tabs.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from itertools import islice

from logger.setfiles.cells import is_blank, shown
from logger.setfiles.entries import ClubEntries, Entries, Entry, Problems
from logger.setfiles.fields import CLUB_FIELDS, SET_FIELDS, Heading, understand

_DELIMITERS = (",", ";", "\t")
_LABEL = CLUB_FIELDS[0]
# Rows looked at for headings: above them stand a few of the player and the set.
_MOST_ABOVE = 100


class _NotCsvError(Exception):
    """The text cannot be read with this delimiter."""


@dataclass(frozen=True, slots=True)
class _Sheet:
    rows: list[list[str]]
    heading_at: int
    """Index of the row of headings; -1 if there is none."""
    headings: list[Heading]

    @property
    def understood(self) -> int:
        """How many headings mean something."""
        return sum(heading.field is not None for heading in self.headings)


def read_csv(text: str, problems: Problems) -> Entries:
    """Read the entries of a spreadsheet; what is wrong goes to ``problems``."""
    found = Entries()
    sheets: list[_Sheet] = []
    damage: list[str] = []
    for delimiter in _DELIMITERS:
        try:
            sheets.append(_sheet(text, delimiter))
        except _NotCsvError as exc:
            damage.append(str(exc))
    sheet = max(sheets, key=lambda each: each.understood, default=_Sheet([], -1, []))
    if damage and sheet.understood == 0:
        problems.add("", damage[0])
        return found
    if not any(heading.field is _LABEL for heading in sheet.headings):
        place = "" if sheet.heading_at < 0 else f"row {sheet.heading_at + 1}"
        problems.add(place, "there is no club column: head the column of club names 'club'")
        return found
    _read_facts(sheet, found, problems)
    columns = _columns(sheet, found, problems)
    for at in range(sheet.heading_at + 1, len(sheet.rows)):
        _read_club(at, sheet, columns, found, problems)
    return found


def _is_skipped(row: list[str]) -> bool:
    first = next((cell.strip() for cell in row if cell.strip()), "#")
    return first.startswith("#")


def _sheet(text: str, delimiter: str) -> _Sheet:
    # strict: a quote that nobody closes would swallow the clubs below it
    # skipinitialspace: a quote after ", " still opens a quoted cell; it would swallow tabs
    reader = csv.reader(
        io.StringIO(text, newline=""),
        delimiter=delimiter,
        strict=True,
        skipinitialspace=delimiter != "\t",
    )
    rows: list[list[str]] = []
    try:
        rows.extend(reader)
    except csv.Error as exc:
        raise _NotCsvError(f"row {len(rows) + 1}: the quotes do not match ({exc})") from exc
    filled = (at for at, row in enumerate(rows) if not _is_skipped(row))
    for at in islice(filled, _MOST_ABOVE):
        headings = _headings(rows[at])
        here = _Sheet(rows, at, headings)
        # One club column alone makes a heading row; one fact alone does not.
        if here.understood >= 2 or any(heading.field is _LABEL for heading in headings):
            return here
    return _Sheet(rows, -1, [])


def _headings(row: list[str]) -> list[Heading]:
    headings = [understand(cell) for cell in row]
    while headings and not headings[-1].text:
        headings.pop()
    return headings


def _read_facts(sheet: _Sheet, found: Entries, problems: Problems) -> None:
    for at, row in enumerate(sheet.rows[: sheet.heading_at]):
        if _is_skipped(row):
            continue
        heading = understand(row[0].strip().rstrip(":"))
        place = f"row {at + 1}"
        if heading.field not in SET_FIELDS or heading.field is None:
            found.ignored.append(place)
        elif heading.field.name in found.facts:
            earlier = found.facts[heading.field.name].place
            problems.add(place, f"says the same as {earlier}: keep one")
        elif len(row) > 1 and not is_blank(row[1]):
            found.facts[heading.field.name] = Entry(
                heading.field, row[1].strip(), heading.unit, f"{place}, {heading.text}"
            )


def _columns(sheet: _Sheet, found: Entries, problems: Problems) -> dict[int, Heading]:
    """Columns that mean something, by index."""
    columns: dict[int, Heading] = {}
    seen: dict[str, Heading] = {}
    for index, heading in enumerate(sheet.headings):
        if heading.field is None:
            if heading.text:
                found.ignored.append(f"column {heading.text!r}")
        elif heading.field.name in seen:
            problems.add(
                f"row {sheet.heading_at + 1}, column {heading.text!r}",
                f"says the same as column {seen[heading.field.name].text!r}: keep one",
            )
        else:
            seen[heading.field.name] = heading
            columns[index] = heading
    return columns


def _read_club(
    at: int, sheet: _Sheet, columns: dict[int, Heading], found: Entries, problems: Problems
) -> None:
    row = sheet.rows[at]
    if _is_skipped(row):
        return
    place = f"row {at + 1}"
    if any(cell.strip() for cell in row[len(sheet.headings) :]):
        problems.add(
            place,
            f"{len(row)} cells under {len(sheet.headings)} headings: if a comma is part of a "
            "number, put that number in quotes or save with semicolons",
        )
        return
    entries: dict[str, Entry] = {}
    for index, heading in columns.items():
        assert heading.field is not None
        cell = row[index].strip() if index < len(row) else ""
        if is_blank(cell):
            continue
        entry = Entry(heading.field, cell, heading.unit, f"{place}, column {heading.text!r}")
        if heading.field not in SET_FIELDS:
            entries[heading.field.name] = entry
            continue
        earlier = found.facts.setdefault(heading.field.name, entry)
        if earlier.value != cell:
            problems.add(
                entry.place, f"{shown(cell)} differs from {shown(earlier.value)} in {earlier.place}"
            )
    if entries:
        found.clubs.append(ClubEntries(place, entries))
