"""What takes some milliseconds: which session, which club is up, the strikes, the boards."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from logger.page.messages import BoardPart, SessionPart, StrikeMessage
from logger.store.core import Value
from logger.store.rows import BoardNews, SessionRow, StrikeRow
from logger.store.store import Store

NO_SESSION = (
    "no session yet: start one with 'lieboard log PORT', or type marks in with "
    "'lieboard mark CLUB MM'"
)


@dataclass(frozen=True, slots=True)
class Look:
    """A session as it stands in the data file."""

    session: SessionRow | None
    part: SessionPart | None
    current_club: str | None
    strikes: tuple[StrikeMessage, ...]
    boards: tuple[BoardPart, ...]
    told: tuple[BoardNews, int] | None
    """How the board is doing, as the program that logs told, and when (UTC, ns)."""
    basis: object
    """What the numbers rest on: they are worked out anew when it is another."""


_Told: TypeAlias = tuple[StrikeRow, int, str | None, StrikeMessage]
NOTHING = Look(None, None, None, (), (), None, None)


class Looker:
    """Looks at a session again and again; what is as it was is not made anew.

    Parameters
    ----------
    store
        Open.
    session
        None: the one in which something happened last.
    """

    def __init__(self, store: Store, session: int | None) -> None:
        self._store = store
        self._wanted = session
        # The end of a day has hundreds of strikes, and each new one is looked for among them.
        self._rows: dict[tuple[Value, ...], StrikeRow] = {}
        self._told: dict[int, _Told] = {}

    def look(self) -> Look:
        """Look at it as it stands now.

        Raises
        ------
        StoreError
            The file cannot be read, or there is no such session.
        """
        number = self._store.live.busy_session() if self._wanted is None else self._wanted
        if number is None:
            return NOTHING
        row = self._store.sessions.get(number)
        own = self._store.sets.get(row.set, at_utc_ns=row.ended_utc_ns)
        clubs = self._store.clubs.of_session(row.id, at_utc_ns=row.ended_utc_ns)
        labels = {club.id: club.label for club in clubs}
        turns = self._store.sessions.turns(row.id)
        up = turns[-1].club if turns and row.ended_utc_ns is None else None
        contacts = self._store.strikes.contacts(row.id, make=self._row)
        boards = self._store.live.boards_in(row.id)
        return Look(
            session=row,
            part=SessionPart(
                number=row.id,
                player=own.player.name,
                set_name=own.name,
                hand=row.hand,
                started_utc=iso_utc(row.started_utc_ns),
                open=row.ended_utc_ns is None,
            ),
            current_club=None if up is None else labels.get(up),
            strikes=self._strikes(contacts, labels),
            boards=tuple(
                BoardPart(
                    board=board.name,
                    link="unknown" if row.ended_utc_ns is None else "ended",
                    link_words="",
                    battery_percent=None,
                    battery_volts=None,
                    kept=None,
                    lost=board.lost,
                    clock_u_ms=None
                    if board.clock_u_ns is None
                    else round(board.clock_u_ns / 1e6, 3),
                )
                for board in boards
            ),
            told=self._store.live.news_of(row.id) if row.ended_utc_ns is None else None,
            basis=(
                row,
                own,
                clubs,
                contacts,
                self._store.readings.bends(),
                [board.lost for board in boards],
            ),
        )

    def _row(self, *cells: Value) -> StrikeRow:
        found = self._rows.get(cells)
        if found is None:
            found = self._rows[cells] = StrikeRow(*cells)  # type: ignore[arg-type]
        return found

    def _strikes(
        self, contacts: Sequence[StrikeRow], labels: Mapping[int, str]
    ) -> tuple[StrikeMessage, ...]:
        told: dict[int, _Told] = {}
        for contact in contacts:
            number, club = contact.number, labels.get(contact.club or -1)
            key = page_id(contact)
            before = self._told.get(key)
            if before is None or before[0] is not contact or before[1:3] != (number, club):
                before = (contact, number, club, _message(contact, number, club))
            told[key] = before
        self._told = told
        if len(self._rows) > 2 * len(contacts) + 100:
            # Rows that were since changed, or are another session's.
            kept = {id(contact) for contact in contacts}
            self._rows = {cells: row for cells, row in self._rows.items() if id(row) in kept}
        return tuple(message for *_, message in told.values())


def page_id(contact: StrikeRow) -> int:
    """Return the number of a contact on the page: strikes and marks are numbered apart."""
    return contact.id if contact.source == "board" else -contact.id


def _message(contact: StrikeRow, number: int, club: str | None) -> StrikeMessage:
    return StrikeMessage(
        id=page_id(contact),
        source=contact.source,
        club=club,
        number=number,
        at_utc=iso_utc(contact.struck_utc_ns),
        toe_mm=None if contact.toe_mm is None else round(contact.toe_mm, 2),
        trail_mm=None if contact.trail_mm is None else round(contact.trail_mm, 2),
        used=contact.used,
        reason=contact.reason,
        by_hand=contact.fitter_choice is not None,
    )


def iso_utc(utc_ns: int) -> str:
    """Return a moment as ISO 8601 with milliseconds and Z."""
    milliseconds = utc_ns // 1_000_000
    moment = datetime.datetime.fromtimestamp(milliseconds // 1000, tz=datetime.UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{milliseconds % 1000:03d}Z"
