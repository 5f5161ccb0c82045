"""Copies of sessions and new records, for whoever keeps them elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from logger.errors import StoreError
from logger.store.copies.columns import BOOT_ROWS, PARTS, Row, SessionCopy
from logger.store.core import Part
from logger.store.explain import explained


@dataclass(frozen=True, slots=True)
class SessionName:
    """What a session is called in any data file."""

    player: str
    set: str
    started_utc_ns: int


@dataclass(frozen=True, slots=True)
class SessionStamp:
    """A session and the number that any change of it replaces."""

    session: int
    name: SessionName
    stamp: int
    shop: str | None
    """Shop and bay it was gathered from; None: logged here."""
    bay: str | None


@dataclass(frozen=True, slots=True)
class CarriedRecord:
    """A raw record with what its boot is called in any data file."""

    id: int
    board: str
    boot: str
    session: int | None
    sequence: int
    kind: str
    raw: bytes
    """Bodies joined as in `logger.store.packing`."""
    flags: int
    arrival_ns: int
    struck_utc_ns: int | None
    struck_u_ns: int | None


_RECORDS = """
SELECT records.id, boards.board_key AS board, boots.boot_key AS boot, records.session,
  records.sequence, records.kind, records.raw, records.flags, records.arrival_ns,
  records.struck_utc_ns, records.struck_u_ns
FROM records JOIN boots ON boots.id = records.boot JOIN boards ON boards.id = boots.board
"""


def _stamp(
    player: str,
    set_name: str,
    started_utc_ns: int,
    **columns: Any,  # noqa: ANN401
) -> SessionStamp:
    return SessionStamp(name=SessionName(player, set_name, started_utc_ns), **columns)


class CopyMaker(Part):
    """The part of the store that gives copies of sessions away."""

    @contextmanager
    def _reading(self) -> Iterator[None]:
        """Let all queries inside see one and the same moment."""
        with self._file.lock, explained(self._file.path):
            if self._file.connection.in_transaction:
                yield
                return
            self._file.connection.execute("BEGIN")
            try:
                yield
            finally:
                self._file.connection.rollback()

    def stamps(self) -> list[SessionStamp]:
        """Every session with its stamp, by the moment it began."""
        return self._file.select(
            _stamp,
            "SELECT sessions.id AS session, players.name AS player, sets.name AS set_name,"
            " sessions.started_utc_ns, session_stamps.stamp, session_origins.shop,"
            " session_origins.bay"
            ' FROM sessions JOIN sets ON sets.id = sessions."set"'
            " JOIN players ON players.id = sets.player"
            " JOIN session_stamps ON session_stamps.session = sessions.id"
            " LEFT JOIN session_origins ON session_origins.session = sessions.id"
            " ORDER BY sessions.started_utc_ns, sessions.id",
        )

    def make(self, session: int) -> tuple[SessionCopy, int]:
        """Return a copy of a session, all of one moment, and its stamp at that moment."""
        with self._reading():
            row = self._file.one("SELECT stamp FROM session_stamps WHERE session = ?", (session,))
            if row is None:
                raise StoreError(f"{self._file.path}: there is no session {session}")
            copy: SessionCopy = {
                name: self._file.select(dict, part.sql, {"session": session})
                for name, part in PARTS.items()
            }
        return copy, int(row[0])

    def records_of(self, session: int) -> list[CarriedRecord]:
        """Raw records of a session."""
        return self._file.select(
            CarriedRecord,
            f"{_RECORDS} WHERE records.session = ?"
            " AND (SELECT NOT gone FROM sessions WHERE sessions.id = records.session)"
            " ORDER BY records.boot, records.sequence",
            (session,),
        )

    def records_stored_after(self, record: int, *, at_most: int) -> list[CarriedRecord]:
        """Raw records in the order they were stored, after the one with this id."""
        return self._file.select(
            CarriedRecord,
            f"{_RECORDS} WHERE records.id > ? ORDER BY records.id LIMIT ?",
            (record, at_most),
        )

    def name_of(self, session: int) -> SessionName:
        """Return what a session is called in any data file."""
        rows = self._file.select(
            SessionName,
            'SELECT players.name AS player, sets.name AS "set", sessions.started_utc_ns'
            ' FROM sessions JOIN sets ON sets.id = sessions."set"'
            " JOIN players ON players.id = sets.player WHERE sessions.id = ?",
            (session,),
        )
        if not rows:
            raise StoreError(f"{self._file.path}: there is no session {session}")
        return rows[0]

    def boot_row(self, board: str, boot: str) -> Row:
        """Return a board and a start of it as a row of a copy."""
        rows: list[Row] = self._file.select(
            dict, f"{BOOT_ROWS} WHERE board_key = ? AND boot_key = ?", (board, boot)
        )
        if not rows:
            raise StoreError(f"{self._file.path}: there is no boot {boot} of board {board}")
        return rows[0]
