"""Strikes that were hit under the wrong club: moved, and noticed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from logger.errors import UsageError
from logger.session.corrections.acts import Said, check_kept_here, keep_act, session_here
from logger.session.logging.fitting import club_of
from logger.store.acts import ActPart
from logger.store.rows import SessionRow, StrikeRow
from logger.store.store import Store

_RANGE = re.compile(r"(\d{1,9})(?:(-)(\d{1,9})?)?")


@dataclass(frozen=True, slots=True)
class Move:
    """Contacts of a session by their numbers, and where they go."""

    first: int
    last: int | None
    """None: up to where the next move from a number on begins, or to the end."""
    club: str | None
    """Label; None: each stays under the club that it has."""


def turn_strike(
    store: Store, contact: StrikeRow, said: Said, *, aside: bool, reason: str | None = None
) -> str:
    """Set a contact aside, or let it count again whoever set it aside; an undo takes that back.

    Raises
    ------
    UsageError
        A bay keeps its session. Nothing was changed.
    """
    check_kept_here(store, contact.session)
    choice = "aside" if aside else "use"
    was = " ".join(filter(None, (contact.fitter_choice, contact.fitter_reason))) or None
    value = f"{choice} {reason}" if reason else choice
    if contact.source == "board":
        part = ActPart(
            "strikes", "choice", value, was, session=contact.session, boot=contact.boot,
            at=contact.first_sequence or 0, within=store.strikes.within(contact),
        )  # fmt: skip
    else:
        part = ActPart("marks", "choice", value, was, contact.session, at=contact.struck_utc_ns)
    what = "strike" if contact.source == "board" else "mark"
    words = f"session {contact.session}: {what} {contact.number} " + (
        f"set aside ({reason})" if aside and reason else "set aside" if aside else "counts"
    )
    return keep_act(store, "choice", words, [part], said)


def move_of(text: str, club: str | None) -> Move:
    """Read ``24``, ``24-31`` or ``24-`` (from 24 on).

    Raises
    ------
    UsageError
        It is none of these.
    """
    found = _RANGE.fullmatch(text.strip())
    if found is None:
        raise UsageError(f"{text!r} names no strikes: write 24, 24-31, or 24- for all from 24 on")
    first = int(found[1])
    last = first if found[2] is None else None if found[3] is None else int(found[3])
    return Move(first, last, club)


def moves_of(words: Sequence[str], *, with_clubs: bool = True) -> list[Move]:
    """Read ``24- 6i 32- 7i``, or without clubs ``24-31 40``.

    Raises
    ------
    UsageError
        It makes no sense.
    """
    if not with_clubs and all(_RANGE.fullmatch(word) for word in words):
        return [move_of(word, None) for word in words]
    if len(words) % 2:
        raise UsageError(
            "say which strikes and to which club, in turn: lieboard strikes move 24- 6i 32- 7i"
        )
    return [move_of(what, club) for what, club in zip(words[::2], words[1::2], strict=True)]


def move_strikes(
    store: Store,
    session: int,
    moves: Sequence[Move],
    said: Said,
    *,
    to_session: int | None = None,
    seen_stamp: int | None = None,
) -> str:
    """Move strikes and marks to other clubs, or into another session of the same player.

    A mark that is of a strike goes with it.

    Raises
    ------
    UsageError
        No such strike or club, a range backwards, one strike in two moves, or a session of another
        player or hand. Nothing was changed.
    """
    row = session_here(store, session, seen_stamp)
    target = row if to_session is None else _target(store, row, to_session)
    own = store.sets.get(target.set)
    contacts = store.strikes.contacts(session)
    chosen: dict[int, str | None] = {}
    told: list[str] = []
    for move in _with_ends(moves, len(contacts)):
        label = None if move.club is None else club_of(own, move.club).label
        if label is None and to_session is None:
            raise UsageError("say to which club: lieboard strikes move 24-31 6i")
        assert move.last is not None
        numbers = range(move.first, move.last + 1)
        twice = [number for number in numbers if number in chosen]
        if twice:
            raise UsageError(f"strike {twice[0]} is moved twice in one go: name it once")
        chosen |= dict.fromkeys(numbers, label)
        span = f"{move.first}" if move.first == move.last else f"{move.first} to {move.last}"
        told.append(f"{span}" + ("" if label is None else f" to {label}"))
    clubs = {club.label: club.id for club in own.clubs}
    labels = {club.id: club.label for club in store.clubs.of_session(session)}
    into: dict[int, int | None] = {}
    for contact in contacts:
        if contact.number in chosen:
            label = chosen[contact.number] or labels.get(contact.club or -1)
            if label is not None and label not in clubs:
                raise UsageError(f"there is no club {label} in the set {own.name}")
            into[contact.number] = None if label is None else clubs[label]
    into |= {
        mark: into[strike] for mark, strike in marks_beside(contacts).items() if strike in into
    }
    parts = place_parts(contacts, into, session, target.id)
    words = f"session {session}: strikes {', '.join(told)}"
    if target.id != session:
        words += f", into session {target.id}"
    return keep_act(store, "move", words, parts, said)


def marks_beside(contacts: Sequence[StrikeRow]) -> dict[int, int]:
    """Numbers of the marks that are of a strike of the board, and of that strike."""
    numbers = {contact.id: contact.number for contact in contacts if contact.source == "board"}
    return {
        contact.number: numbers[contact.audits]
        for contact in contacts
        if contact.audits is not None and contact.audits in numbers
    }


def place_parts(
    contacts: Sequence[StrikeRow], into: dict[int, int | None], session: int, target: int
) -> list[ActPart]:
    """Parts of an act that moves contacts, by number, each to a club of a session.

    Contacts of a boot that follow each other and go the same way are one part: what lies between
    their records goes with them.
    """
    parts: list[ActPart] = []
    boards = sorted({c.boot for c in contacts if c.boot is not None})
    for boot in boards:
        own = [c for c in contacts if c.boot == boot]
        own.sort(key=lambda c: (c.first_sequence or 0, c.number))
        run: list[StrikeRow] = []
        for contact in [*own, None]:
            goes_on = (
                contact is not None
                and contact.number in into
                and (not run or into[contact.number] == into[run[0].number])
            )
            if run and not goes_on:
                parts.append(
                    ActPart(
                        "strikes", "place", session=session, boot=boot,
                        at=run[0].first_sequence or 0,
                        to_at=max(one.last_sequence or 0 for one in run),
                        to_session=target, to_club=into[run[0].number],
                    )
                )  # fmt: skip
                run = []
            if contact is not None and contact.number in into:
                run.append(contact)
    parts += [
        ActPart(
            "marks", "place", session=session, club=contact.club, at=contact.struck_utc_ns,
            to_session=target, to_club=into[contact.number],
        )
        for contact in contacts
        if contact.source == "mark" and contact.number in into
    ]  # fmt: skip
    return parts


def _target(store: Store, row: SessionRow, to_session: int) -> SessionRow:
    target = session_here(store, to_session)
    check_alike(store, row, target)
    return target


def check_alike(store: Store, row: SessionRow, target: SessionRow) -> None:
    """Refuse to put strikes of one session into another of another player or hand."""
    if row.id == target.id:
        raise UsageError(f"session {row.id} is the same: name another one")
    one, another = store.sets.get(row.set), store.sets.get(target.set)
    if one.player.id != another.player.id:
        raise UsageError(
            f"session {target.id} is {another.player.name}'s and session {row.id} "
            f"{one.player.name}'s: to another player only a whole session goes, with "
            "'lieboard session change'"
        )
    if row.hand != target.hand:
        raise UsageError(
            f"session {target.id} is {target.hand}-handed and session {row.id} {row.hand}-handed: "
            "strikes stay with their hand; nothing was changed"
        )


def _with_ends(moves: Sequence[Move], count: int) -> list[Move]:
    if not moves:
        raise UsageError("say which strikes go where: lieboard strikes move 24-31 6i")
    ordered = sorted(moves, key=lambda move: move.first)
    for one, following in pairwise(ordered):
        if one.first == following.first:
            raise UsageError(f"strike {one.first} is moved twice in one go: name it once")
    ends = [*(move.first - 1 for move in ordered[1:]), count]
    found = [
        Move(move.first, end if move.last is None else move.last, move.club)
        for move, end in zip(ordered, ends, strict=True)
    ]
    for move in found:
        assert move.last is not None
        if not 1 <= move.first <= count or move.last > count:
            what = move.first if not 1 <= move.first <= count else move.last
            there = f"1 to {count}" if count else "none yet"
            raise UsageError(f"there is no strike {what}: there are {there}")
        if move.last < move.first:
            raise UsageError(f"{move.first} to {move.last} runs backwards")
    return found


# A split of a club's strikes into two places is told only if they stand so many standard errors
# apart; the best of some ten splits of one place reaches 4 about once in a thousand clubs (normal
# tail times splits). The test draws it.
_APART = 4.5
_FEWEST = 4


@dataclass(frozen=True, slots=True)
class ForgottenStep:
    """Strikes of a club that look like its neighbour's: a suggestion, never an act."""

    session: int
    club: str
    first: int
    """Number of the first of them."""
    last: int
    to_club: str
    apart_mm: float
    """How far their mean stands from the strikes before, + toe."""

    @property
    def words(self) -> str:
        """The suggestion and the command that does it."""
        side = "toe" if self.apart_mm > 0 else "heel"
        return (
            f"{self.club}: from strike {self.first} on they stand {abs(self.apart_mm):.1f} mm "
            f"further to the {side}, and {self.to_club} has few: was the next club forgotten? "
            f"lieboard strikes move {self.first}-{self.last} {self.to_club} "
            f"--session {self.session}"
        )


