"""Archived sessions -> a data file in memory, so that the same code works on both."""

from __future__ import annotations

import functools
import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from logger.archive.layout import Place
from logger.errors import StoreError
from logger.extras import extra
from logger.store.copies.columns import COPY_SCHEMA, PARTS, Row, SessionCopy
from logger.store.copies.make import CarriedRecord
from logger.store.migrations import upgrade
from logger.store.store import Store


def unpacked(folder: Path, place: Place, copies: Sequence[int]) -> tuple[Store, dict[int, int]]:
    """Make a data file in memory of some sessions of one part.

    Returns
    -------
    Store
        To be closed by the caller.
    dict
        Id of the session in it by copy.
    """
    with extra("archive"):
        import pyarrow.parquet as parquet
    wanted = [("copy", "in", list(copies))]
    tables: dict[str, dict[int, list[Row]]] = {}
    for table in ("sessions", "strikes", "records"):
        read = parquet.read_table(
            place.path(folder, table), filters=wanted, partitioning=None, memory_map=False
        )
        if table == "strikes":
            read = _with_plain_moments(read)
        rows: dict[int, list[Row]] = {copy: [] for copy in copies}
        for row in read.to_pylist():
            rows[row.pop("copy")].append(row)
        tables[table] = rows
    store = Store(_in_memory(), place.path(folder, "sessions"), read_only=False)
    try:
        ids: dict[int, int] = {}
        for copy in copies:
            if not tables["sessions"][copy]:
                raise StoreError(
                    f"{place.path(folder, 'sessions')}: session copy {copy} is missing: the part "
                    "is damaged; put a backup of it back"
                )
            content = tables["sessions"][copy][0]["content"]
            ids[copy] = store.copies.take_in(_session_copy(content, tables["strikes"][copy]))
            store.copies.take_records(
                ids[copy],
                [CarriedRecord(id=0, session=ids[copy], **row) for row in tables["records"][copy]],
            )
    except BaseException:
        store.close()
        raise
    return store, ids


def _in_memory() -> sqlite3.Connection:
    """Make an empty data file in memory."""
    # check_same_thread: a worker may close what another thread of it opened.
    connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    connection.deserialize(_empty_file())
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


@functools.cache
def _empty_file() -> bytes:
    """Make the tables once: that takes a tenth of a second, as long as a session does."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        upgrade(connection)
        return connection.serialize()


def _with_plain_moments(table: Any) -> Any:  # noqa: ANN401 - pyarrow has no types
    """Put nanoseconds as whole numbers in place of timestamps, which Python has no room for."""
    import pyarrow as arrow

    column = table.column("struck_utc").cast(arrow.int64())
    return table.drop_columns(["struck_utc"]).append_column("struck_utc_ns", column)


def _session_copy(content: str, contacts: Sequence[Row]) -> SessionCopy:
    parts = json.loads(content)
    said = parts.pop("schema", None)
    if said != COPY_SCHEMA:
        raise StoreError(
            f"a session in the archive says it is {said!r}, and this program knows "
            f"{COPY_SCHEMA!r}: update this program"
        )
    copy: SessionCopy = parts
    for part, source in (("strikes", "board"), ("marks", "mark")):
        names = [column.name for column in PARTS[part].columns]
        copy[part] = [
            {name: row["toe_u_mm" if name == "u_mm" else name] for name in names}
            for row in contacts
            if row["source"] == source
        ]
    return copy
