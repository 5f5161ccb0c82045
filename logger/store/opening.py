"""Open a data file, and tell first, before anything is written, whether it is one of ours."""

from __future__ import annotations

import itertools
import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from logger.errors import OlderFileError, SchemaVersionError, StoreError
from logger.store.copying import copy_database
from logger.store.explain import damaged, explained
from logger.store.migrations import (
    APPLICATION_ID,
    STEPS,
    Step,
    refuse_newer,
    upgrade,
    version_of,
)

# STRICT tables, RETURNING and JSON functions.
_OLDEST_SQLITE = (3, 38, 0)
# Bytes of the smallest page (https://www.sqlite.org/fileformat2.html, 1.3.2): no file has less.
_SMALLEST_PAGE = 512


def _connect(path: Path, query: str, busy_s: float) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?{query}",
        uri=True,
        timeout=busy_s,
        # autocommit: transactions begin where the code says BEGIN
        isolation_level=None,
        # `Store` holds a lock of its own around every call.
        check_same_thread=False,
    )


def _wal_has_content(path: Path) -> bool:
    """Whether pages wait in the -wal file that are not in the data file yet."""
    wal = path.with_name(path.name + "-wal")
    return wal.exists() and wal.stat().st_size > 0


def _connect_for_reading(path: Path, busy_s: float) -> sqlite3.Connection:
    """Connect without leave to write."""
    connection = _connect(path, "mode=ro", busy_s)
    try:
        connection.execute("SELECT COUNT(*) FROM sqlite_schema")
    except sqlite3.Error as exc:
        connection.close()
        # WAL wants a file beside the data file even for reading. On a medium or in a folder that
        # cannot be written, and with nothing waiting in the -wal file, the data file alone is
        # everything, and is taken not to change while it is read.
        codes = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
        if exc.sqlite_errorcode & 0xFF not in codes or _wal_has_content(path):
            raise
        return _connect_immutable(path)
    return connection


def _connect_immutable(path: Path) -> sqlite3.Connection:
    """Connect without leaving any trace; only while nobody writes."""
    return _connect(path, "mode=ro&immutable=1", 0.0)


def _check_place(path: Path, *, read_only: bool) -> None:
    """Say what is wrong with the place itself, before SQLite says it less well."""
    if path.name == ":memory:":
        raise StoreError(f"{path}: what is kept in memory is lost at the end: name a file")
    try:
        there = path.exists()
    except OSError as exc:
        raise StoreError(f"{str(path)[:80]}: {exc.strerror}: name another file") from exc
    if there and not (path.is_file() or path.is_dir()):
        raise StoreError(f"{path}: this is a device and no file: name a file")
    if not path.parent.is_dir():
        raise StoreError(f"{path}: there is no folder {path.parent}: make it, or name another file")
    if path.is_dir():
        raise StoreError(f"{path}: this is a folder: name a file in it")
    if read_only:
        if not path.exists():
            raise StoreError(f"{path}: there is no such data file: check the name")
        if not os.access(path, os.R_OK):
            raise StoreError(f"{path}: you may not read this file: mend its permissions")
        return
    if path.exists() and not os.access(path, os.W_OK):
        raise StoreError(
            f"{path}: this file is read-only: mend its permissions, or copy it elsewhere"
        )
    if not os.access(path.parent, os.W_OK):
        raise StoreError(
            f"{path}: you may not write in the folder {path.parent}: mend its permissions, "
            "or name a file elsewhere"
        )


def look_into(
    path: Path, *, busy_s: float = 5.0, steps: Sequence[Step] = STEPS
) -> sqlite3.Connection:
    """Open a data file of ours, also an older one, only to read what is in it.

    Raises
    ------
    StoreError
        It is not there, or not ours.
    SchemaVersionError
        A newer version wrote it.
    """
    _check_place(path, read_only=True)
    with explained(path):
        if _version_before_writing(path, len(steps), busy_s) == 0:
            raise StoreError(f"{path}: there is nothing in this file: name another file")
        if not path.with_name(path.name + "-wal").exists():
            # Nobody has it open: every connection of ours has such a file. Looking leaves none.
            return _connect_immutable(path)
        return _connect_for_reading(path, busy_s)


