"""Audits of a board by marks on the sole: kept dated, and carried to sessions without marks.

What is kept is the pairs; the level is worked out from them whenever it is asked for. Player and
session are kept by name and start, which mean the same in another data file.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.board.audit import FEWEST_PAIRS
from analysis.board.audit_carry import Audited, CarriedLevel, Circumstance, carried_level
from analysis.conventions import Hand
from analysis.lie.search import lowest_points_mm
from logger.errors import StoreError, UsageError
from logger.session.evidence.footprints import FootprintReader
from logger.store.rows import BoardRow, SessionRow, StrikeRow
from logger.store.store import Store

AUDIT_KIND = "audit"
# Goes up whenever the same pairs would give another level.
AUDIT_METHOD = "audit 1"
# From here on audits of this board count no more: its strip was moved under the address mark.
MOVED_KIND = "strip moved"


@dataclass(frozen=True, slots=True)
class Pair:
    """One swing read both ways."""

    strike: StrikeRow
    mark: StrikeRow
    board_toe_mm: float
    """Contact as the board placed it by the address mark."""
    mark_toe_mm: float

    @property
    def name(self) -> str:
        """What it is called on screen."""
        return f"mark m{self.mark.id} of strike b{self.strike.id}"


@dataclass(frozen=True, slots=True)
class CarriedAudit:
    """The level of a session by audits of others."""

    level: CarriedLevel
    words: str
    """Which audit, with its date."""


def audit_pairs(store: Store, session: int) -> list[Pair]:
    """Return the marks of a session that audit a strike which the board placed."""
    contacts = store.strikes.contacts(session)
    strikes = {c.id: c for c in contacts if c.source == "board"}
    pairs = []
    for contact in contacts:
        strike = strikes.get(contact.audits or 0)
        if contact.source != "mark" or strike is None or not contact.used:
            continue
        if strike.toe_mm is not None and contact.toe_mm is not None:
            pairs.append(Pair(strike, contact, strike.toe_mm, contact.toe_mm))
    return pairs


def keep_audit(
    store: Store,
    session: SessionRow,
    pairs: Sequence[Pair],
    *,
    u_mark_common_mm: float,
) -> list[BoardRow]:
    """Keep the audit of a session for the boards it was done on; return these.

    Raises
    ------
    UsageError
        No board has enough pairs.
    """
    boots = {pair.strike.boot for pair in pairs}
    boards = {boot: store.boards.of_boot(boot) for boot in boots if boot is not None}
    seen = lowest_points(store, session, [pair.strike for pair in pairs])
    kept = []
    for board in {board.id: board for board in boards.values()}.values():
        own = [p for p in pairs if p.strike.boot is not None and boards[p.strike.boot] == board]
        if len(own) >= FEWEST_PAIRS:
            toes = [(seen[p.strike.id], p.mark_toe_mm) for p in own]
            keep_pairs(store, session, board, toes, u_mark_common_mm=u_mark_common_mm)
            kept.append(board)
    if not kept:
        raise UsageError(
            f"session {session.id} has fewer than {FEWEST_PAIRS} audited swings on a board: "
            "nothing to keep; read more marks"
        )
    return kept


def keep_pairs(
    store: Store,
    session: SessionRow,
    board: BoardRow,
    toes_mm: Sequence[tuple[float, float]],
    *,
    u_mark_common_mm: float,
) -> None:
    """Keep pairs of board and mark, mm on the sole, as this board's audit in this session."""
    content = {
        "player": store.sets.get(session.set).player.name,
        "hand": session.hand,
        "session_started_utc_ns": session.started_utc_ns,
        "u_mark_common_mm": u_mark_common_mm,
        "board_toe_mm": [round(board_mm, 3) for board_mm, _ in toes_mm],
        "mark_toe_mm": [round(mark_mm, 3) for _, mark_mm in toes_mm],
    }
    store.calibrations.add(
        board.id,
        AUDIT_KIND,
        content,
        from_utc_ns=session.started_utc_ns,
        method_version=AUDIT_METHOD,
    )


