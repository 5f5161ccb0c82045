"""Hands what is new to every viewer; one that does not keep up is let go.

All on one event loop. Nothing in here waits: `Hub.publish_strikes` and `Hub.publish_state` cost the
same whether viewers read or not.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Sequence
from dataclasses import replace

from logger.page.messages import (
    StateMessage,
    StrikeMessage,
    StrikesMessage,
    WordsMessage,
    encode,
    event,
)

# A viewer who comes back after a short break gets what it missed, and not everything.
_REMEMBERED = 512
# A browser that reads takes each at once; this many wait only where nobody reads.
MOST_WAITING = 256


class Outbox:
    """What waits for one viewer."""

    def __init__(self, *, may_act: bool, most_waiting: int = MOST_WAITING) -> None:
        self.may_act = may_act
        self.ended = False
        """Whether what `take` returned was the last."""
        self.overflowed = asyncio.Event()
        self._most = most_waiting
        self._strikes: deque[tuple[int, bytes]] = deque()
        self._state: tuple[int, bytes] | None = None
        self._last: bytes | None = None
        self._wake = asyncio.Event()

    def add_strikes(self, revision: int, data: bytes) -> None:
        """Let strikes wait; one more than fit means that nobody reads."""
        if len(self._strikes) >= self._most:
            self.overflowed.set()
            return
        self._strikes.append((revision, data))
        self._wake.set()

    def set_state(self, revision: int, data: bytes) -> None:
        """Let a state wait in place of the one before it."""
        self._state = (revision, data)
        self._wake.set()

    def close(self, last: bytes) -> None:
        """Let ``last`` be the last that is sent."""
        self._last = last
        self._wake.set()

    async def take(self) -> bytes:
        """Wait for something to send, and return all of it by rising revision."""
        await self._wake.wait()
        self._wake.clear()
        parts = list(self._strikes)
        self._strikes.clear()
        if self._state is not None:
            parts.append(self._state)
            self._state = None
        parts.sort(key=lambda part: part[0])
        self.ended = self._last is not None
        return b"".join([data for _, data in parts]) + (self._last or b"")


class Hub:
    """The latest of everything, and who wants to hear of it.

    Parameters
    ----------
    first_revision
        Greater than any of an earlier server at this address, so that a browser that comes back
        from that one is not taken to have seen anything of this one.
    """

    def __init__(self, first_revision: int, most_waiting: int = MOST_WAITING) -> None:
        self._revision = first_revision
        self._most_waiting = most_waiting
        self._strikes: dict[int, StrikeMessage] = {}
        self._recent: deque[tuple[int, bytes]] = deque(maxlen=_REMEMBERED)
        # Everything after this revision is in ``_recent``.
        self._forgotten = first_revision
        self._state: StateMessage | None = None
        self._encoded: dict[bool, bytes] = {}
        self._viewers: set[Outbox] = set()
        self._closing: bytes | None = None

    @property
    def viewers(self) -> int:
        """How many look on."""
        return len(self._viewers)

    def whole(self, *, may_act: bool) -> tuple[bytes, bytes]:
        """Return state and strikes as JSON."""
        state = None if self._state is None else replace(self._state, may_act=may_act)
        strikes = [encode(strike) for strike in self._strikes.values()]
        return (b"null" if state is None else encode(state), b"[%s]" % b",".join(strikes))

    def publish_strikes(self, strikes: Sequence[StrikeMessage], *, anew: bool = False) -> None:
        """Take in all strikes of the session; tell of those that are new or changed.

        With ``anew`` they are of another session, and what was shown before is forgotten.
        """
        now = {strike.id: strike for strike in strikes}
        gone = anew or not self._strikes.keys() <= now.keys()
        known = {} if gone else self._strikes
        changed = [strike for strike in strikes if known.get(strike.id) != strike]
        self._strikes = now
        if not changed and not gone:
            return
        data = self._strikes_event(changed, reset=gone)
        if len(self._recent) == _REMEMBERED:
            self._forgotten = self._recent[0][0]
        self._recent.append((self._revision, data))
        for viewer in self._viewers:
            viewer.add_strikes(self._revision, data)

    def publish_state(self, state: StateMessage) -> None:
        """Take in a state and tell of it, if it is another than before."""
        before = self._state
        if before is not None and replace(state, revision=before.revision) == before:
            return
        self._revision += 1
        self._state = replace(state, revision=self._revision)
        self._encoded = {
            may_act: event("state", encode(replace(self._state, may_act=may_act)), self._revision)
            for may_act in {viewer.may_act for viewer in self._viewers}
        }
        for viewer in self._viewers:
            viewer.set_state(self._revision, self._encoded[viewer.may_act])

    def join(self, last_seen: int | None, *, may_act: bool) -> Outbox:
        """Begin to tell a viewer, from after the revision that it saw last."""
        outbox = Outbox(may_act=may_act, most_waiting=self._most_waiting)
        if self._closing is not None:
            outbox.close(self._closing)
            return outbox
        missed = self._missed(last_seen)
        if missed is not None:
            for revision, data in missed:
                outbox.add_strikes(revision, data)
        else:
            data = event(
                "strikes",
                encode(StrikesMessage(True, list(self._strikes.values()))),
                self._revision,
            )
            outbox.add_strikes(self._revision, data)
        if self._state is not None:
            if may_act not in self._encoded:
                message = encode(replace(self._state, may_act=may_act))
                self._encoded[may_act] = event("state", message, self._state.revision)
            outbox.set_state(self._state.revision, self._encoded[may_act])
        self._viewers.add(outbox)
        return outbox

    def _missed(self, last_seen: int | None) -> list[tuple[int, bytes]] | None:
        """Return the events after a revision; None if it is better told everything anew."""
        if last_seen is None or not self._forgotten <= last_seen <= self._revision:
            return None
        missed = [one for one in self._recent if one[0] > last_seen]
        # So many that a queue could not hold them beside what comes next.
        return missed if len(missed) <= self._most_waiting // 2 else None

    def leave(self, outbox: Outbox) -> None:
        """Tell a viewer no more."""
        self._viewers.discard(outbox)

    def close(self, words: str) -> None:
        """Tell everybody that the server is closing, and why."""
        self._closing = event("gone", encode(WordsMessage(words)))
        for viewer in self._viewers:
            viewer.close(self._closing)

    def _strikes_event(self, strikes: list[StrikeMessage], *, reset: bool) -> bytes:
        self._revision += 1
        return event("strikes", encode(StrikesMessage(reset, strikes)), self._revision)
