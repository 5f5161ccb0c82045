"""Boards that the fitter agreed to use."""

from __future__ import annotations

from dataclasses import dataclass

from logger.store.core import Part


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