def forgotten_steps(store: Store, session: int) -> list[ForgottenStep]:
    """Look for clubs whose later strikes fit the club that comes next in checking better.

    A club is told of if it has at least 1.5 times as many strikes as is usual in the session, the
    next one in the order of checking has at most half as many, and its strikes fall into two
    places in the order they were struck, `_APART` standard errors from each other (two-sample t
    with pooled variance). If the next club was hit, the later place must be nearer to its own.
    """
    row = store.sessions.get(session)
    own = store.sets.get(row.set)
    pivot = [club for club in own.clubs if club.id == own.pivot_club]
    order = [*pivot, *(club for club in own.clubs if club.id != own.pivot_club)]
    by_club: dict[int, list[StrikeRow]] = {club.id: [] for club in order}
    for contact in store.strikes.contacts(session, source="board"):
        if contact.used and contact.toe_mm is not None and contact.club in by_club:
            by_club[contact.club].append(contact)
    counts = sorted(len(rows) for rows in by_club.values() if rows)
    if not counts:
        return []
    usual = counts[(len(counts) - 1) // 2]
    found = []
    for club, following in pairwise(order):
        rows, others = by_club[club.id], by_club[following.id]
        if len(rows) < max(1.5 * usual, 2 * _FEWEST) and not (
            len(counts) == 1 and len(rows) >= 2 * _FEWEST
        ):
            continue
        if len(others) > usual / 2:
            continue
        cut = _best_cut([row.toe_mm or 0.0 for row in rows])
        if cut is None:
            continue
        place, before, after = cut
        if others:
            theirs = sum(row.toe_mm or 0.0 for row in others) / len(others)
            if abs(after - theirs) >= abs(before - theirs):
                continue
        found.append(
            ForgottenStep(
                session, club.label, rows[place].number, rows[-1].number, following.label,
                after - before,
            )
        )  # fmt: skip
    return found


def _best_cut(toe_mm: Sequence[float]) -> tuple[int, float, float] | None:
    """Where values in order fall into two places best: first of the second, and both means."""
    best: tuple[float, int, float, float] | None = None
    for place in range(_FEWEST, len(toe_mm) - _FEWEST + 1):
        one, two = toe_mm[:place], toe_mm[place:]
        means = sum(one) / len(one), sum(two) / len(two)
        squares = sum((x - means[0]) ** 2 for x in one) + sum((x - means[1]) ** 2 for x in two)
        # A strip places no strike better than to some tenth of a millimetre.
        variance = max(squares / (len(toe_mm) - 2), 0.01)
        apart = abs(means[1] - means[0]) / (variance * (1 / len(one) + 1 / len(two))) ** 0.5
        if best is None or apart > best[0]:
            best = (apart, place, *means)
    return None if best is None or best[0] < _APART else best[1:]