def note_moved(store: Store, board: BoardRow, at_utc_ns: int) -> None:
    """Note that a board's strip was moved under its mark: its earlier audits hold no more."""
    store.calibrations.add(
        board.id, MOVED_KIND, {}, from_utc_ns=at_utc_ns, method_version=AUDIT_METHOD
    )


def board_of_session(store: Store, session: int) -> BoardRow | None:
    """Return the board of a session; None without one, or where there were several."""
    boards = {
        board.id: board for board in map(store.boards.of_boot, store.boards.boots_of(session))
    }
    return next(iter(boards.values())) if len(boards) == 1 else None


def carried_audit(store: Store, session: SessionRow) -> CarriedAudit | None:
    """Work out what kept audits say of a session; None if there are none that say anything.

    Audits of sessions that began no later count: of this board by any player, and of this player
    on any board.

    Raises
    ------
    StoreError
        If an audit cannot be read.
    """
    board = board_of_session(store, session.id)
    if board is None:
        return None
    kept: dict[Circumstance, tuple[Audited, int]] = {}
    u_mark = 0.0
    for one in store.boards.all():
        moved = [row.from_utc_ns for row in store.calibrations.of_board(one.id, MOVED_KIND)]
        for row in store.calibrations.of_board(one.id, AUDIT_KIND):
            if row.from_utc_ns > session.started_utc_ns:
                continue
            try:
                content = row.content
                started_ns = int(content["session_started_utc_ns"])
                hand = Hand(content["hand"])
                at = Circumstance(
                    (one.id, _since(moved, row.from_utc_ns)),
                    (content["player"].casefold(), hand),
                    started_ns,
                    hand.toe_sign,
                )
                audited = Audited.of(at, content["board_toe_mm"], content["mark_toe_mm"])
                u_mark = max(u_mark, float(content["u_mark_common_mm"]))
            except (KeyError, TypeError, ValueError, AttributeError) as error:
                raise StoreError(f"{store.path}: audit {row.id} of {one.name}: {error}") from error
            # Of one session the later one counts: it was done again.
            kept[at] = (audited, started_ns)
    moved = [row.from_utc_ns for row in store.calibrations.of_board(board.id, MOVED_KIND)]
    hand = Hand(session.hand)
    player = (store.sets.get(session.set).player.name.casefold(), hand)
    here = (board.id, _since(moved, session.started_utc_ns))
    to = Circumstance(here, player, session.started_utc_ns, hand.toe_sign)
    audits = [(a, ns) for a, ns in kept.values() if a.at.board == here or a.at.player == player]
    if not audits:
        return None
    level = carried_level(
        [audited for audited, _ in audits],
        to,
        u_address_mm=session.sole_middle_u_mm,
        u_mark_common_mm=u_mark,
    )
    own = [ns for audited, ns in audits if audited.at.player == player]
    words = f"audit of {_date(max(own or [ns for _, ns in audits]))}"
    if not own:
        words += " by another player"
    return CarriedAudit(level, words)


def lowest_points(
    store: Store, session: SessionRow, strikes: Sequence[StrikeRow]
) -> dict[int, float]:
    """Lowest point of each strike on the sole, mm, as far as the address mark is right.

    By its print where the scans are there, and as the board placed it elsewhere.
    """
    seen = {strike.id: float(strike.toe_mm or 0.0) for strike in strikes}
    place = {club.id: i for i, club in enumerate(store.clubs.of_session(session.id))}
    found = FootprintReader(store, session).read(
        [strike for strike in strikes if strike.club in place], place
    )
    first = 0
    for one in found.prints:
        lowest = lowest_points_mm(one) - one.address_mm
        for strike, touched in zip(found.strikes[first:], lowest, strict=False):
            seen[strike.id] = float(touched)
        first += len(lowest)
    return seen


def _since(moved_utc_ns: Sequence[int], utc_ns: int) -> int:
    """How often the strip had been moved by then."""
    return sum(moved <= utc_ns for moved in moved_utc_ns)


def _date(utc_ns: int) -> str:
    moment = datetime.datetime.fromtimestamp(utc_ns / 1e9, tz=datetime.UTC)
    return moment.astimezone().strftime("%Y-%m-%d")
