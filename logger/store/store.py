"""The data file as one object."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import Self

from logger.store.acts import Acts
from logger.store.boards import AgreedBoards, Boards, Calibrations
from logger.store.copies.forwarding import Forwarding
from logger.store.copies.take_in import SessionCopies
from logger.store.core import DataFile
from logger.store.explain import explained
from logger.store.live import Live
from logger.store.migrations import STEPS, Step
from logger.store.opening import open_connection
from logger.store.raw_records import Records
from logger.store.readings import Readings
from logger.store.sessions import Sessions
from logger.store.sets import Clubs, Sets
from logger.store.strikes import Strikes
from logger.store.unfit_rows import UnfitRow, take_out, unfit_rows

# How long to wait for another program to finish writing.
BUSY_S = 5.0


class Store:
    """Players, clubs, boards, raw records and strikes in one SQLite file: its parts, by name.

    Every writing method is one transaction that is on the disk when it returns; if it raises
    `StoreError`, nothing of it was stored. Calls may come from any thread; they are done one after
    the other. Other programs may read the file meanwhile; if one writes for longer than
    `BUSY_S`, the call fails with `StoreError`.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
        self.file = file = DataFile(connection, path, read_only=read_only)
        self.clubs = Clubs(file)
        self.sets = Sets(file, self.clubs)
        self.sessions = Sessions(file, self.sets)
        self.readings = Readings(file, self.clubs)
        self.boards = Boards(file)
        self.agreed = AgreedBoards(file)
        self.calibrations = Calibrations(file)
        self.records = Records(file)
        self.strikes = Strikes(file)
        self.acts = Acts(file, self.strikes)
        self.live = Live(file)
        self.copies = SessionCopies(file, self.acts, self.sets, self.boards)
        self.forwarding = Forwarding(file)

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        read_only: bool = False,
        busy_s: float = BUSY_S,
        steps: Sequence[Step] = STEPS,
    ) -> Self:
        """Open a data file; make it if it is not there, upgrade it if it is older.

        Parameters
        ----------
        path
            Its folder must be there.
        read_only
            Nothing is made, upgraded or written.
        busy_s
            How long to wait for another program that writes.
        steps
            Schema steps; for tests of upgrades.

        Raises
        ------
        StoreError
            With one line that says what to do; the file is then as it was.
        SchemaVersionError
            If a newer version wrote it.
        """
        connection = open_connection(path, read_only=read_only, busy_s=busy_s, steps=steps)
        return cls(connection, path, read_only=read_only)

    @property
    def path(self) -> Path:
        """Where the data file is."""
        return self.file.path

    @property
    def read_only(self) -> bool:
        """Whether nothing is written."""
        return self.file.read_only

    def gathering(self) -> AbstractContextManager[None]:
        """See `DataFile.gathering`."""
        return self.file.gathering()

    def part(self) -> AbstractContextManager[None]:
        """See `DataFile.part`."""
        return self.file.part()

    def close(self) -> None:
        """Close the file; may be called more than once."""
        self.file.close()

    def unfit(self) -> list[UnfitRow]:
        """Return the rows that no board and no person can have said."""
        with self.file.lock, explained(self.path):
            return unfit_rows(self.file.connection)

    def take_out(self, rows: Sequence[UnfitRow]) -> int:
        """Take such rows out, with what hangs on them; return how many went in all."""
        with self.file.writing() as connection:
            return take_out(connection, rows)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()
