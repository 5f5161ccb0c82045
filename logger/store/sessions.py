"""Fitting sessions: what was agreed at the start, which club was up when, notes and bends."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from logger.errors import StoreError
from logger.setfiles.clubs import ClubSpec, HandName
from logger.store.rows import BendRow, ClubRow, NoteRow, SessionRow, TurnRow
from logger.store.sets import SetTables


def _session_row(*, ball: int, **columns: Any) -> SessionRow:  # noqa: ANN401
    return SessionRow(ball=bool(ball), **columns)


class SessionTables(SetTables):
    """The part of the store that knows sessions."""

    def start_session(
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
        with self._writing():
            own = self.get_set(set_id)
            if machine_increment_deg is None:
                machine_increment_deg = own.machine_increment_deg
            return self._insert(
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

    def end_session(self, session: int, *, ended_utc_ns: int) -> None:
        """Close a session."""
        self._update("sessions", session, {"ended_utc_ns": ended_utc_ns})

    def remove_empty_session(self, session: int) -> bool:
        """Remove a session in which nothing was ever kept; return whether it was such a one."""
        kept = " UNION ALL ".join(
            f"SELECT 1 FROM {table} WHERE session = :session"
            for table in ("records", "strikes", "marks", "notes", "losses", "bends", "act_parts")
        )
        with self._writing() as connection:
            if self._one(f"{kept} LIMIT 1", {"session": session}) is not None:
                return False
            connection.execute("DELETE FROM turns WHERE session = ?", (session,))
            connection.execute("DELETE FROM sessions WHERE id = ?", (session,))
        return True

    def get_session(self, session: int) -> SessionRow:
        """Return a session."""
        rows = self._sessions("WHERE NOT gone AND id = ?", session)
        if not rows:
            if self._one("SELECT 1 FROM sessions WHERE id = ?", (session,)) is not None:
                raise StoreError(
                    f"{self.path}: session {session} was deleted: 'lieboard session restore "
                    f"{session}' brings it back"
                )
            raise StoreError(f"{self.path}: there is no session {session}")
        return rows[0]

    def clubs_of(self, session: int, *, at_utc_ns: int | None = None) -> tuple[ClubRow, ...]:
        """Clubs of a session's set, then those that left it and have contacts in the session."""
        return tuple(
            self._clubs(
                'position IS NOT NULL AND "set" = (SELECT "set" FROM sessions WHERE id = ?)'
                " OR id IN (SELECT club FROM contacts WHERE session = ?)",
                (session, session),
                at_utc_ns,
            )
        )

    def open_session(self) -> SessionRow | None:
        """Return the latest session that was not ended, to go on with; None if all were."""
        rows = self._sessions(
            "WHERE NOT gone AND ended_utc_ns IS NULL ORDER BY started_utc_ns DESC, id DESC LIMIT 1"
        )
        return rows[0] if rows else None

    def sessions(self, set_id: int | None = None) -> list[SessionRow]:
        """Sessions (with one set), the earliest first."""
        if set_id is None:
            return self._sessions("WHERE NOT gone ORDER BY started_utc_ns, id")
        return self._sessions('WHERE NOT gone AND "set" = ? ORDER BY started_utc_ns, id', set_id)

    def _sessions(self, rest: str, *parameters: int) -> list[SessionRow]:
        return self._select(
            _session_row,
            'SELECT id, "set", hand, stance_mm, stance_u_mm, sole_middle_mm, sole_middle_u_mm,'
            " ball, surface, machine_increment_deg, started_utc_ns, ended_utc_ns, note"
            f" FROM sessions {rest}",
            parameters,
        )

    def add_turn(self, session: int, club: int | None, *, from_utc_ns: int, cause: str) -> int:
        """Note that a club (None: none) is up from a moment on; return the turn's id.

        The moment may lie in the past: `refile_strikes` then moves what was struck since.
        """
        with self._writing():
            return self._number(
                "INSERT INTO turns (session, club, from_utc_ns, cause) VALUES (?, ?, ?, ?)"
                " RETURNING id",
                (session, club, from_utc_ns, cause),
            )

    def turns(self, session: int) -> list[TurnRow]:
        """Return the turns of a session, the earliest first."""
        return self._select(
            TurnRow,
            "SELECT id, session, club, from_utc_ns, cause FROM turns WHERE session = ?"
            " ORDER BY from_utc_ns, id",
            (session,),
        )

    def club_at(self, session: int, utc_ns: int) -> int | None:
        """Return the club that was up at a moment; None before the first turn."""
        row = self._one(
            "SELECT club FROM turns WHERE session = ? AND from_utc_ns <= ?"
            " ORDER BY from_utc_ns DESC, id DESC LIMIT 1",
            (session, utc_ns),
        )
        return None if row is None else row[0]

    def add_note(self, session: int, text: str, *, written_utc_ns: int) -> int:
        """Keep a remark; return its id."""
        return self._insert(
            "notes", {"session": session, "written_utc_ns": written_utc_ns, "text": text}
        )

    def notes(self, session: int) -> list[NoteRow]:
        """Remarks on a session, the earliest first."""
        return self._select(
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
        with self._writing() as connection:
            cursor = connection.execute(
                "INSERT INTO presses (boot, sequence) VALUES (?, ?)"
                " ON CONFLICT (boot, sequence) DO NOTHING",
                (boot, sequence),
            )
            yield cursor.rowcount == 1

    def add_bend(
        self,
        club: int,
        *,
        bent_utc_ns: int,
        planned_bend_deg: float | None = None,
        lie_before_deg: float | None = None,
        lie_after_deg: float | None = None,
        loft_before_deg: float | None = None,
        loft_after_deg: float | None = None,
        session: int | None = None,
        note: str | None = None,
    ) -> int:
        """Keep a bend; return its id. What was measured after it is the club's from then on."""
        with self._writing():
            # Also where it is known already: the bend that said so may be taken back.
            self.put_spec(
                club,
                ClubSpec(lie_deg=lie_after_deg, loft_deg=loft_after_deg),
                at_utc_ns=bent_utc_ns,
                source="bend",
            )
            return self._insert(
                "bends",
                {
                    "club": club,
                    "session": session,
                    "bent_utc_ns": bent_utc_ns,
                    "planned_bend_deg": planned_bend_deg,
                    "lie_before_deg": lie_before_deg,
                    "lie_after_deg": lie_after_deg,
                    "loft_before_deg": loft_before_deg,
                    "loft_after_deg": loft_after_deg,
                    "note": note,
                },
            )

    def bends(self, club: int | None = None) -> list[BendRow]:
        """Bends (of one club), the earliest first."""
        return self._select(
            BendRow,
            "SELECT id, club, session, bent_utc_ns, planned_bend_deg, lie_before_deg,"
            " lie_after_deg, loft_before_deg, loft_after_deg, note FROM bends"
            " WHERE NOT gone AND (? IS NULL OR club = ?) ORDER BY bent_utc_ns, id",
            (club, club),
        )
