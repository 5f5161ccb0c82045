"""What somebody who looks on while another program logs asks of the data file."""

from __future__ import annotations

from dataclasses import astuple, dataclass

from logger.store.core import Part
from logger.store.rows import BoardNews


@dataclass(frozen=True, slots=True)
class BoardInSession:
    """A board that has records in a session."""

    board: int
    name: str
    lost: int
    """Records of this session that nobody has."""
    clock_u_ns: int | None
    """Standard uncertainty of when its latest record was struck; None = not known."""


class Live(Part):
    """The part of the store that is cheap enough to be asked many times a second."""

    def data_version(self) -> int:
        """Return a number that changes whenever another connection wrote to the file.

        Some ten microseconds, whatever the size of the file.
        """
        return self._file.number("PRAGMA data_version")

    def busy_session(self) -> int | None:
        """Return the session in which something happened last; None if there is none.

        The one whose club was put up last, since each session begins with that; or, if an older
        one was resumed, the one whose record came last.
        """
        turn = self._file.one("SELECT session, from_utc_ns FROM turns ORDER BY id DESC LIMIT 1")
        record = self._file.one(
            "SELECT session, struck_utc_ns FROM records WHERE session IS NOT NULL"
            " ORDER BY id DESC LIMIT 1"
        )
        if turn is None or record is None:
            row = turn or record or self._file.one("SELECT MAX(id) FROM sessions")
            return None if row is None else row[0]
        return int(record[0] if (record[1] or 0) > turn[1] else turn[0])

    def note_news(self, session: int, news: BoardNews, *, told_utc_ns: int) -> None:
        """Write down how the board of a session is doing, in place of what was told before."""
        with self._file.writing() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO board_news (session, name, link, link_words, supply_mv,"
                " kept, waiting, told_utc_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (session, *astuple(news), told_utc_ns),
            )

    def news_of(self, session: int) -> tuple[BoardNews, int] | None:
        """Return how the board of a session was doing, and when that was told (UTC, ns).

        None: nobody ever told.
        """
        row = self._file.one(
            "SELECT told_utc_ns, name, link, link_words, supply_mv, kept, waiting"
            " FROM board_news WHERE session = ?",
            (session,),
        )
        return None if row is None else (BoardNews(*row[1:]), int(row[0]))

    def boards_in(self, session: int) -> list[BoardInSession]:
        """Return the boards that have records or losses in a session, by id."""
        return self._file.select(
            BoardInSession,
            "WITH own AS (SELECT DISTINCT boot FROM records WHERE session = :session"
            "  UNION SELECT boot FROM losses WHERE session = :session),"
            " seen AS (SELECT boots.board,"
            "  SUM((SELECT COALESCE(SUM(losses.count), 0) FROM losses"
            "    WHERE losses.boot = own.boot AND losses.session = :session)) AS lost,"
            "  MAX((SELECT MAX(records.id) FROM records WHERE records.boot = own.boot"
            "    AND records.session = :session)) AS latest"
            "  FROM own JOIN boots ON boots.id = own.boot GROUP BY boots.board)"
            " SELECT boards.id AS board, boards.name, seen.lost,"
            "  (SELECT struck_u_ns FROM records WHERE records.id = seen.latest) AS clock_u_ns"
            " FROM seen JOIN boards ON boards.id = seen.board ORDER BY boards.id",
            {"session": session},
        )
