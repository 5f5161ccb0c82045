"""Boards and their boots, which of them are the fitter's, and what was measured of them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from logger.errors import StoreError
from logger.protocol.hello import hello_from_json, hello_to_json
from logger.protocol.records import Hello
from logger.store.core import Part, Value
from logger.store.rows import BoardRow


def _board_row(*, accepted: int | None, **columns: Any) -> BoardRow:  # noqa: ANN401
    return BoardRow(accepted=None if accepted is None else bool(accepted), **columns)


class Boards(Part):
    """The part of the store that knows boards."""

    def remember_boot(
        self, *, board_key: str, boot_key: str, name: str, hello: Hello | None, seen_utc_ns: int
    ) -> int:
        """Note a board and one start of it (again); return the boot's id.

        ``hello`` is None for a board that speaks text. Such a board says neither who it is nor
        when it started: the caller makes up a new ``boot_key`` for each start it can tell.
        """
        return self.know_boot(
            {
                "board_key": board_key,
                "form": "text" if hello is None else "binary",
                "name": name,
                "first_seen_utc_ns": seen_utc_ns,
                "accepted": None,
                "accepted_utc_ns": None,
            },
            {
                "boot_key": boot_key,
                "first_seen_utc_ns": seen_utc_ns,
                "hello": None if hello is None else hello_to_json(hello),
            },
        )

    def know_boot(self, board: Mapping[str, Value], boot: Mapping[str, Value]) -> int:
        """Make a board and one start of it, or find them by their keys; return the boot's id.

        The latest name and *hello* hold; a judgement that is not known stays.
        """
        with self._file.writing():
            board_id = self._file.number(
                "INSERT INTO boards (board_key, form, name, first_seen_utc_ns, accepted,"
                " accepted_utc_ns) VALUES (:board_key, :form, :name, :first_seen_utc_ns, :accepted,"
                " :accepted_utc_ns) ON CONFLICT (board_key) DO UPDATE SET name = excluded.name,"
                " accepted = COALESCE(excluded.accepted, accepted),"
                " accepted_utc_ns = COALESCE(excluded.accepted_utc_ns, accepted_utc_ns)"
                " RETURNING id",
                board,
            )
            return self._file.number(
                "INSERT INTO boots (board, boot_key, first_seen_utc_ns, hello)"
                " VALUES (:board, :boot_key, :first_seen_utc_ns, :hello) ON CONFLICT"
                " (board, boot_key) DO UPDATE SET hello = excluded.hello RETURNING id",
                {"board": board_id, **boot},
            )

    def later_starts(self, boot: int) -> int:
        """How many boots of the same board are named after this one: its key, ``~``, a number."""
        return self._file.number(
            "SELECT COUNT(*) FROM boots JOIN boots AS this ON this.id = ?"
            " WHERE boots.board = this.board AND boots.boot_key GLOB this.boot_key || '~*'",
            (boot,),
        )

    def all(self) -> list[BoardRow]:
        """All boards ever seen, the first seen first."""
        return self._board_rows("ORDER BY first_seen_utc_ns, id", ())

    def of_boot(self, boot: int) -> BoardRow:
        """Return the board that had this boot."""
        rows = self._board_rows("WHERE id = (SELECT board FROM boots WHERE id = ?)", (boot,))
        if not rows:
            raise StoreError(f"{self._file.path}: there is no boot {boot}")
        return rows[0]

    def _board_rows(self, rest: str, parameters: Sequence[Value]) -> list[BoardRow]:
        return self._file.select(
            _board_row,
            "SELECT id, board_key, form, name, first_seen_utc_ns, accepted, accepted_utc_ns"
            f" FROM boards {rest}",
            parameters,
        )

    def accept(self, board: int, *, accepted: bool, at_utc_ns: int) -> None:
        """Note whether the bench checks found the board good enough to fit with."""
        said = {"accepted": int(accepted), "accepted_utc_ns": at_utc_ns}
        self._file.update("boards", board, said)

    def latest_boot(self, board: int) -> int | None:
        """Return the boot of a board that was seen last; None if none was."""
        row = self._file.one("SELECT MAX(id) FROM boots WHERE board = ?", (board,))
        return None if row is None or row[0] is None else int(row[0])

    def hello_of(self, boot: int) -> Hello | None:
        """Return the last *hello* of a boot; None for a text board.

        Raises
        ------
        StoreError
            There is no such boot, or what is stored cannot have come from a board.
        """
        row = self._file.one("SELECT hello, boot_key FROM boots WHERE id = ?", (boot,))
        if row is None:
            raise StoreError(f"{self._file.path}: there is no boot {boot}")
        if row[0] is None:
            return None
        try:
            return hello_from_json(row[0])
        except ValueError as error:
            raise StoreError(
                f"{self._file.path}: what board start {row[1]} said of itself cannot be ({error}): "
                "'lieboard check --set-aside' takes its rows out and keeps a copy"
            ) from error

    def boots_of(self, session: int) -> list[int]:
        """Boots that have records in a session, by id."""
        return self._file.select(
            lambda boot: int(boot),
            "SELECT DISTINCT boot FROM records WHERE session = ? ORDER BY boot",
            (session,),
        )


@dataclass(frozen=True, slots=True)
class AgreedBoard:
    """A board that may be used without asking."""

    key: str
    """Its id, ``text:NAME`` of one that speaks text, or its address on the air if it does not
    advertise its id."""
    name: str
    agreed_utc_ns: int
    board_key: str | None = None
    """Which board answered at the address that ``key`` is; None if ``key`` is no address, or none
    answered yet."""


class AgreedBoards(Part):
    """The part of the store that knows which boards are the fitter's."""

    def add(self, key: str, name: str, *, at_utc_ns: int) -> None:
        """Remember that this board may be used; once more does no harm."""
        with self._file.writing() as connection:
            connection.execute(
                "INSERT INTO agreed_boards (key, name, agreed_utc_ns) VALUES (?, ?, ?)"
                " ON CONFLICT (key) DO UPDATE SET name = excluded.name",
                (key, name, at_utc_ns),
            )

    def all(self) -> list[AgreedBoard]:
        """Return the boards agreed to, the first first."""
        return self._file.select(
            AgreedBoard,
            "SELECT key, name, agreed_utc_ns, board_key FROM agreed_boards"
            " ORDER BY agreed_utc_ns, key",
        )

    def note_who_answered(self, address: str, board_key: str) -> None:
        """Keep which board answered at an address that was agreed to."""
        with self._file.writing() as connection:
            connection.execute(
                "UPDATE agreed_boards SET board_key = ? WHERE key = ?", (board_key, address)
            )

    def forget(self, key: str) -> bool:
        """Agree no longer to a board; False if nobody did. What it sent stays."""
        with self._file.writing() as connection:
            return (
                connection.execute("DELETE FROM agreed_boards WHERE key = ?", (key,)).rowcount == 1
            )


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """One calibration of one board."""

    id: int
    board: int
    kind: str
    """What was measured, such as ``evening``."""
    from_utc_ns: int
    """It holds for what is struck from this moment on, until the next of its kind."""
    method_version: str
    content: dict[str, Any]


def _calibration_row(*, content: str, **columns: Any) -> CalibrationRow:  # noqa: ANN401
    return CalibrationRow(content=json.loads(content), **columns)


class Calibrations(Part):
    """The part of the store that knows what was measured of boards."""

    def add(
        self,
        board: int,
        kind: str,
        content: Mapping[str, Any],
        *,
        from_utc_ns: int,
        method_version: str,
    ) -> int:
        """Keep a calibration; return its id. Earlier ones stay, for what was struck before."""
        return self._file.insert(
            "calibrations",
            {
                "board": board,
                "kind": kind,
                "from_utc_ns": from_utc_ns,
                "method_version": method_version,
                "content": json.dumps(content, allow_nan=False),
            },
        )

    def of_board(self, board: int, kind: str) -> list[CalibrationRow]:
        """Return calibrations of one kind of a board, the earliest first."""
        return self._file.select(
            _calibration_row,
            "SELECT id, board, kind, from_utc_ns, method_version, content FROM calibrations"
            " WHERE NOT gone AND board = ? AND kind = ? ORDER BY from_utc_ns, id",
            (board, kind),
        )
