"""What a shop has confirmed to have of this data file: the file itself is the queue."""

from __future__ import annotations

from dataclasses import dataclass

from logger.store.core import Part


@dataclass(frozen=True, slots=True)
class Forwarded:
    """How far a shop has this data file."""

    records_up_to: int
    """Id of the last record that it has, with all stored before it; 0 = none."""
    records_to_go: int
    sessions_to_go: int


# A session in which nothing was kept yet may still be removed.
_TO_GO = """
SELECT sessions.id FROM sessions
JOIN session_stamps AS now ON now.session = sessions.id
LEFT JOIN forwarded_sessions AS sent ON sent.session = sessions.id AND sent.shop = ?
WHERE sent.stamp IS NOT now.stamp AND (sent.session IS NOT NULL
  OR EXISTS (SELECT 1 FROM records WHERE records.session = sessions.id)
  OR EXISTS (SELECT 1 FROM contacts WHERE contacts.session = sessions.id))
ORDER BY sessions.started_utc_ns, sessions.id
"""


class Forwarding(Part):
    """The part of the store that knows what was forwarded and what was gathered."""

    def begin(self, shop: str, shop_file: str) -> bool:
        """Note which data file a shop gathers into; True if everything is to be sent again.

        That is so the first time, and when the shop begins another file.
        """
        with self._file.writing() as connection:
            row = self._file.one("SELECT shop_file FROM forwarding WHERE shop = ?", (shop,))
            if row is not None and row[0] == shop_file:
                return False
            connection.execute("DELETE FROM forwarded_sessions WHERE shop = ?", (shop,))
            connection.execute(
                "INSERT INTO forwarding (shop, records_up_to, edition, shop_file)"
                " VALUES (?, 0, 0, ?) ON CONFLICT (shop) DO UPDATE SET records_up_to = 0,"
                " shop_file = excluded.shop_file",
                (shop, shop_file),
            )
        return True

    def forget(self, shop: str) -> None:
        """Send everything again, whatever was confirmed."""
        with self._file.writing() as connection:
            connection.execute("DELETE FROM forwarded_sessions WHERE shop = ?", (shop,))
            connection.execute("UPDATE forwarding SET records_up_to = 0 WHERE shop = ?", (shop,))

    def records_up_to(self, shop: str) -> int:
        """Return the id of the last record that a shop has, with all stored before it."""
        row = self._file.one("SELECT records_up_to FROM forwarding WHERE shop = ?", (shop,))
        return 0 if row is None else int(row[0])

    def progress(self, shop: str) -> Forwarded:
        """How far a shop has this data file."""
        with self._file.lock:
            up_to = self.records_up_to(shop)
            return Forwarded(
                up_to,
                self._file.number("SELECT COUNT(*) FROM records WHERE id > ?", (up_to,)),
                len(self.sessions_to_go(shop)),
            )

    def sessions_to_go(self, shop: str) -> list[int]:
        """Ids of the sessions that changed since the shop confirmed them, the earliest first."""
        return self._file.select(lambda id: int(id), _TO_GO, (shop,))

    def has_session(self, shop: str, session: int) -> bool:
        """Whether the shop has some copy of this session."""
        row = self._file.one(
            "SELECT 1 FROM forwarded_sessions WHERE shop = ? AND session = ?", (shop, session)
        )
        return row is not None

    def next_edition(self, shop: str, *, utc_ms: int) -> int:
        """Return a number for a copy that is greater than that of any copy sent before.

        ``utc_ms`` keeps it so when a backup of this file was put back.
        """
        with self._file.writing():
            return self._file.number(
                "UPDATE forwarding SET edition = MAX(edition + 1, ?) WHERE shop = ?"
                " RETURNING edition",
                (utc_ms, shop),
            )

    def note_session(self, shop: str, session: int, stamp: int) -> None:
        """Note that the shop has a copy of a session on its disk, made at this stamp."""
        with self._file.writing() as connection:
            connection.execute(
                "INSERT INTO forwarded_sessions (shop, session, stamp) VALUES (?, ?, ?)"
                " ON CONFLICT (shop, session) DO UPDATE SET stamp = excluded.stamp",
                (shop, session, stamp),
            )

    def forget_session(self, shop: str, session: int) -> None:
        """Note that the shop does not have this session after all."""
        with self._file.writing() as connection:
            connection.execute(
                "DELETE FROM forwarded_sessions WHERE shop = ? AND session = ?", (shop, session)
            )

    def note_records(self, shop: str, record: int) -> None:
        """Note that the shop has every record up to and including this id on its disk."""
        with self._file.writing() as connection:
            connection.execute(
                "UPDATE forwarding SET records_up_to = MAX(records_up_to, ?) WHERE shop = ?",
                (record, shop),
            )

    def file_key(self, new_key: str) -> str:
        """Return what names this data file among those that gather; ``new_key`` if it has none."""
        with self._file.writing() as connection:
            connection.execute(
                "INSERT INTO gathering (id, file_key) VALUES (1, ?) ON CONFLICT DO NOTHING",
                (new_key,),
            )
            row = self._file.one("SELECT file_key FROM gathering")
            assert row is not None
            return str(row[0])
