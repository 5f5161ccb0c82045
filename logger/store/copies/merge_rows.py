"""Take the rows of one table of another data file into this one, by `merge_rules`."""

from __future__ import annotations

import re
import sqlite3
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from logger.store.copies.merge_rules import (
    BLANK_AT_FIRST,
    CAUSES,
    KEYS,
    ORDERED,
    Key,
    Rank,
    Row,
    key_of,
    order,
    settle,
)
from logger.store.core import Value
from logger.store.names import columns_of, links_of, must_have, quoted, unique_columns

_CAUSE = re.compile(r"(taken back \()?foot switch (\d+):(\d+)\)?")


@dataclass(frozen=True, slots=True)
class Difference:
    """Two files said different things of one thing."""

    what: str
    """Such as ``players Robin Ashdown: note``."""
    kept: Value
    dropped: Value


@dataclass(slots=True)
class Merging:
    """One merge under way."""

    connection: sqlite3.Connection
    other: str
    """Schema name under which the other file is attached."""
    ids: dict[str, dict[int, int]] = field(default_factory=dict)
    """By table: ids in the other file, and what they are here."""
    added: Counter[str] = field(default_factory=Counter)
    changed: Counter[str] = field(default_factory=Counter)
    differences: list[Difference] = field(default_factory=list)
    new: dict[str, set[int]] = field(default_factory=dict)
    """By table: rows that were added."""
    refile: set[int] = field(default_factory=set)
    """Sessions here in which the clubs of strikes are to be worked out again from the turns."""
    _links: dict[str, dict[str, str]] = field(default_factory=dict)

    def links(self, table: str) -> dict[str, str]:
        """Columns of a table that hold ids of another, each with that table."""
        if table not in self._links:
            self._links[table] = links_of(self.connection, table)
        return self._links[table]

    def rows(self, table: str, schema: str = "main") -> list[tuple[int, Row]]:
        """Rows of a table of one of the two files by row number, without the column ``id``."""
        cursor = self.connection.execute(
            f"SELECT rowid, * FROM {quoted(schema)}.{quoted(table)} ORDER BY rowid"
        )
        names = [column[0] for column in cursor.description[1:]]
        found = []
        for number, *values in cursor:
            row: Row = dict(zip(names, values, strict=True))
            row.pop("id", None)
            found.append((int(number), row))
        return found

    def own_id(self, table: str, other_id: Value) -> int | None:
        """Id here of a row of the other file."""
        return self.ids.get(table, {}).get(other_id) if isinstance(other_id, int) else None

    def translated(self, table: str, row: Row) -> Row:
        """Say a row of the other file in ids of this one."""
        said = dict(row)
        for column, parent in self.links(table).items():
            said[column] = self.own_id(parent, said[column])
        for column in said:
            if (table, column) in CAUSES:
                said[column] = self._cause(said[column])
        return said

    def _cause(self, said: Value) -> Value:
        found = _CAUSE.fullmatch(said) if isinstance(said, str) else None
        boot = None if found is None else self.own_id("boots", int(found[2]))
        if found is None or boot is None:
            return said
        named = f"foot switch {boot}:{found[3]}"
        return f"taken back ({named})" if found[1] else named

    def insert(self, table: str, row: Row) -> int:
        """Add a row; return its number."""
        names = ", ".join(map(quoted, row))
        places = ", ".join("?" * len(row))
        cursor = self.connection.execute(
            f"INSERT INTO main.{quoted(table)} ({names}) VALUES ({places})", list(row.values())
        )
        self.added[table] += 1
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def update(self, table: str, number: int, values: Mapping[str, Value]) -> None:
        """Change a row."""
        names = ", ".join(f"{quoted(name)} = ?" for name in values)
        self.connection.execute(
            f"UPDATE main.{quoted(table)} SET {names} WHERE rowid = ?", [*values.values(), number]
        )
        self.changed[table] += 1

    def differ(self, what: str, kept: Value, dropped: Value) -> None:
        """Note that one of two words was dropped."""
        self.differences.append(Difference(what, kept, dropped))

    def rank(self, table: str, column: str, value: Value) -> Rank:
        """Sort values of a column by what they mean, whatever the ids of the two files are."""
        parent = self.links(table).get(column)
        if parent is not None and isinstance(value, int):
            names = KEYS.get(parent) or unique_columns(self.connection, parent)
            columns = ", ".join(map(quoted, names))
            row = self.connection.execute(
                f"SELECT {columns} FROM main.{quoted(parent)} WHERE rowid = ?", (value,)
            ).fetchone()
            if row is not None:
                return (9, [self.rank(parent, n, v) for n, v in zip(names, row, strict=True)])
        found = _CAUSE.fullmatch(value) if isinstance(value, str) else None
        if (table, column) in CAUSES and found is not None:
            return (8, [order(found[1]), self.rank("records", "boot", int(found[2])),
                        order(int(found[3]))])  # fmt: skip
        return order(value)


