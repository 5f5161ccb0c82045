"""What takes some milliseconds: which session, which club is up, the strikes, the boards."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from logger.page.messages import BoardPart, SessionPart, StrikeMessage
from logger.page.times import iso_utc
from logger.store.rows import SessionRow, StrikeRow
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
    basis: object
    """What the numbers rest on: they are worked out anew when it is another."""


NOTHING = Look(None, None, None, (), (), None)


def look_at(store: Store, session: int | None) -> Look:
    """Look at a session, or at the one in which something happened last.

    Raises
    ------
    StoreError
        The file cannot be read, or there is no such session.
    """
    number = store.busy_session() if session is None else session
    if number is None:
        return NOTHING
    row = store.get_session(number)
    own = store.get_set(row.set, at_utc_ns=row.ended_utc_ns)
    clubs = store.clubs_of(row.id, at_utc_ns=row.ended_utc_ns)
    labels = {club.id: club.label for club in clubs}
    turns = store.turns(row.id)
    up = turns[-1].club if turns and row.ended_utc_ns is None else None
    contacts = store.contacts(row.id)
    boards = store.boards_in(row.id)
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
        strikes=_strikes(contacts, labels),
        boards=tuple(
            BoardPart(
                board=board.name,
                link="unknown" if row.ended_utc_ns is None else "ended",
                link_words="",
                battery_percent=None,
                battery_volts=None,
                kept=None,
                lost=board.lost,
                clock_u_ms=None if board.clock_u_ns is None else round(board.clock_u_ns / 1e6, 3),
            )
            for board in boards
        ),
        basis=(row, own, clubs, contacts, store.bends(), [board.lost for board in boards]),
    )


def page_id(contact: StrikeRow) -> int:
    """Return the number of a contact on the page: strikes and marks are numbered apart."""
    return contact.id if contact.source == "board" else -contact.id


def _strikes(contacts: Sequence[StrikeRow], labels: dict[int, str]) -> tuple[StrikeMessage, ...]:
    numbered: Counter[int | None] = Counter()
    found = []
    for contact in contacts:
        numbered[contact.club] += 1
        found.append(
            StrikeMessage(
                id=page_id(contact),
                source=contact.source,
                club=labels.get(contact.club or -1),
                number=numbered[contact.club],
                at_utc=iso_utc(contact.struck_utc_ns),
                toe_mm=None if contact.toe_mm is None else round(contact.toe_mm, 2),
                trail_mm=None if contact.trail_mm is None else round(contact.trail_mm, 2),
                used=contact.used,
                reason=contact.reason,
                by_hand=contact.fitter_choice is not None,
            )
        )
    return tuple(found)
