"""The bay's side without the network: what is to be sent next, and what the shop has of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from logger.shop.messages import MAX_RECORDS, records, session_pieces
from logger.store.copies.columns import Row
from logger.store.copies.make import CarriedRecord, SessionName
from logger.store.store import Store

# Of one payload, before base64: what is left of its 256 KiB is for names. A record brings its
# numbers, a boot its hello.
_ROOM_BYTES: Final = 120_000
_RECORD_BYTES: Final = 200
_BOOT_BYTES: Final = 3_000


@dataclass(frozen=True, slots=True)
class Parcel:
    """Payloads that are confirmed by one answer."""

    message: int
    payloads: tuple[bytes, ...]
    what: str
    """For a person."""
    records: int
    session: int | None
    kept: Callable[[], None]
    """To be called when the shop has it on its disk."""


class BayQueue:
    """The data file of a bay as a queue toward one shop.

    Parameters
    ----------
    store
        Open for writing: it notes what the shop has.
    shop
        Its name.
    first_message
        Number of the first parcel; greater than any that this bay gave before, such as the time.
    """

    def __init__(self, store: Store, shop: str, first_message: int) -> None:
        self._store = store
        self._shop = shop
        self._message = first_message
        self._sessions: list[int] | None = None

    def next_number(self) -> int:
        """Return a number for a message."""
        self._message += 1
        return self._message

    def begin(self, shop_file: str) -> bool:
        """Note which data file the shop has; True if everything is to be sent to it again."""
        self._sessions = None
        return self._store.forwarding.begin(self._shop, shop_file)

    def send_anew(self) -> None:
        """Forget what the shop confirmed."""
        self._store.forwarding.forget(self._shop)

    def missing(self, name: SessionName) -> None:
        """Take note that the shop does not have a session; it is sent again."""
        session = self._store.copies.find(name)
        if session is not None:
            self._store.forwarding.forget_session(self._shop, session)
            self._sessions = [session, *(self._sessions or [])]

    def next_parcel(self, *, utc_ms: int) -> Parcel | None:
        """Return what is to be sent next; None once there is nothing, and then begin again.

        First every session that changed, then every new record: so a session is at the shop
        before records that belong to it.
        """
        if self._sessions is None:
            self._sessions = self._store.forwarding.sessions_to_go(self._shop)
        if self._sessions:
            return self._session_parcel(self._sessions.pop(0), utc_ms)
        up_to = self._store.forwarding.records_up_to(self._shop)
        page = self._store.copies.records_stored_after(up_to, at_most=MAX_RECORDS)
        unknown = {
            r.session
            for r in page
            if r.session is not None
            and not self._store.forwarding.has_session(self._shop, r.session)
        }
        if unknown:
            # Begun since the sessions were looked through.
            return self._session_parcel(min(unknown), utc_ms)
        if page:
            return self._record_parcel(page)
        self._sessions = None
        return None

    def _session_parcel(self, session: int, utc_ms: int) -> Parcel:
        copy, stamp = self._store.copies.make(session)
        edition = self._store.forwarding.next_edition(self._shop, utc_ms=utc_ms)
        number = self.next_number()
        return Parcel(
            number,
            tuple(session_pieces(number, edition, copy)),
            f"session {session}",
            0,
            session,
            lambda: self._store.forwarding.note_session(self._shop, session, stamp),
        )

    def _record_parcel(self, page: list[CarriedRecord]) -> Parcel:
        boots: dict[tuple[str, str], Row] = {}
        names: dict[int, SessionName] = {}
        items: list[tuple[CarriedRecord, int, SessionName | None]] = []
        for record in _as_many_as_fit(page):
            key = record.board, record.boot
            if key not in boots:
                boots[key] = self._store.copies.boot_row(*key)
            name = None
            if record.session is not None:
                if record.session not in names:
                    names[record.session] = self._store.copies.name_of(record.session)
                name = names[record.session]
            items.append((record, list(boots).index(key), name))
        last = items[-1][0].id
        number = self.next_number()
        return Parcel(
            number,
            (records(number, list(boots.values()), items),),
            f"records up to {last}",
            len(items),
            None,
            lambda: self._store.forwarding.note_records(self._shop, last),
        )


def _as_many_as_fit(page: list[CarriedRecord]) -> Iterator[CarriedRecord]:
    """Give records from the front of a page, one at least, as many as one payload takes."""
    boots: set[tuple[str, str]] = set()
    left = _ROOM_BYTES
    for place, record in enumerate(page):
        key = record.board, record.boot
        left -= len(record.raw) + _RECORD_BYTES + (0 if key in boots else _BOOT_BYTES)
        if left < 0 and place > 0:
            return
        boots.add(key)
        yield record