def merge_table(merging: Merging, table: str) -> None:
    """Take in all rows of a table, but for those whose links lead nowhere."""
    connection = merging.connection
    columns = columns_of(connection, table)
    key = KEYS.get(table) or unique_columns(connection, table)
    links = merging.links(table)
    must = [name for name in must_have(connection, table) if name in links]
    before = merging.rows(table)
    theirs = [
        (number, said)
        for number, row in merging.rows(table, merging.other)
        for said in (merging.translated(table, row),)
        # A link that leads nowhere is a damaged file's: 'lieboard check' tells of it.
        if all(said[name] is not None for name in must)
    ]
    here: dict[tuple[Key, int], tuple[int, Row]] = {}
    seen: Counter[Key] = Counter()
    for number, row in before:
        named = key_of(table, row, key)
        here[named, seen[named]] = (number, row)
        seen[named] += 1
    ids = merging.ids.setdefault(table, {})
    merging.new[table] = set()
    seen.clear()
    for number, said in theirs:
        named = key_of(table, said, key)
        # Rows that say the very same in one file are as many in the merged one.
        found = here.get((named, seen[named]))
        seen[named] += 1
        if found is None:
            own = merging.insert(
                table, {k: None if (table, k) in BLANK_AT_FIRST else v for k, v in said.items()}
            )
            merging.new[table].add(own)
        else:
            own = found[0]
            _settle(merging, table, *found, said, key)
        if "id" in columns:
            ids[number] = own
    if table == "turns":
        merging.refile |= _sessions_that_differ(merging, before, theirs)
    if table in ORDERED:
        _put_moments_in_order(merging, table, before, theirs)


def _sessions_that_differ(
    merging: Merging, before: Sequence[tuple[int, Row]], theirs: Sequence[tuple[int, Row]]
) -> set[int]:
    """Sessions in both files whose turns are not the same in both."""
    ours_of: dict[Value, list[Row]] = {}
    theirs_of: dict[Value, list[Row]] = {}
    for rows, by_session in ((before, ours_of), (theirs, theirs_of)):
        for _, row in rows:
            by_session.setdefault(row["session"], []).append(row)
    return {
        session
        for session in set(merging.ids["sessions"].values()) - merging.new["sessions"]
        if ours_of.get(session) != theirs_of.get(session)
    }


def name_of(merging: Merging, table: str, row: Row) -> str:
    """Name a row for a person."""
    words = [
        _part_of_name(merging, table, column, row[column])
        for column in KEYS.get(table, ())
        if row[column] is not None
    ]
    return " ".join([table, *words])


def _part_of_name(merging: Merging, table: str, column: str, value: Value) -> str:
    parent = merging.links(table).get(column)
    names = KEYS.get(parent or "", ())
    if parent is None or not names:
        return str(value)
    # The last column that names the parent is its own name.
    row = merging.connection.execute(
        f"SELECT {quoted(names[-1])} FROM main.{quoted(parent)} WHERE rowid = ?", (value,)
    ).fetchone()
    return str(value if row is None else row[0])


def _settle(
    merging: Merging, table: str, number: int, known: Row, said: Row, key: Sequence[str]
) -> None:
    if known == said:
        return
    session = known.get("session")
    if table == "strikes" and known["club"] != said["club"] and isinstance(session, int):
        merging.refile.add(session)
    result, told = settle(table, known, said, key, lambda c, v: merging.rank(table, c, v))
    for name in told:
        dropped = said[name] if result[name] == known[name] else known[name]
        merging.differ(f"{name_of(merging, table, known)}: {name}", result[name], dropped)
    changes = {name: value for name, value in result.items() if value != known[name]}
    if changes:
        merging.update(table, number, changes)


def _put_moments_in_order(
    merging: Merging,
    table: str,
    before: Sequence[tuple[int, Row]],
    theirs: Sequence[tuple[int, Row]],
) -> None:
    """Give rows of one moment an order that does not hang on which file took in which.

    If all of them are in one file, its order counts; else they are sorted by what they say.
    """
    ours_at, theirs_at = _by_moment(table, before), _by_moment(table, theirs)
    for moment, now in _by_moment(table, merging.rows(table)).items():
        ours = [row for _, row in ours_at.get(moment, ())]
        others = [row for _, row in theirs_at.get(moment, ())]
        if len(now) < 2 or not others or others == ours:
            continue

        def rank(row: Row) -> list[Rank]:
            return [merging.rank(table, name, value) for name, value in row.items()]

        if len(ours) == len(others) == len(now):
            wanted = min(ours, others, key=lambda rows: [rank(row) for row in rows])
        elif len(ours) == len(now):
            wanted = ours
        elif len(others) == len(now):
            wanted = others
        else:
            wanted = sorted((row for _, row in now), key=rank)
        for (number, row), want in zip(now, wanted, strict=True):
            if row != want:
                merging.update(table, number, want)


def _by_moment(table: str, rows: Sequence[tuple[int, Row]]) -> dict[Key, list[tuple[int, Row]]]:
    moments: dict[Key, list[tuple[int, Row]]] = {}
    for number, row in rows:
        moments.setdefault(key_of(table, row, ORDERED[table]), []).append((number, row))
    return moments
