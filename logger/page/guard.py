"""Who may look, who may act: names, origins, codes and sessions. Pure; time is an argument.

Whoever sits at this computer (the loopback address) may look and act. On the bay's network a viewer
first needs a code: made anew at each start, kept nowhere, and exchanged for a session that the
browser keeps as a cookie no script can read. One code lets look on; the other, if the fitter asked
for it, lets one viewer act and is used up by that.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import deque
from collections.abc import Iterable, Mapping
from enum import IntEnum

# No vowels, so that no word turns up; none of 0 O 1 I that are taken for each other.
_LETTERS = "BCDFGHJKLMNPQRSTVWXZ23456789"
_CODE_LENGTH = 8
# A bay holds a player and some lookers-on, some of whom come back with another device.
MOST_SESSIONS = 32
_GUESSES_EACH = 5
_GUESS_WINDOW_NS = 600 * 1_000_000_000
_MOST_GUESSERS = 1024
# However many guess, codes are looked at one after the other: who has the right one waits, and is
# let in. 28^8 codes at 20 a second: a chance of 1 in 500 000 in ten hours.
_LOOK_EVERY_NS = 50_000_000
# So long a line is another addresses' each with a try in it: more than a network of 254 has.
_LONGEST_WAIT_NS = 20 * 1_000_000_000


class Leave(IntEnum):
    """What a viewer may do."""

    NONE = 0
    LOOK = 1
    ACT = 2


class TooManyGuessesError(Exception):
    """No code from there is looked at for a while, right or wrong."""


class LongLineError(Exception):
    """Too many wait for their code to be looked at, or this viewer's other try still waits."""


def host_names(names: Iterable[str], port: int) -> frozenset[str]:
    """Return the Host headers under which a port may be addressed.

    A page elsewhere can give its own name our address; the browser then sends us that name (DNS
    rebinding). So only names that we print ourselves are answered.
    """
    found = set()
    for name in names:
        host = f"[{name}]" if ":" in name else name.casefold()
        found.add(f"{host}:{port}")
        if port == 80:
            found.add(host)
    return frozenset(found)


def fit_for_us(
    headers: Mapping[str, str], hosts: frozenset[str], *, changing: bool, landing: bool
) -> bool:
    """Whether a request was meant for us and comes from our own page, or from no page.

    Parameters
    ----------
    headers
        By lower-case name.
    hosts
        From `host_names`.
    changing
        Whether it asks to change something; then it must say that it comes from our page.
    landing
        Whether it asks for the page itself: a link to it may stand anywhere.
    """
    host = headers.get("host", "").casefold()
    if host not in hosts:
        return False
    origin = headers.get("origin")
    if origin is None:
        # Browsers name the origin of every POST; only for reading may they leave it out.
        site = headers.get("sec-fetch-site", "none")
        return not changing and (landing or site in ("none", "same-origin"))
    return origin.casefold() == f"http://{host}"


class Codes:
    """Codes of one run and the sessions that they were exchanged for.

    Parameters
    ----------
    let_in
        Make a second code, with which one viewer may act.
    """

    def __init__(self, *, let_in: bool) -> None:
        self.look = _new_code()
        self.act: str | None = _new_code() if let_in else None
        self._sessions: dict[bytes, Leave] = {}
        self._guesses: dict[str, deque[int]] = {}
        self._next_look_ns = 0
        self._waiting: set[str] = set()

    def take_turn(self, viewer: str, now_ns: int) -> int:
        """Return how many ns a viewer has to wait until `exchange`; each has one try in the line.

        Raises
        ------
        LongLineError
            Try again in a moment.
        """
        wait_ns = max(self._next_look_ns - now_ns, 0)
        if viewer in self._waiting or wait_ns > _LONGEST_WAIT_NS:
            raise LongLineError
        self._waiting.add(viewer)
        self._next_look_ns = now_ns + wait_ns + _LOOK_EVERY_NS
        return wait_ns

    def leave_line(self, viewer: str) -> None:
        """Let a viewer try again: its turn has come, or it went."""
        self._waiting.discard(viewer)

    def exchange(self, typed: str, viewer: str, now_ns: int) -> str | None:
        """Return the token of a new session, or None if the code is wrong.

        Parameters
        ----------
        typed
            As a person may have typed it.
        viewer
            Address of whoever tries.
        now_ns
            Monotonic clock.

        Raises
        ------
        TooManyGuessesError
            Wrong ones came too often from there.
        """
        if self._too_many(viewer, now_ns):
            raise TooManyGuessesError
        plain = "".join(letter for letter in typed.upper() if letter.isalnum())[:64].encode()
        # Both are always compared, each in a time that says nothing of where they differ.
        looks = hmac.compare_digest(plain, self.look.encode())
        acts = hmac.compare_digest(plain, (self.act or "").encode()) and self.act is not None
        if not (looks or acts):
            self._note_guess(viewer, now_ns)
            return None
        if acts:
            self.act = None
        if len(self._sessions) >= MOST_SESSIONS:
            # Who looked on first is most likely gone; who acts stays.
            first = next((d for d, leave in self._sessions.items() if leave is Leave.LOOK), None)
            self._sessions.pop(first or next(iter(self._sessions)))
        token = secrets.token_urlsafe(32)
        self._sessions[_digest(token)] = Leave.ACT if acts else Leave.LOOK
        return token

    def leave_of(self, token: str | None) -> Leave:
        """Tell what the bearer of a token may do."""
        if token is None:
            return Leave.NONE
        return self._sessions.get(_digest(token), Leave.NONE)

    def _too_many(self, viewer: str, now_ns: int) -> bool:
        own = self._guesses.get(viewer, deque())
        while own and now_ns - own[0] > _GUESS_WINDOW_NS:
            own.popleft()
        return len(own) >= _GUESSES_EACH

    def _note_guess(self, viewer: str, now_ns: int) -> None:
        if viewer not in self._guesses and len(self._guesses) >= _MOST_GUESSERS:
            del self._guesses[next(iter(self._guesses))]
        self._guesses.setdefault(viewer, deque()).append(now_ns)


def spelled(code: str) -> str:
    """Return a code as it is read out: in two halves."""
    half = _CODE_LENGTH // 2
    return f"{code[:half]}-{code[half:]}"


def _new_code() -> str:
    return "".join(secrets.choice(_LETTERS) for _ in range(_CODE_LENGTH))


def _digest(token: str) -> bytes:
    # A look-up by digest takes as long whatever the token has in common with a real one.
    return hashlib.sha256(token.encode(errors="replace")).digest()
