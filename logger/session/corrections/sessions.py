"""Sessions put right: what was agreed, begun and ended, joined, split, deleted and brought back."""

from __future__ import annotations

import math
from dataclasses import dataclass

from logger.errors import UsageError
from logger.session.corrections.acts import Said, check_kept_here, keep_act, session_here
from logger.session.corrections.strikes import check_alike, marks_beside, place_parts
from logger.session.logging.opening import STANCE_U_MM, stance_to_keep
from logger.setfiles.clubs import HandName
from logger.store.acts import ActPart
from logger.store.rows import SessionRow
from logger.store.store import Store

_MOST_STANCE_MM = 200.0
_LONGEST_TEXT = 500


@dataclass(frozen=True, slots=True)
class SessionWishes:
    """What is to be different of a session; None = as it is."""

    set_id: int | None = None
    hand: HandName | None = None
    stance_mm: float | None = None
    stance_u_mm: float | None = None
    stance_unknown: bool = False
    ball: bool | None = None
    surface: str | None = None
    """Empty: not noted."""
    note: str | None = None


def _stance(stance_mm: float | None, u_mm: float | None = None) -> dict[str, float]:
    kept = stance_to_keep(stance_mm, STANCE_U_MM if u_mm is None else u_mm)
    return dict(zip(("stance_mm", "stance_u_mm"), kept, strict=True))


def change_session(
    store: Store, session: int, wishes: SessionWishes, said: Said, *, seen_stamp: int | None = None
) -> str:
    """Change what was agreed at the start of a session.

    Raises
    ------
    UsageError
        Nothing is asked for that is not so already, or a club that was hit is not in the new set.
        Nothing was changed.
    """
    row = session_here(store, session, seen_stamp)
    wanted: dict[str, str | float | None] = {}
    if wishes.stance_unknown:
        if wishes.stance_mm is not None:
            raise UsageError("the stance is known or it is not: give one of them")
        wanted |= _stance(None)
    if wishes.stance_mm is not None:
        if not (math.isfinite(wishes.stance_mm) and abs(wishes.stance_mm) <= _MOST_STANCE_MM):
            raise UsageError(f"a stance of {wishes.stance_mm:g} mm: it lies within 200 mm")
        wanted |= _stance(wishes.stance_mm, wishes.stance_u_mm)
    elif wishes.stance_u_mm is not None:
        wanted["stance_u_mm"] = wishes.stance_u_mm
    if "stance_u_mm" in wanted and not 0 < float(wanted["stance_u_mm"] or 0) <= 100:
        raise UsageError("how well a stance is known lies between 0 and 100 mm")
    if wishes.hand is not None:
        wanted["hand"] = wishes.hand
    if wishes.ball is not None:
        wanted["ball"] = int(wishes.ball)
    for name, text in (("surface", wishes.surface), ("note", wishes.note)):
        if text is not None:
            if len(text) > _LONGEST_TEXT:
                raise UsageError(f"the {name} is longer than {_LONGEST_TEXT} letters")
            wanted[name] = text.strip() or None
    parts, told = [], []
    if wishes.set_id is not None and wishes.set_id != row.set:
        parts.append(_set_part(store, row, wishes.set_id))
        new = store.sets.get(wishes.set_id)
        told.append(f"{new.player.name}, {new.name}")
        if wishes.hand is None and new.player.id != store.sets.get(row.set).player.id:
            wanted["hand"] = new.player.hand
    for name, value in wanted.items():
        before = int(row.ball) if name == "ball" else getattr(row, name)
        if value != before:
            parts.append(ActPart("sessions", name, value, before, session=session))
            told.append(_told(name, value))
    if not parts:
        raise UsageError(f"session {session} is so already: nothing to change")
    return keep_act(store, "session", f"session {session}: {', '.join(told)}", parts, said)


def _set_part(store: Store, row: SessionRow, set_id: int) -> ActPart:
    new = store.sets.get(set_id)
    known = {club.label.casefold() for club in new.clubs}
    hit = {contact.club for contact in store.strikes.contacts(row.id)} | {
        turn.club for turn in store.sessions.turns(row.id)
    }
    labels = [store.clubs.get(club).label for club in sorted(c for c in hit if c is not None)]
    missing = [label for label in labels if label.casefold() not in known]
    if missing:
        raise UsageError(
            f"the set {new.name} of {new.player.name} has no {', '.join(missing)}, which session "
            f"{row.id} has: import them into it first; nothing was changed"
        )
    return ActPart("sessions", "set", session=row.id, to_set=set_id, was_set=row.set)


def _told(name: str, value: str | float | None) -> str:
    words = {
        "stance_mm": f"feet {value} mm lower than the board",
        "stance_u_mm": f"feet known to {value} mm",
        "ball": "with a ball" if value else "without a ball",
        "hand": f"{value}-handed",
    }
    return words.get(name, f"{name} {value or 'not noted'}")


def end_session(store: Store, session: int, said: Said) -> str:
    """End an open session now."""
    row = session_here(store, session)
    if row.ended_utc_ns is not None:
        raise UsageError(f"session {session} has ended already")
    latest = max(
        [c.struck_utc_ns for c in store.strikes.contacts(session)], default=row.started_utc_ns
    )
    ended = max(said.utc_ns, latest + 1)
    return _end(store, row, ended, f"session {session}: ended", said)


def reopen_session(store: Store, session: int, said: Said) -> str:
    """Open a session again that was ended."""
    row = session_here(store, session)
    if row.ended_utc_ns is None:
        raise UsageError(f"session {session} is open")
    return _end(store, row, None, f"session {session}: open again", said)


