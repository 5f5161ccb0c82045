"""What a viewer who may act can do: the same as the keys of the logging screen."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from typing import Any, Protocol

from logger.errors import StoreError, UsageError
from logger.hostclock import HostClock
from logger.session.corrections.acts import Said, add_note
from logger.session.corrections.strikes import turn_strike
from logger.session.logging.fitting import FittingSession
from logger.store.rows import StrikeRow
from logger.store.store import Store

_CAUSE = "page"
_LONGEST_TEXT = 500


class Actor(Protocol):
    """Does what is asked for on a session."""

    async def do(self, session: int, act: dict[str, Any]) -> str:
        """Do one act; return what was done in words.

        Raises
        ------
        UsageError
            What is wrong with what was asked for.
        StoreError
            The file could not be written.
        """
        ...


class FileActor:
    """Acts on the data file while another program logs into it, or nobody does.

    Parameters
    ----------
    store
        Open for writing.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._clock = HostClock()

    async def do(self, session: int, act: dict[str, Any]) -> str:
        """Do one act, off the event loop."""
        return await asyncio.to_thread(self._do, session, act)

    def _do(self, session: int, act: dict[str, Any]) -> str:
        return perform(FittingSession(self._store, session), act, self._clock.utc_ns)


class RunActor:
    """Acts by way of the logging in this process, in the thread that works on the store.

    Parameters
    ----------
    session
        The one that is logged.
    """

    def __init__(self, session: FittingSession) -> None:
        self._session = session
        self._submit: Callable[[dict[str, Any]], Future[str]] | None = None

    def attach(
        self, call: Callable[..., Coroutine[Any, Any, Any]], utc_ns: Callable[[], int]
    ) -> None:
        """Begin to act through a run's recorder and on its clock; on the run's event loop."""
        loop = asyncio.get_running_loop()

        def submit(act: dict[str, Any]) -> Future[str]:
            return asyncio.run_coroutine_threadsafe(call(perform, self._session, act, utc_ns), loop)

        self._submit = submit

    async def do(self, session: int, act: dict[str, Any]) -> str:
        """Do one act; from the page's event loop."""
        try:
            if self._submit is None or session != self._session.row.id:
                raise UsageError("the logging has not begun yet: try again")
            return await asyncio.wrap_future(self._submit(act))
        except RuntimeError as error:
            raise UsageError("the logging has ended: nothing was changed") from error


def perform(
    session: FittingSession, act: dict[str, Any], utc_ns: Callable[[], int], place: str = _CAUSE
) -> str:
    """Do one act of `logger.page.messages` on a session; return what was done in words.

    Raises
    ------
    UsageError, StoreError
        As `Actor.do`.
    """
    kind = act.get("act")
    works = {
        "set_aside": _set_aside,
        "bring_in": _bring_in,
        "take_back": _take_back,
        "choose_club": _choose_club,
        "next_club": _next_club,
        "previous_club": _previous_club,
        "note": _note,
    }
    work = works.get(kind) if isinstance(kind, str) else None
    if work is None:
        raise UsageError(f"there is no such act; there are {', '.join(works)}")
    return work(session, act, Said(_moment(session, utc_ns()), place))


def _moment(session: FittingSession, now_ns: int) -> int:
    """Return now, but not before the club that is up went up: clocks of two programs may differ."""
    turns = session.store.sessions.turns(session.row.id)
    return max(now_ns, turns[-1].from_utc_ns + 1) if turns else now_ns


def _set_aside(session: FittingSession, act: dict[str, Any], said: Said) -> str:
    contact = _contact(session, act)
    reason = _text(act, "reason", wanted=False) or "fitter's choice"
    turn_strike(session.store, contact, said, aside=True, reason=reason)
    return f"set aside: {_named(contact)}"


def _bring_in(session: FittingSession, act: dict[str, Any], said: Said) -> str:
    contact = _contact(session, act)
    turn_strike(session.store, contact, said, aside=False)
    return f"counts: {_named(contact)}"


def _take_back(session: FittingSession, act: dict[str, Any], said: Said) -> str:
    _check_open(session)
    contact = session.last_counted(said.utc_ns)
    if contact is None:
        return "nothing to take back"
    turn_strike(session.store, contact, said, aside=True, reason=f"taken back ({_CAUSE})")
    return f"took back: {_named(contact)}"


def _choose_club(session: FittingSession, act: dict[str, Any], said: Said) -> str:
    _check_open(session)
    return f"{session.choose_club(_text(act, 'club'), said.utc_ns, _CAUSE).label} is up"


def _next_club(session: FittingSession, act: dict[str, Any], said: Said) -> str:
    _check_open(session)
    return f"{session.step_club(1, said.utc_ns, _CAUSE).label} is up"


def _previous_club(session: FittingSession, act: dict[str, Any], said: Said) -> str:
    _check_open(session)
    return f"{session.step_club(-1, said.utc_ns, _CAUSE).label} is up"


def _note(session: FittingSession, act: dict[str, Any], said: Said) -> str:
    add_note(session.store, session.row.id, _text(act, "text"), said)
    return "note kept"


def _check_open(session: FittingSession) -> None:
    if session.row.ended_utc_ns is not None:
        raise UsageError(f"session {session.row.id} has ended: no club is up")


def _contact(session: FittingSession, act: dict[str, Any]) -> StrikeRow:
    number = act.get("strike")
    if not isinstance(number, int) or isinstance(number, bool) or abs(number) >= 2**63:
        raise UsageError("say which strike by its id, a whole number")
    source = "board" if number > 0 else "mark"
    missing = UsageError(f"there is no strike {number} in session {session.row.id} any more")
    try:
        found = session.store.strikes.get(source, abs(number))
    except StoreError as error:
        raise missing from error
    if found.session != session.row.id:
        raise missing
    return found


def _text(act: dict[str, Any], name: str, *, wanted: bool = True) -> str:
    """Return a text of an act without what could steer a terminal that shows it."""
    given = act.get(name, "")
    if not isinstance(given, str) or len(given) > _LONGEST_TEXT:
        raise UsageError(f"{name} must be a text of at most {_LONGEST_TEXT} letters")
    plain = "".join(letter if letter.isprintable() else " " for letter in given).strip()
    if wanted and not plain:
        raise UsageError(f"{name} is missing")
    return plain


def _named(contact: StrikeRow) -> str:
    place = "no place" if contact.toe_mm is None else f"{contact.toe_mm:+.1f} mm"
    return f"{'strike' if contact.source == 'board' else 'mark'} {contact.number} ({place})"
