"""Copy a data file while it is in use, and look whether the copy is whole."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from logger.errors import StoreError
from logger.store.explain import explained
from logger.store.names import quoted, table_names


@dataclass(frozen=True, slots=True)
class CopyFacts:
    """What a copy holds, as read back from it."""

    schema: int
    """Number of schema steps that are in."""
    rows: dict[str, int]
    """Rows by table."""
    size_bytes: int


def copy_database(source: sqlite3.Connection, target: Path) -> CopyFacts:
    """Copy what ``source`` sees now into the new file ``target``, and read it back.

    Whoever writes to the source meanwhile neither waits nor shows in the copy: one read
    transaction spans the counting and the copying. The copy is one file: no -wal file belongs to
    it.

    Raises
    ------
    StoreError
        The copy is not what the source was; nothing is left of it then.
    sqlite3.Error
        The source cannot be read.
    """
    try:
        source.execute("BEGIN")
        try:
            before = _facts(source)
            with explained(target), closing(_new_file(target)) as copy:
                # In one go: a copy in steps begins again whenever another program writes.
                source.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
        finally:
            source.rollback()
        facts = read_back(target)
        if (facts.schema, facts.rows) != before:
            raise StoreError(f"{target}: the copy does not hold what the data file holds")
    except BaseException:
        for ending in ("", "-journal", "-wal", "-shm"):
            with suppress(OSError):
                target.with_name(target.name + ending).unlink(missing_ok=True)
        raise
    return facts


def read_back(path: Path) -> CopyFacts:
    """Return what a finished copy holds.

    Raises
    ------
    StoreError
        It is damaged.
    """
    # immutable: nobody writes to it, and looking must leave no file beside it.
    uri = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
    with explained(path), closing(sqlite3.connect(uri, uri=True)) as copy:
        wrong = integrity(copy, at_most=1)
        if wrong:
            raise StoreError(f"{path}: the copy is damaged ({wrong[0]}): nothing was kept of it")
        schema, rows = _facts(copy)
    return CopyFacts(schema, rows, path.stat().st_size)


def integrity(connection: sqlite3.Connection, *, at_most: int = 100) -> Sequence[str]:
    """Tell what SQLite finds wrong with the file itself; empty if nothing."""
    rows = connection.execute(f"PRAGMA integrity_check({int(at_most)})")
    # Some of what it says has line breaks, and goes into messages of one line.
    found = [" ".join(row[0].split()) for row in rows]
    return () if found == ["ok"] else found


def sync_to_disk(path: Path) -> None:
    """Return when a file's content is on the disk."""
    # Windows syncs only what is open for writing.
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _new_file(path: Path) -> sqlite3.Connection:
    if path.exists():
        raise StoreError(f"{path}: there is a file of this name already")
    return sqlite3.connect(path, isolation_level=None)


def _facts(connection: sqlite3.Connection) -> tuple[int, dict[str, int]]:
    schema = int(connection.execute("PRAGMA user_version").fetchone()[0])
    rows = {
        table: int(connection.execute(f"SELECT COUNT(*) FROM {quoted(table)}").fetchone()[0])
        for table in table_names(connection)
    }
    return schema, rows
