"""Take in copies of sessions from elsewhere: nothing twice, the newest wins, what is here stays."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.errors import UnfitCopyError
from logger.store.acts import NAMES, ActPart, Acts, may_be_said
from logger.store.boards import Boards
from logger.store.copies.columns import PARTS, Row, SessionCopy
from logger.store.copies.make import CarriedRecord, CopyMaker, SessionName
from logger.store.core import DataFile, Value
from logger.store.sets import Sets


@dataclass(frozen=True, slots=True)
class Origin:
    """Where something comes from."""

    shop: str
    bay: str


class SessionCopies(CopyMaker):
    """Copies of sessions: made for elsewhere, and taken in from there."""

    def __init__(self, file: DataFile, acts: Acts, sets: Sets, boards: Boards) -> None:
        super().__init__(file)
        self._acts = acts
        self._sets = sets
        self._boards = boards

    def _names(self, connection: sqlite3.Connection) -> _Names:
        return _Names(connection, self._file.path, self._sets, self._boards)

    def find(self, name: SessionName) -> int | None:
        """Return the id of a session by what it is called in any data file."""
        row = self._file.one(
            "SELECT sessions.id FROM sessions"
            ' JOIN sets ON sets.id = sessions."set" JOIN players ON players.id = sets.player'
            " WHERE players.name = ? AND sets.name = ? AND sessions.started_utc_ns = ?"
            " ORDER BY sessions.id LIMIT 1",
            (name.player, name.set, name.started_utc_ns),
        )
        return None if row is None else int(row[0])

    def take_in(self, copy: SessionCopy, *, origin: Origin | None = None, edition: int = 0) -> int:
        """Make a session here what its copy says; return its id.

        The session's own turns, strikes, marks, losses and notes become those of the copy. What
        it shares with others (player, set, clubs with their history, bends, boards) is added to
        what is here; nothing of that is taken away.

        Parameters
        ----------
        copy
            As `CopyMaker.make` gives it; one from outside must have been checked.
        origin
            Where it comes from; None: leave that as it is.
        edition
            A copy older than the one taken last from this origin changes nothing.

        Raises
        ------
        UnfitCopyError
            It belongs to another bay, or it names something that it does not have. Nothing of it
            was stored.
        """
        name = SessionName(
            copy["player"][0]["name"], copy["set"][0]["name"], copy["session"][0]["started_utc_ns"]
        )
        with self._file.writing() as connection:
            session = self.find(name)
            if session is None:
                session = self._under_another_name(copy, origin)
            if session is not None and origin is not None:
                before = self.origin_of(session)
                if before != origin:
                    held = "here" if before is None else f"by bay {before.bay} of {before.shop}"
                    raise UnfitCopyError(f"{self._file.path}: session {session} is kept {held}")
                newest = self._file.number(
                    "SELECT edition FROM session_origins WHERE session = ?", (session,)
                )
                if newest > edition:
                    return session
            own = self._names(connection)
            set_id = own.take_set(copy)
            session = self._put_session(connection, session, set_id, copy["session"][0])
            if origin is not None:
                connection.execute(
                    "INSERT INTO session_origins (session, shop, bay, edition) VALUES (?, ?, ?, ?)"
                    " ON CONFLICT (session) DO UPDATE SET edition = excluded.edition",
                    (session, origin.shop, origin.bay, edition),
                )
            own.take_shared(copy)
            own.take_own(session, copy, origin)
            shared = own.take_acts(session, copy, origin)
            if shared:
                self._acts.work_out(shared)
        return session

    def _under_another_name(self, copy: SessionCopy, origin: Origin | None) -> int | None:
        """Find a session that is here as another player's or set's, which an act has changed."""
        renamed = any(
            (part["about"], part["field"]) in (("sessions", "set"), ("players", "name"))
            for part in copy.get("act_parts", ())
        )
        if not renamed or origin is None:
            return None
        found = self._file.select(
            lambda session: int(session),
            "SELECT session FROM session_origins JOIN sessions ON sessions.id = session"
            " WHERE shop = ? AND bay = ? AND started_utc_ns = ?",
            (origin.shop, origin.bay, copy["session"][0]["started_utc_ns"]),
        )
        return found[0] if len(found) == 1 else None

    def take_records(self, session: int, records: Iterable[CarriedRecord]) -> None:
        """Put raw records in whose boots are known; those that are here already stay as they are.

        For what was stored by this program once: nothing is looked into.
        """
        with self._file.writing() as connection:
            connection.executemany(
                "INSERT INTO records (boot, sequence, kind, raw, flags, arrival_ns,"
                " struck_utc_ns, struck_u_ns, session)"
                " SELECT boots.id, ?, ?, ?, ?, ?, ?, ?, ? FROM boots"
                " JOIN boards ON boards.id = boots.board WHERE board_key = ? AND boot_key = ?"
                " ON CONFLICT (boot, sequence) DO NOTHING",
                [
                    (r.sequence, r.kind, r.raw, r.flags, r.arrival_ns, r.struck_utc_ns,
                     r.struck_u_ns, session, r.board, r.boot)
                    for r in records
                ],
            )  # fmt: skip

    def origin_of(self, session: int) -> Origin | None:
        """Return where a session was gathered from; None: logged here."""
        row = self._file.one("SELECT shop, bay FROM session_origins WHERE session = ?", (session,))
        return None if row is None else Origin(*row)

    def note_boot_origin(self, boot: int, origin: Origin) -> None:
        """Keep which bay sent records of a boot."""
        with self._file.writing() as connection:
            connection.execute(
                "INSERT INTO boot_origins (boot, shop, bay) VALUES (?, ?, ?)"
                " ON CONFLICT DO NOTHING",
                (boot, origin.shop, origin.bay),
            )

    def take_boot(self, row: Row) -> int:
        """Remember a board and a start of it as a copy names them; return the boot's id."""
        with self._file.writing() as connection:
            return self._names(connection).take_boot(row)

    def _put_session(
        self, connection: sqlite3.Connection, session: int | None, set_id: int, row: Row
    ) -> int:
        names = [column.name for column in PARTS["session"].columns]
        # One from an earlier version says nothing of being deleted.
        values = [row.get(name) if name != "gone" else row.get(name) or 0 for name in names]
        if session is None:
            marks = ", ".join("?" * (len(names) + 1))
            cursor = connection.execute(
                f'INSERT INTO sessions ("set", {", ".join(names)}) VALUES ({marks}) RETURNING id',
                (set_id, *values),
            )
            return int(cursor.fetchone()[0])
        changes = ", ".join(f"{name} = ?" for name in names)
        connection.execute(
            f'UPDATE sessions SET "set" = ?, {changes} WHERE id = ?', (set_id, *values, session)
        )
        return session


