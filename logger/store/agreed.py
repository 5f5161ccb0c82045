"""Boards on the air that the fitter agreed to use."""

from __future__ import annotations

from dataclasses import dataclass

from logger.store.core import Core


@dataclass(frozen=True, slots=True)
class AgreedBoard:
    """A board that may be used without asking."""

    key: str
    """Its id, or its address if it does not advertise its id."""
    name: str
    agreed_utc_ns: int


class AgreedTables(Core):
    """The part of the store that knows which boards on the air are the fitter's."""

    def agree_to_board(self, key: str, name: str, *, at_utc_ns: int) -> None:
        """Remember that this board may be used; once more does no harm."""
        with self._writing() as connection:
            connection.execute(
                "INSERT INTO agreed_boards (key, name, agreed_utc_ns) VALUES (?, ?, ?)"
                " ON CONFLICT (key) DO UPDATE SET name = excluded.name",
                (key, name, at_utc_ns),
            )

    def agreed_boards(self) -> list[AgreedBoard]:
        """Return the boards agreed to, the first first."""
        return self._select(
            AgreedBoard,
            "SELECT key, name, agreed_utc_ns FROM agreed_boards ORDER BY agreed_utc_ns, key",
        )
