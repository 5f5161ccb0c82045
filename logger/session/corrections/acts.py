"""Keep an act, take the last one back, and list them. Each is one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logger.errors import UsageError
from logger.session.logging.fitting import FittingSession
from logger.store.acts import ActPart, ActRow, Again
from logger.store.rows import SessionRow
from logger.store.store import Store

# After any strike.
_LATER_NS = 2**62


@dataclass(frozen=True, slots=True)
class Said:
    """When and where a person says something."""

    utc_ns: int
    place: str
    """Such as ``terminal``, ``page``, or the name of a bay."""


def keep_act(store: Store, kind: str, words: str, parts: Sequence[ActPart], said: Said) -> str:
    """Keep an act, work out again what rests on it, and return its words."""
    with store.gathering():
        again = store.acts.add(kind, words, parts, said_utc_ns=said.utc_ns, place=said.place)
        _work_out_again(store, again)
    return words


def undo(store: Store, said: Said) -> str:
    """Take back the last act that holds; return what that was in words.

    Raises
    ------
    UsageError
        There is none.
    """
    with store.gathering():
        last = store.acts.last()
        if last is None:
            raise UsageError("there is nothing to undo: 'lieboard changes' lists what was changed")
        take_back(store, last, said)
    return last.words


def take_back(store: Store, act: ActRow, said: Said) -> None:
    """Take back an act that holds.

    Raises
    ------
    UsageError
        What it is about is kept by a bay, which would send its own word again.
    """
    with store.gathering():
        for part in store.acts.parts_of(act.id):
            for session in {part.session, part.to_session} - {None}:
                assert session is not None
                check_kept_here(store, session)
        words = f"taken back: {act.words}"
        again = store.acts.take_back(act, words, said_utc_ns=said.utc_ns, place=said.place)
        _work_out_again(store, again)


def add_note(
    store: Store,
    session: int,
    text: str,
    said: Said,
    *,
    parts: Sequence[ActPart] = (),
    written_utc_ns: int | None = None,
) -> str:
    """Keep a remark on a session, and what else is said with it.

    Raises
    ------
    UsageError
        A bay keeps the session, or the text is none. Nothing was changed.
    """
    check_kept_here(store, session)
    plain = "".join(letter if letter.isprintable() else " " for letter in text).strip()
    if not 0 < len(plain) <= 500:
        raise UsageError("a note has 1 to 500 letters")
    with store.gathering():
        at = said.utc_ns if written_utc_ns is None else written_utc_ns
        store.sessions.add_note(session, plain, written_utc_ns=at)
        part = ActPart("notes", value=0, was=1, session=session, at=at)
        return keep_act(store, "note", f"session {session}: note {plain}", [*parts, part], said)


def session_here(store: Store, session: int, seen_stamp: int | None = None) -> SessionRow:
    """Return a session that may be corrected here.

    Parameters
    ----------
    seen_stamp
        What `stamp_of` gave for what the person looked at; None: not asked.

    Raises
    ------
    UsageError
        A bay keeps it, or it has changed since it was looked at.
    StoreError
        There is no such session.
    """
    row = store.sessions.get(session)
    check_kept_here(store, session)
    if seen_stamp is not None and stamp_of(store, session) != seen_stamp:
        raise UsageError(
            f"session {session} was changed meanwhile, by another program or laptop: look at it "
            "again; nothing was changed"
        )
    return row


def stamp_of(store: Store, session: int) -> int:
    """Return a number that any change of a session replaces by another."""
    return next(one.stamp for one in store.copies.stamps() if one.session == session)


def check_kept_here(store: Store, session: int) -> None:
    """Refuse to correct what a bay sends: its next copy would bring its own word again."""
    origin = store.copies.origin_of(session)
    if origin is not None:
        raise UsageError(
            f"session {session} is kept by bay {origin.bay} of {origin.shop}: correct it there"
        )


def _work_out_again(store: Store, again: Again) -> None:
    there = {row.id for row in store.sessions.all()}
    for session, boot in sorted(again):
        if session in there:
            own = FittingSession(store, session)
            own.rebuild(boot)
            # The last contact has no record behind it that would end it.
            own.idle(_LATER_NS)
