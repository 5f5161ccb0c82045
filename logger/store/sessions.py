"""Fitting sessions: what was agreed at the start, which club was up when, notes and bends."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from logger.errors import StoreError
from logger.setfiles.clubs import HandName
from logger.store.core import DataFile, Part
from logger.store.rows import NoteRow, SessionRow, TurnRow
from logger.store.sets import Sets


def _session_row(*, ball: int, **columns: Any) -> SessionRow:  # noqa: ANN401
    return SessionRow(ball=bool(ball), **columns)


class Sessions(Part):
    """Sessions: which club was up when, notes, presses of the foot switch."""

    def __init__(self, file: DataFile, sets: Sets) -> None:
        super().__init__(file)
        self._sets = sets

    def start(
        self,
        set_id: int,
        *,
        started_utc_ns: int,
        hand: HandName | None = None,
        stance_mm: float = 0.0,
        stance_u_mm: float,
        sole_middle_mm: float = 0.0,
        sole_middle_u_mm: float,
        ball: bool,
        surface: str | None = None,
        machine_increment_deg: float | None = None,
        note: str | None = None,
    ) -> int:
        """Start a session with a set; return its id.

        ``hand`` is the player's if not given, ``machine_increment_deg`` the set's.
        ``stance_mm`` is positive if the feet stand lower than the board, ``sole_middle_mm`` is
        the address mark in the board frame, each with its standard uncertainty.
        """
        with self._file.writing():
            own = self._sets.get(set_id)
            if machine_increment_deg is None:
                machine_increment_deg = own.machine_increment_deg
            return self._file.insert(
                "sessions",
                {
                    "set": set_id,
                    "hand": hand or own.player.hand,
                    "stance_mm": float(stance_mm),
                    "stance_u_mm": float(stance_u_mm),
                    "sole_middle_mm": float(sole_middle_mm),
                    "sole_middle_u_mm": float(sole_middle_u_mm),
                    "ball": int(ball),
                    "surface": surface,
                    "machine_increment_deg": machine_increment_deg,
                    "started_utc_ns": started_utc_ns,
                    "note": note,
                },
            )

    def end(self, session: int, *, ended_utc_ns: int) -> None:
        """Close a session."""
        self._file.update("sessions", session, {"ended_utc_ns": ended_utc_ns})

    def remove_empty(self, session: int) -> bool:
        """Remove a session in which nothing was ever kept; return whether it was such a one."""
        kept = " UNION ALL ".join(
            f"SELECT 1 FROM {table} WHERE session = :session"
            for table in ("records", "strikes", "marks", "notes", "losses", "bends", "act_parts")
        )
        with self._file.writing() as connection:
            if self._file.one(f"{kept} LIMIT 1", {"session": session}) is not None:
                return False
            connection.execute("DELETE FROM turns WHERE session = ?", (session,))
            connection.execute("DELETE FROM sessions WHERE id = ?", (session,))
        return True

    def get(self, session: int) -> SessionRow:
        """Return a session."""
        rows = self._sessions("WHERE NOT gone AND id = ?", session)
        if not rows:
            if self._file.one("SELECT 1 FROM sessions WHERE id = ?", (session,)) is not None:
                raise StoreError(
                    f"{self._file.path}: session {session} was deleted: 'lieboard session restore "
                    f"{session}' brings it back"
                )
            raise StoreError(f"{self._file.path}: there is no session {session}")
        return rows[0]

    def is_deleted(self, session: int) -> bool:
        """Whether a session was deleted."""
        row = self._file.one("SELECT gone FROM sessions WHERE id = ?", (session,))
        if row is None:
            raise StoreError(f"{self._file.path}: there is no session {session}")
        return bool(row[0])

    def latest_open(self) -> SessionRow | None:
        """Return the latest session that was not ended, to be resumed; None if all were."""
        rows = self._sessions(
            "WHERE NOT gone AND ended_utc_ns IS NULL ORDER BY started_utc_ns DESC, id DESC LIMIT 1"
        )
        return rows[0] if rows else None

    def all(self, set_id: int | None = None) -> list[SessionRow]:
        """Sessions (with one set), the earliest first."""
        if set_id is None:
            return self._sessions("WHERE NOT gone ORDER BY started_utc_ns, id")
        return self._sessions('WHERE NOT gone AND "set" = ? ORDER BY started_utc_ns, id', set_id)

    def _sessions(self, rest: str, *parameters: int) -> list[SessionRow]:
        return self._file.select(
            _session_row,
            'SELECT id, "set", hand, stance_mm, stance_u_mm, sole_middle_mm, sole_middle_u_mm,'
            " ball, surface, machine_increment_deg, started_utc_ns, ended_utc_ns, note"
            f" FROM sessions {rest}",
            parameters,
        )

    def add_turn(self, session: int, club: int | None, *, from_utc_ns: int, cause: str) -> int:
        """Note that a club (None: none) is up from a moment on; return the turn's id.

        The moment may lie in the past: `Strikes.refile` then moves what was struck since.
        """
        with self._file.writing():
            return self._file.number(
                "INSERT INTO turns (session, club, from_utc_ns, cause) VALUES (?, ?, ?, ?)"
                " RETURNING id",
                (session, club, from_utc_ns, cause),
            )

    def turns(self, session: int) -> list[TurnRow]:
        """Return the turns of a session, the earliest first."""
        return self._file.select(
            TurnRow,
            "SELECT id, session, club, from_utc_ns, cause FROM turns WHERE session = ?"
            " ORDER BY from_utc_ns, id",
            (session,),
        )

    def club_at(self, session: int, utc_ns: int) -> int | None:
        """Return the club that was up at a moment; None before the first turn."""
        row = self._file.one(
            "SELECT club FROM turns WHERE session = ? AND from_utc_ns <= ?"
            " ORDER BY from_utc_ns DESC, id DESC LIMIT 1",
            (session, utc_ns),
        )
        return None if row is None else row[0]

    def add_note(self, session: int, text: str, *, written_utc_ns: int) -> int:
        """Keep a remark; return its id."""
        return self._file.insert(
            "notes", {"session": session, "written_utc_ns": written_utc_ns, "text": text}
        )

    def notes(self, session: int) -> list[NoteRow]:
        """Remarks on a session, the earliest first."""
        return self._file.select(
            NoteRow,
            "SELECT id, session, written_utc_ns, text FROM notes WHERE NOT gone AND session = ?"
            " ORDER BY written_utc_ns, id",
            (session,),
        )

    @contextmanager
    def press(self, boot: int, sequence: int) -> Iterator[bool]:
        """Do what a press of the foot switch asks for, once: say whether it was never done.

        The block and the note that it was done are one transaction.
        """
        with self._file.writing() as connection:
            cursor = connection.execute(
                "INSERT INTO presses (boot, sequence) VALUES (?, ?)"
                " ON CONFLICT (boot, sequence) DO NOTHING",
                (boot, sequence),
            )
            yield cursor.rowcount == 1
