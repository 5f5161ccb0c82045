"""The data file as one object."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from logger.store.agreed import AgreedTables
from logger.store.boards import BoardTables
from logger.store.calibrations import CalibrationTables
from logger.store.copies.forwarding import ForwardingTables
from logger.store.copies.take_in import CarryInTables
from logger.store.explain import explained
from logger.store.live import LiveTables
from logger.store.migrations import STEPS, Step
from logger.store.opening import open_connection
from logger.store.raw_records import RecordTables
from logger.store.readings import ReadingTables
from logger.store.sessions import SessionTables
from logger.store.unfit_rows import UnfitRow, take_out, unfit_rows

# How long to wait for another program to finish writing.
BUSY_S = 5.0


class Store(
    AgreedTables,
    BoardTables,
    CalibrationTables,
    CarryInTables,
    ForwardingTables,
    LiveTables,
    ReadingTables,
    RecordTables,
    SessionTables,
):
    """Players, clubs, boards, raw records and strikes in one SQLite file.

    Every writing method is one transaction that is on the disk when it returns; if it raises
    `StoreError`, nothing of it was stored. Calls may come from any thread; they are done one after
    the other. Other programs may read the file meanwhile; if one writes for longer than
    `BUSY_S`, the call fails with `StoreError`.
    """

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

    def unfit(self) -> list[UnfitRow]:
        """Return the rows that no board and no person can have said."""
        with self._lock, explained(self.path):
            return unfit_rows(self._connection)

    def take_out(self, rows: Sequence[UnfitRow]) -> int:
        """Take such rows out, with what hangs on them; return how many went in all."""
        with self._writing() as connection:
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
