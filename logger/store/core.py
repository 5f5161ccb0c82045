"""One connection, its lock and its transactions: what every part of the store stands on."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

from logger.errors import StoreError
from logger.store.explain import explained

if TYPE_CHECKING:
    from sqlite_utils import Database

_Row = TypeVar("_Row")
# What SQLite can keep in our columns.
Value: TypeAlias = str | int | float | bytes | None
Parameters: TypeAlias = Sequence[Value] | Mapping[str, Value]


class DataFile:
    """Shared ground of the parts of `logger.store.store.Store`.

    Calls may come from any thread, one at a time: a lock is held for the length of each.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
        self.path = path
        self.read_only = read_only
        self.connection = connection
        self.lock = threading.RLock()
        self._gathering = False
        # A part inside a transaction is marked in the file only once it writes.
        self._part_begins = False
        self._undone: BaseException | None = None
        self._database: Database | None = None

    def close(self) -> None:
        """Close the file; may be called more than once."""
        with self.lock, explained(self.path):
            self.connection.close()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all inside is on the disk when it ends, or nothing of it is.

        Inside another one it is a part of that.
        """
        if self.read_only:
            raise StoreError(f"{self.path}: opened for reading only: open it for writing")
        with self.lock, explained(self.path):
            connection = self.connection
            if connection.in_transaction:
                if self._part_begins:
                    connection.execute("SAVEPOINT part")
                    self._part_begins = False
                yield connection
                return
            connection.execute("BEGIN IMMEDIATE")
            if self._gathering:
                yield connection
                return
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                # Does nothing if a full disk has rolled it back already.
                connection.rollback()
                raise

    @contextmanager
    def gathering(self) -> Iterator[None]:
        """Let all that is written inside be one transaction: one wait for the disk, not many.

        Nothing of it is on the disk before this ends, and nothing of it is stored if this raises.
        Several things that must not undo each other go each into a `part`. Costs nothing if
        nothing is written.
        """
        with self.lock, explained(self.path):
            connection = self.connection
            self._gathering, self._undone = True, None
            try:
                yield
                if self._undone is not None:
                    raise self._undone
                if connection.in_transaction:
                    connection.execute("COMMIT")
            except BaseException:
                connection.rollback()
                raise
            finally:
                self._gathering = False

    @contextmanager
    def part(self) -> Iterator[None]:
        """Undo what was written inside if this raises, and only that; inside `gathering`."""
        connection = self.connection
        with self.lock, explained(self.path):
            began_here = not connection.in_transaction
            self._part_begins = not began_here
            try:
                yield
            except BaseException as error:
                if connection.in_transaction:
                    if began_here:
                        connection.execute("ROLLBACK")
                    elif not self._part_begins:
                        connection.execute("ROLLBACK TO part")
                elif not began_here:
                    # A full disk has rolled back everything, what others wrote before too.
                    self._undone = error
                raise
            else:
                if not (began_here or self._part_begins) and connection.in_transaction:
                    connection.execute("RELEASE part")
            finally:
                self._part_begins = False

    @property
    def _tables(self) -> Database:
        """The same connection through sqlite-utils, for writes that are few."""
        if self._database is None:
            # Imported here: it takes 0.4 s (python -X importtime), and reading and logging
            # do without it.
            from sqlite_utils import Database

            self._database = Database(self.connection, execute_plugins=False)
        return self._database

    def insert(self, table: str, values: Mapping[str, Value]) -> int:
        """Insert one row and return its id."""
        with self.writing():
            row_id = self._tables.table(table).insert(dict(values)).last_pk
            assert isinstance(row_id, int)
            return row_id

    def update(self, table: str, row_id: int, values: Mapping[str, Value]) -> None:
        """Change columns of the row with this id."""
        from sqlite_utils.db import NotFoundError

        with self.writing():
            try:
                self._tables.table(table).update(row_id, dict(values))
            except NotFoundError as exc:
                raise StoreError(f"{self.path}: there is no {table} row {row_id}") from exc

    def select(
        self, make: Callable[..., _Row], sql: str, parameters: Parameters = ()
    ) -> list[_Row]:
        """Return rows of a query whose columns are named as the parameters of ``make``."""
        with self.lock, explained(self.path):
            cursor = self.connection.execute(sql, parameters)
            names = [column[0] for column in cursor.description]
            return [make(**dict(zip(names, row, strict=True))) for row in cursor]

    def select_in_order(
        self, make: Callable[..., _Row], sql: str, parameters: Parameters = ()
    ) -> list[_Row]:
        """Return rows of a query whose columns are the parameters of ``make`` in their order.

        Half the work of `select`, for what has many rows.
        """
        with self.lock, explained(self.path):
            return [make(*row) for row in self.connection.execute(sql, parameters)]

    def number(self, sql: str, parameters: Parameters = ()) -> int:
        """Return the one number that a query always gives."""
        row = self.one(sql, parameters)
        assert row is not None
        return int(row[0])

    def one(self, sql: str, parameters: Parameters = ()) -> tuple[Any, ...] | None:
        """Return the first row of a query, or None."""
        with self.lock, explained(self.path):
            row: tuple[Any, ...] | None = self.connection.execute(sql, parameters).fetchone()
            return row


class Part:
    """What the store knows of one thing, in the file that all parts share."""

    def __init__(self, file: DataFile) -> None:
        self._file = file