def _version_before_writing(path: Path, latest: int, busy_s: float) -> int:
    """Return the schema version of a file, 0 if it has no content; raise if it is not ours."""
    if not path.exists() or path.stat().st_size == 0:
        return 0
    if path.stat().st_size < _SMALLEST_PAGE:
        # SQLite takes such a file for an empty one, and would write over what is in it.
        raise StoreError(f"{path}: this is not a lieboard data file: name another file")
    # Looking must leave no trace beside a file that is not ours; what waits in a -wal file can
    # only be seen by a reader who joins in.
    unfinished = _wal_has_content(path)
    look = _connect_for_reading(path, busy_s) if unfinished else _connect_immutable(path)
    with closing(look) as connection:
        application_id = connection.execute("PRAGMA application_id").fetchone()[0]
        version = version_of(connection)
        tables = connection.execute("SELECT COUNT(*) FROM sqlite_schema").fetchone()[0]
        if application_id == APPLICATION_ID and tables and version < latest:
            _refuse_damaged(path, connection, version)
            # SQLite reads zeros where the last page was cut off, and its check finds nothing. What
            # a -wal file still holds may be the rest.
            page_bytes = connection.execute("PRAGMA page_size").fetchone()[0]
            if not unfinished and path.stat().st_size % page_bytes:
                raise damaged(path)
    if application_id == 0 and version == 0 and tables == 0:
        return 0
    if application_id != APPLICATION_ID:
        raise StoreError(f"{path}: this database belongs to another program: name another file")
    try:
        refuse_newer(version, latest)
    except SchemaVersionError as exc:
        raise SchemaVersionError(f"{path}: {exc}") from exc
    return version


def _refuse_damaged(path: Path, connection: sqlite3.Connection, version: int) -> None:
    """Look through a whole file before it is upgraded: rewriting could make damage worse."""
    if version < 0 or connection.execute("PRAGMA integrity_check(1)").fetchone() != ("ok",):
        raise damaged(path)


def _keep_older(path: Path, version: int, busy_s: float) -> None:
    """Copy a file of an older version beside it before it is upgraded.

    The caller holds the lock for writing: what is copied is what is upgraded.
    """
    target = next(
        name
        for number in itertools.count()
        if not (name := path.with_name(older_name(path.name, version, number))).exists()
    )
    with closing(_connect_for_reading(path, busy_s)) as source:
        try:
            copy_database(source, target)
        except StoreError as exc:
            raise StoreError(
                f"before the upgrade a copy is made, and it could not be ({exc}); "
                "nothing was changed"
            ) from exc


def older_name(name: str, version: int, number: int = 0) -> str:
    """Name of the copy that is kept of a data file before an upgrade from ``version``."""
    return f"{name}.schema-{version}" + (f".{number}" if number else "")


def open_connection(
    path: Path, *, read_only: bool, busy_s: float, steps: Sequence[Step] = STEPS
) -> sqlite3.Connection:
    """Open (or make, or upgrade) the data file at ``path``.

    Raises
    ------
    StoreError
        With one line that says what to do; the file is then as it was.
    SchemaVersionError
        If a newer version wrote it.
    """
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        wanted = ".".join(map(str, _OLDEST_SQLITE))
        raise StoreError(
            f"this Python brings SQLite {sqlite3.sqlite_version}, but {wanted} or newer is needed: "
            "use a newer Python"
        )
    _check_place(path, read_only=read_only)
    with explained(path):
        version = _version_before_writing(path, len(steps), busy_s)
        if read_only:
            if version < len(steps):
                raise OlderFileError(
                    f"{path}: this data file is empty or from an older version: "
                    "open it once for writing"
                )
            return _connect_for_reading(path, busy_s)
        connection = _connect(path, "mode=rwc", busy_s)
        try:
            # Before the first tables: a program that is killed while it makes them then leaves a
            # file that still says what it is.
            connection.execute("PRAGMA journal_mode = WAL")
            # A board forgets a record once it is confirmed, so a commit must be on the disk
            # when it returns; macOS needs fullfsync for that, elsewhere it changes nothing.
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA fullfsync = ON")
            # What would undo a part of a transaction needs no file of its own, made and deleted
            # for each (strace, tests/benchmarks/load.py: half of all writes).
            connection.execute("PRAGMA temp_store = MEMORY")
            # Asked again: opening undoes what a program that was killed had begun.
            if version_of(connection) < len(steps):
                try:
                    upgrade(connection, steps, lambda old: _keep_older(path, old, busy_s))
                except (StoreError, SchemaVersionError) as exc:
                    raise type(exc)(f"{path}: {exc}") from exc
            connection.execute("PRAGMA foreign_keys = ON")
        except BaseException:
            connection.close()
            raise
    return connection