class _Names:
    """Puts the parts of one copy in, and knows the ids that its names have here."""

    def __init__(
        self, connection: sqlite3.Connection, path: Path, sets: Sets, boards: Boards
    ) -> None:
        self._connection = connection
        self._path = path
        self._sets = sets
        self._known_boards = boards
        self._clubs: dict[str, int] = {}
        self._boots: dict[tuple[str, str], int] = {}

    # -- what sessions share ----------------------------------------------------------------

    def take_set(self, copy: SessionCopy) -> int:
        """Put player, set, and clubs in; return the set's id."""
        player, own = copy["player"][0], copy["set"][0]
        set_id = self._sets.know(
            player["name"], player["hand"], own["name"], own["machine_increment_deg"],
            player["note"],
        )  # fmt: skip
        for club in copy["clubs"]:
            self._clubs[club["label"]] = self._id(
                'INSERT INTO clubs ("set", label, position) VALUES (?, ?, ?)'
                ' ON CONFLICT ("set", label) DO UPDATE SET position = excluded.position'
                " RETURNING id",
                (set_id, club["label"], club["position"]),
            )
        self._connection.execute(
            "UPDATE sets SET pivot_club = ? WHERE id = ?", (self._club(own["pivot"]), set_id)
        )
        return set_id

    def take_shared(self, copy: SessionCopy) -> None:
        """Add the history of the clubs, boards and what was measured of them."""
        for spec in copy["specs"]:
            self._add_once("club_specs", {**spec, "club": self._club(spec["club"])})
        for bend in copy["bends"]:
            row = {**bend, "club": self._club(bend["club"])}
            del row["session_started_utc_ns"]
            self._add_once("bends", row)
            if bend["session_started_utc_ns"] is not None:
                self._connection.execute(
                    "UPDATE bends SET session = (SELECT id FROM sessions WHERE started_utc_ns = ?"
                    '  AND "set" = (SELECT "set" FROM clubs WHERE clubs.id = bends.club))'
                    " WHERE club = ? AND bent_utc_ns = ? AND session IS NULL",
                    (bend["session_started_utc_ns"], row["club"], row["bent_utc_ns"]),
                )
        for overlay in copy["overlays"]:
            first, second = overlay["first_club"], overlay["second_club"]
            named = {"first_club": self._club(first), "second_club": self._club(second)}
            self._add_once("overlays", {**overlay, **named})
        for miss in copy["misses"]:
            self._add_once("misses", {**miss, "club": self._club(miss["club"])})
        for boot in copy["boots"]:
            self.take_boot(boot)
        for press in copy["presses"]:
            self._connection.execute(
                "INSERT INTO presses (boot, sequence) VALUES (?, ?) ON CONFLICT DO NOTHING",
                (self._boot(press["board"], press["boot"]), press["sequence"]),
            )
        for calibration in copy["evenings"]:
            board = self._connection.execute(
                "SELECT id FROM boards WHERE board_key = ?", (calibration["board"],)
            ).fetchone()
            if board is None:
                raise self._unnamed(f"board {calibration['board']}")
            self._add_once("calibrations", {**calibration, "board": board[0]})

    def take_boot(self, row: Row) -> int:
        """Put a board and one start of it in; return the boot's id."""
        boot = self._known_boards.know_boot(
            {
                "board_key": row["board"],
                "form": row["form"],
                "name": row["name"],
                "first_seen_utc_ns": row["board_first_seen_utc_ns"],
                "accepted": row["accepted"],
                "accepted_utc_ns": row["accepted_utc_ns"],
            },
            {
                "boot_key": row["boot"],
                "first_seen_utc_ns": row["first_seen_utc_ns"],
                "hello": row["hello"],
            },
        )
        self._boots[row["board"], row["boot"]] = boot
        return boot

    # -- what is the session's own ----------------------------------------------------------

    def take_own(self, session: int, copy: SessionCopy, origin: Origin | None) -> None:
        """Put turns, losses, notes, strikes and marks in place of those that are here."""
        connection = self._connection
        for table in ("turns", "losses", "notes", "marks"):
            connection.execute(f"DELETE FROM {table} WHERE session = ?", (session,))
        for turn in copy["turns"]:
            self._add("turns", {**turn, "club": self._club(turn["club"]), "session": session})
        for note in copy["notes"]:
            self._add("notes", {**note, "session": session})
        for loss in copy["losses"]:
            row = {**loss, "boot": self._boot(loss["board"], loss["boot"]), "session": session}
            row["club"] = self._club(loss["club"])
            del row["board"]
            self._add("losses", row, " ON CONFLICT (boot, from_sequence, to_sequence) DO NOTHING")
        kept = [self._take_strike(session, strike, origin) for strike in copy["strikes"]]
        connection.execute(
            "DELETE FROM strikes WHERE session = ? AND id NOT IN (SELECT value FROM json_each(?))",
            (session, json.dumps(kept)),
        )
        for mark in copy["marks"]:
            names = {name: value for name, value in mark.items() if not name.startswith("audits_")}
            names["club"] = self._club(mark["club"])
            self._add("marks", {**names, "session": session, "audits": self._audited(mark)})

    def take_acts(self, session: int, copy: SessionCopy, origin: Origin | None) -> list[ActPart]:
        """Add acts; return what they say of rows that sessions share, which is to be worked out.

        What they say of the session itself is in the copy already.
        """
        for act in copy.get("acts", ()):
            self._connection.execute(
                "INSERT INTO acts (act_key, said_utc_ns, place, kind, words, takes_back) VALUES"
                " (:key, :said_utc_ns, :place, :kind, :words, :takes_back) ON CONFLICT DO NOTHING",
                act,
            )
        shared: list[ActPart] = []
        for row in copy.get("act_parts", ()):
            found = self._part(session, copy, row, origin)
            if found is None:
                continue
            columns = ("about", "field", "value", "was", "part", "at", "to_at", "within")
            values = {**{name: row[name] for name in columns}, **found, "act": row["act"]}
            names = ", ".join(found)
            self._connection.execute(
                f"INSERT INTO act_parts (act, {', '.join(columns)}, {names})"
                f" SELECT id, {', '.join(f':{name}' for name in columns)},"
                f" {', '.join(f':{name}' for name in found)} FROM acts WHERE act_key = :act"
                " ON CONFLICT (act, part) DO NOTHING",
                values,
            )
            if row["about"] not in ("sessions", "players", "marks", "notes", "strikes"):
                shared.append(
                    ActPart(
                        row["about"], row["field"], club=found["club"], board=found["board"],
                        at=row["at"], within=row["within"],
                    )
                )  # fmt: skip
        return shared

    def _part(
        self, session: int, copy: SessionCopy, row: Row, origin: Origin | None
    ) -> dict[str, int | None] | None:
        """Ids here of what a part names; None if it is about something that is not here."""
        if not may_be_said(row["about"], row["field"]):
            raise self._unnamed(f"{row['about']}.{row['field']} in an act")

        def session_of(began: int | None) -> int | None:
            if began is None or began == copy["session"][0]["started_utc_ns"]:
                return None if began is None else session
            # Only of those that come from there: a bay says nothing of another one's.
            return self._found(
                "SELECT id FROM sessions LEFT JOIN session_origins ON session = id WHERE"
                " started_utc_ns = ? AND shop IS ? AND bay IS ?",
                began,
                None if origin is None else origin.shop,
                None if origin is None else origin.bay,
            )

        def club_of(prefix: str) -> int | None:
            return self._found(
                'SELECT clubs.id FROM clubs JOIN sets ON sets.id = clubs."set" JOIN players'
                " ON players.id = sets.player WHERE players.name = ? AND sets.name = ?"
                " AND label = ?",
                *(row[f"{prefix}club{rest}"] for rest in ("_player", "_set", "")),
            )

        def set_of(prefix: str) -> int | None:
            return self._found(
                "SELECT sets.id FROM sets JOIN players ON players.id = sets.player"
                " WHERE players.name = ? AND sets.name = ?",
                row[f"{prefix}set_player"],
                row[f"{prefix}set"],
            )

        found = {
            "session": session_of(row["session_started_utc_ns"]),
            "to_session": session_of(row["to_session_started_utc_ns"]),
            "club": club_of(""),
            "to_club": club_of("to_"),
            "to_set": set_of("to_"),
            "was_set": set_of("was_"),
            "board": self._found("SELECT id FROM boards WHERE board_key = ?", row["board"]),
            "boot": self._found(
                "SELECT boots.id FROM boots JOIN boards ON boards.id = boots.board"
                " WHERE board_key = ? AND boot_key = ?",
                row["boot_board"],
                row["boot_boot"],
            ),
            "player": self._found("SELECT id FROM players WHERE name = ?", row["player"]),
        }
        needed = NAMES.get(row["about"], ("session", "boot"))
        return None if any(name in found and found[name] is None for name in needed) else found

    def _found(self, sql: str, *parameters: Value) -> int | None:
        if None in parameters[:1]:
            return None
        row = self._connection.execute(sql, parameters).fetchone()
        return None if row is None else int(row[0])

    def _take_strike(self, session: int, strike: Row, origin: Origin | None) -> int:
        row = {**strike, "session": session}
        row["boot"] = self._boot(strike["board"], strike["boot"])
        row["club"] = self._club(strike["club"])
        del row["board"]
        key = ("boot", "first_sequence", "within")
        if origin is not None:
            found = self._connection.execute(
                "SELECT session_origins.shop, session_origins.bay, strikes.session FROM strikes"
                " LEFT JOIN session_origins ON session_origins.session = strikes.session"
                " WHERE boot = ? AND first_sequence = ? AND within = ? AND strikes.session <> ?",
                (*(row[name] for name in key), session),
            ).fetchone()
            if found is not None and found[:2] != (origin.shop, origin.bay):
                raise UnfitCopyError(
                    f"{self._path}: strike {row['first_sequence']} of boot {strike['boot']} is"
                    f" in session {found[2]} of another bay"
                )
        changes = ", ".join(f"{name} = excluded.{name}" for name in row if name not in key)
        return self._id(
            f"INSERT INTO strikes ({', '.join(row)}) VALUES ({', '.join(f':{n}' for n in row)})"
            f" ON CONFLICT ({', '.join(key)}) DO UPDATE SET {changes} RETURNING id",
            row,
        )

    def _audited(self, mark: Row) -> int | None:
        if mark["audits_board"] is None:
            return None
        found = self._connection.execute(
            "SELECT id FROM strikes WHERE boot = ? AND first_sequence = ? AND within = ?",
            (
                self._boot(mark["audits_board"], mark["audits_boot"]),
                mark["audits_first_sequence"],
                mark["audits_within"],
            ),
        ).fetchone()
        if found is None:
            raise self._unnamed(f"strike {mark['audits_first_sequence']} of a mark")
        return int(found[0])

    # -- ids and rows -----------------------------------------------------------------------

    def _club(self, label: str | None) -> int | None:
        if label is None:
            return None
        if label not in self._clubs:
            raise self._unnamed(f"club {label}")
        return self._clubs[label]

    def _boot(self, board: str, boot: str) -> int:
        if (board, boot) not in self._boots:
            raise self._unnamed(f"boot {boot} of board {board}")
        return self._boots[board, boot]

    def _unnamed(self, what: str) -> UnfitCopyError:
        return UnfitCopyError(
            f"{self._path}: a copy of a session names {what} and does not have it"
        )

    def _id(self, sql: str, parameters: Sequence[Value] | Mapping[str, Any]) -> int:
        return int(self._connection.execute(sql, parameters).fetchone()[0])

    def _add(self, table: str, row: Row, rest: str = "") -> None:
        marks = ", ".join(f":{name}" for name in row)
        self._connection.execute(
            f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks}){rest}", row
        )

    def _add_once(self, table: str, row: Row) -> None:
        """Add a row unless the very same is there."""
        same = " AND ".join(f"{name} IS :{name}" for name in row)
        marks = ", ".join(f":{name}" for name in row)
        self._connection.execute(
            f"INSERT INTO {table} ({', '.join(row)}) SELECT {marks}"
            f" WHERE NOT EXISTS (SELECT 1 FROM {table} WHERE {same})",
            row,
        )
