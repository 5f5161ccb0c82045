"""Set files as TOML: the player and the set at the top, then one ``[[club]]`` after the other."""

from __future__ import annotations

import tomllib

from logger.setfiles.cells import is_blank, shown
from logger.setfiles.entries import ClubEntries, Entries, Entry, Problems
from logger.setfiles.fields import CLUB_FIELDS, SET_FIELDS, Field, understand

_CLUB_KEYS = ("club", "clubs")


def read_toml(text: str, problems: Problems) -> Entries:
    """Read the entries of a TOML set file; what is wrong goes to ``problems``."""
    found = Entries()
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        problems.add("", f"this is not TOML: {exc}")
        return found
    except (ValueError, RecursionError):
        # tomllib lets these through: a number of thousands of digits, a thousand brackets.
        problems.add("", "this is not TOML: a number is too long, or too much is nested")
        return found
    club_tables: list[object] = []
    facts: dict[str, object] = {}
    for key, value in document.items():
        if key.casefold() in _CLUB_KEYS:
            club_tables += value if isinstance(value, list) else [value]
        else:
            facts[key] = value
    found.facts = _entries(facts, SET_FIELDS, "", found.ignored, problems)
    for number, table in enumerate(club_tables, start=1):
        place = f"club {number}"
        if not isinstance(table, dict):
            problems.add(place, "write it as a table: [[club]] and its values below")
            continue
        for key, value in table.items():
            if understand(key).field in CLUB_FIELDS[:1] and isinstance(value, str | int):
                named = " ".join(value.split()) if isinstance(value, str) else shown(value)
                place = f"club {number} ({named[:24]})"
        entries = _entries(table, CLUB_FIELDS, place, found.ignored, problems)
        found.clubs.append(ClubEntries(place, entries))
    return found


def _entries(
    table: dict[str, object],
    fields: tuple[Field, ...],
    place: str,
    ignored: list[str],
    problems: Problems,
) -> dict[str, Entry]:
    entries: dict[str, Entry] = {}
    for key, value in table.items():
        heading = understand(key)
        here = f"{place}, {heading.text}" if place else heading.text
        if heading.field is None or heading.field not in fields:
            if here not in ignored:
                ignored.append(here)
        elif heading.field.name in entries:
            problems.add(here, f"says the same as {entries[heading.field.name].place}: keep one")
        elif not is_blank(value):
            entries[heading.field.name] = Entry(heading.field, value, heading.unit, here)
    return entries