def _end(store: Store, row: SessionRow, ended: int | None, words: str, said: Said) -> str:
    part = ActPart("sessions", "ended_utc_ns", ended, row.ended_utc_ns, session=row.id)
    return keep_act(store, "session", words, [part], said)


def join_sessions(store: Store, session: int, other: int, said: Said) -> str:
    """Take all of ``other`` into ``session``, and delete what is left of ``other``.

    Raises
    ------
    UsageError
        They are of different players or hands, or a club is missing.
    """
    row, second = session_here(store, session), session_here(store, other)
    check_alike(store, second, row)
    clubs = {club.label: club.id for club in store.sets.get(row.set).clubs}
    labels = {club.id: club.label for club in store.clubs.of_session(other)}
    contacts = store.strikes.contacts(other)
    into: dict[int, int | None] = {}
    for contact in contacts:
        label = labels.get(contact.club or -1)
        if label is not None and label not in clubs:
            raise UsageError(f"session {session} has no club {label}: nothing was joined")
        into[contact.number] = None if label is None else clubs[label]
    parts = place_parts(contacts, into, other, session)
    ends = (row.ended_utc_ns, second.ended_utc_ns)
    ended = None if None in ends else max(end for end in ends if end is not None)
    if ended != row.ended_utc_ns:
        parts.append(ActPart("sessions", "ended_utc_ns", ended, row.ended_utc_ns, session=session))
    parts.append(ActPart("sessions", "gone", 1, 0, session=other))
    return keep_act(store, "join", f"session {other} joined to session {session}", parts, said)


def split_session(store: Store, session: int, at: int, said: Said) -> str:
    """Let a new session begin with strike ``at`` of a session, with the same set and stance.

    Raises
    ------
    UsageError
        There is no such strike, or nothing is left before it.
    """
    row = session_here(store, session)
    contacts = store.strikes.contacts(session)
    if not 1 < at <= len(contacts):
        raise UsageError(
            f"a session is split before one of its strikes 2 to {len(contacts)}, and not {at}"
        )
    begin = contacts[at - 1].struck_utc_ns
    with store.gathering():
        new = store.sessions.start(
            row.set, started_utc_ns=begin, hand=row.hand, stance_mm=row.stance_mm,
            stance_u_mm=row.stance_u_mm, sole_middle_mm=row.sole_middle_mm,
            sole_middle_u_mm=row.sole_middle_u_mm, ball=row.ball, surface=row.surface,
            machine_increment_deg=row.machine_increment_deg,
        )  # fmt: skip
        if row.ended_utc_ns is not None:
            store.sessions.end(new, ended_utc_ns=row.ended_utc_ns)
        club = store.sessions.club_at(session, begin)
        if club is not None:
            store.sessions.add_turn(new, club, from_utc_ns=begin, cause="split")
        for turn in store.sessions.turns(session):
            if turn.from_utc_ns > begin:
                store.sessions.add_turn(
                    new, turn.club, from_utc_ns=turn.from_utc_ns, cause=turn.cause
                )
        beside = marks_beside(contacts)
        # A mark goes with its strike, although it is typed in later.
        into = {c.number: c.club for c in contacts if beside.get(c.number, c.number) >= at}
        parts = [ActPart("sessions", "gone", 0, 1, session=new)]
        parts += place_parts(contacts, into, session, new)
        # What was known of the clubs then is what holds for it.
        ended = contacts[at - 2].struck_utc_ns + 1
        parts.append(ActPart("sessions", "ended_utc_ns", ended, row.ended_utc_ns, session=session))
        words = f"session {session}: split at strike {at}, which begins session {new}"
        return keep_act(store, "split", words, parts, said)


def delete_session(store: Store, session: int, said: Said) -> str:
    """Let a session count no more; it stays in the file and can be brought back."""
    session_here(store, session)
    part = ActPart("sessions", "gone", 1, 0, session=session)
    return keep_act(store, "delete", f"session {session}: deleted", [part], said)


def restore_session(store: Store, session: int, said: Said) -> str:
    """Bring a deleted session back."""
    if not store.sessions.is_deleted(session):
        raise UsageError(f"session {session} was not deleted")
    check_kept_here(store, session)
    part = ActPart("sessions", "gone", 0, 1, session=session)
    return keep_act(store, "restore", f"session {session}: brought back", [part], said)


def rename_player(store: Store, name: str, new: str, said: Said) -> str:
    """Give a player another name.

    Raises
    ------
    UsageError
        There is no such player, or one of the new name.
    """
    player = _player(store, name)
    wanted = new.strip()
    if not wanted or len(wanted) > 80:
        raise UsageError("a name has 1 to 80 letters")
    taken = store.sets.player_named(wanted)
    if taken is not None and taken != player[0]:
        raise UsageError(f"there is a player {wanted} already (perhaps deleted): choose another")
    part = ActPart("players", "name", wanted, player[1], player=player[0])
    return keep_act(store, "player", f"player {player[1]} is now {wanted}", [part], said)


def delete_player(store: Store, name: str, said: Said) -> str:
    """Let a player and all their sessions count no more; an undo brings them back."""
    number, known = _player(store, name)
    parts = [ActPart("players", "gone", 1, 0, player=number)]
    for own in store.sets.all():
        if own.player == known:
            for row in store.sessions.all(own.id):
                check_kept_here(store, row.id)
                parts.append(ActPart("sessions", "gone", 1, 0, session=row.id))
    return keep_act(store, "player", f"player {known} and their sessions deleted", parts, said)


def _player(store: Store, name: str) -> tuple[int, str]:
    own = [row for row in store.sets.players() if row.name.casefold() == name.strip().casefold()]
    if not own:
        known = ", ".join(row.name for row in store.sets.players()) or "none yet"
        raise UsageError(f"there is no player {name} (players: {known})")
    return own[0].id, own[0].name
