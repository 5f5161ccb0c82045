"""Names of tables and columns, read from a file's own schema and quoted for SQL."""

from __future__ import annotations

import sqlite3
from typing import Final

_OTHER_COUNT: Final = "_sqlite_migrations"
"""A second count of schema steps in files of earlier versions: nothing reads it."""


def quoted(name: str) -> str:
    """Quote a name of a table or column (https://www.sqlite.org/lang_keywords.html)."""
    return '"' + name.replace('"', '""') + '"'


def table_names(connection: sqlite3.Connection, schema: str = "main") -> list[str]:
    """Tables by name, without SQLite's own and the second count of steps."""
    return [
        row[0]
        for row in connection.execute(
            f"SELECT name FROM {quoted(schema)}.sqlite_schema WHERE type = 'table'"
            " AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND name <> ? ORDER BY name",
            (_OTHER_COUNT,),
        )
    ]


def columns_of(connection: sqlite3.Connection, table: str, schema: str = "main") -> dict[str, str]:
    """Columns of a table in order, each with its declared type."""
    return {
        row[1]: row[2]
        for row in connection.execute(f"PRAGMA {quoted(schema)}.table_info({quoted(table)})")
    }


def links_of(connection: sqlite3.Connection, table: str) -> dict[str, str]:
    """Columns that hold ids of another table, each with that table."""
    return {
        row[3]: row[2]
        for row in connection.execute(f"PRAGMA main.foreign_key_list({quoted(table)})")
    }


def must_have(connection: sqlite3.Connection, table: str) -> list[str]:
    """Columns that are never NULL."""
    return [
        row[1]
        for row in connection.execute(f"PRAGMA main.table_info({quoted(table)})")
        if row[3] or row[5]
    ]


def unique_columns(connection: sqlite3.Connection, table: str) -> tuple[str, ...]:
    """Columns that name a row of a table: of its first UNIQUE constraint, else all but its id."""
    for row in connection.execute(f"PRAGMA main.index_list({quoted(table)})").fetchall():
        if row[2] and row[3] in ("u", "pk"):
            names = connection.execute(f"PRAGMA main.index_info({quoted(row[1])})").fetchall()
            return tuple(name[2] for name in names)
    return tuple(name for name in columns_of(connection, table) if name != "id")


def has_row_numbers(connection: sqlite3.Connection, table: str) -> bool:
    """Whether rows of a table are numbered (it was not made WITHOUT ROWID)."""
    # PRAGMA table_list says it too, but looks at every table: 5 ms a call.
    row = connection.execute(
        "SELECT sql FROM main.sqlite_schema WHERE type = 'table' AND name = ?", (table,)
    ).fetchone()
    options = str(row[0]).rpartition(")")[2]
    return "WITHOUT ROWID" not in options.upper()
