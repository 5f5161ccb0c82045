"""Boards and their boots."""

from __future__ import annotations

from collections.abc import Sequence
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
        with self._file.writing():
            board = self._file.number(
                "INSERT INTO boards (board_key, form, name, first_seen_utc_ns) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (board_key) DO UPDATE SET name = excluded.name RETURNING id",
                (board_key, "text" if hello is None else "binary", name, seen_utc_ns),
            )
            return self._file.number(
                "INSERT INTO boots (board, boot_key, first_seen_utc_ns, hello) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (board, boot_key) DO UPDATE SET hello = excluded.hello RETURNING id",
                (
                    board,
                    boot_key,
                    seen_utc_ns,
                    None if hello is None else hello_to_json(hello),
                ),
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
