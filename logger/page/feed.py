"""Keeps a hub up to date with the data file: strikes at once, numbers when they are worked out."""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace

from analysis.answers import NoAnswerError
from logger.errors import LieboardError
from logger.page.hub import Hub
from logger.page.look import NO_SESSION, NOTHING, Look, Looker
from logger.page.messages import BoardPart, StateMessage, StrikeMessage
from logger.page.numbers import Numbers, SeenStrike, rounded
from logger.session.logging.board_news import Told, news_after
from logger.session.logging.run import RunEvent
from logger.store.rows import BoardNews, SessionRow
from logger.store.store import Store

# A blink takes 100 ms or more; asking costs some 10 microseconds.
POLL_S = 0.015
# Working the numbers out takes a core: on a small machine from browsers that are about to draw the
# strike (tests/benchmarks/live.py: at 0 the slowest of four viewers came 30 ms later).
_STRIKE_FIRST_S = 0.05


class Feed:
    """Watches a data file for one page.

    Parameters
    ----------
    store
        For quick looks; used by nobody else.
    hub
        Is told of everything.
    session
        Which to show; None: the one in which something happened last.
    work_out
        Works out the numbers of a session; called in a thread, one call at a time.
    heard
        What the logging in this process tells of the board, oldest first; may be filled from
        another thread, with a `nudge` after it. None: nothing is told but through the data file.
    """

    def __init__(
        self,
        store: Store,
        hub: Hub,
        session: int | None,
        work_out: Callable[[SessionRow], Numbers],
        *,
        heard: deque[RunEvent] | None,
    ) -> None:
        self._store = store
        self._looker = Looker(store, session)
        self._hub = hub
        self._work_out = work_out
        self._heard = heard
        self._news = BoardNews()
        self._told = Told()
        self._silent = False
        self._nudged = asyncio.Event()
        self._wanted = asyncio.Event()
        self._look = NOTHING
        self._numbers = Numbers()
        self._numbers_of: object = None
        # What the numbers made of a strike, and of what.
        self._worked: dict[int, tuple[StrikeMessage, SeenStrike, StrikeMessage]] = {}
        self._trouble: dict[str, str] = {}

    @property
    def session(self) -> SessionRow | None:
        """The session that is shown."""
        return self._look.session

    def nudge(self) -> None:
        """Look again now; on this event loop."""
        self._nudged.set()

    async def first_look(self) -> None:
        """Look once, so that the first viewer finds something."""
        await self._look_again()

    async def run(self) -> None:
        """Watch until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch())
            tasks.create_task(self._keep_numbers())

    async def _watch(self) -> None:
        seen: int | None = None
        while True:
            version = self._data_version()
            if version != seen or self._nudged.is_set():
                self._nudged.clear()
                await self._look_again()
                # A look that failed is repeated.
                seen = version if "look" not in self._trouble else None
            try:
                async with asyncio.timeout(POLL_S):
                    await self._nudged.wait()
            except TimeoutError:
                if self._told.silent(time.monotonic_ns()) != self._silent:
                    self._publish()

    def _data_version(self) -> int | None:
        try:
            return self._store.live.data_version()
        except LieboardError:
            # The look that follows says what is wrong.
            return None

    async def _look_again(self) -> None:
        try:
            look = await asyncio.to_thread(self._looker.look)
        except LieboardError as error:
            self._trouble["look"] = str(error)
            self._publish()
            # Not at full speed for as long as it lasts.
            await asyncio.sleep(0.2)
            return
        self._trouble.pop("look", None)
        before, self._look = self._look, look
        another = _number(before) != _number(look)
        if another:
            self._numbers = Numbers()
        self._hub.publish_strikes(self._strikes(), anew=another)
        if look.session is not None and look.basis != before.basis:
            self._wanted.set()
        self._publish()

    async def _keep_numbers(self) -> None:
        while True:
            await self._wanted.wait()
            await asyncio.sleep(_STRIKE_FIRST_S)
            self._wanted.clear()
            look = self._look
            if look.session is None:
                continue
            try:
                numbers = await asyncio.to_thread(self._work_out, look.session)
            except (LieboardError, NoAnswerError) as error:
                self._trouble["numbers"] = str(error)
            else:
                self._trouble.pop("numbers", None)
                if _number(self._look) == look.session.id:
                    self._numbers = numbers
                    self._hub.publish_strikes(self._strikes())
            self._numbers_of = look.basis
            self._publish()

    def _strikes(self) -> list[StrikeMessage]:
        """Return the strikes with what the numbers make of them, as far as that is known."""
        seen = self._numbers.strikes
        worked: dict[int, tuple[StrikeMessage, SeenStrike, StrikeMessage]] = {}
        found = []
        for strike in self._look.strikes:
            says = seen.get(strike.id) if strike.used else None
            if says is not None:
                before = self._worked.get(strike.id)
                if before is None or before[0] is not strike or before[1] != says:
                    shown = replace(strike, toe_mm=rounded(says.toe_mm), doubt=says.doubt)
                    before = (strike, says, shown)
                worked[strike.id] = before
                strike = before[2]
            found.append(strike)
        self._worked = worked
        return found

    def _publish(self) -> None:
        look, numbers = self._look, self._numbers
        hints = list(self._trouble.values())
        if look.session is None and not hints:
            hints.append(NO_SESSION)
        elif look.session is not None and not look.strikes and look.session.ended_utc_ns is None:
            up = f" with {look.current_club}" if look.current_club else ""
            hints.append(f"no strike yet: swing{up}")
        self._hub.publish_state(
            StateMessage(
                revision=0,
                session=look.part,
                current_club=look.current_club,
                next=numbers.next,
                clubs=numbers.clubs,
                line=numbers.line,
                boards=self._boards(),
                may_act=False,
                hints=[*hints, *numbers.notes],
                up_to_date=look.basis == self._numbers_of,
            )
        )

    def _boards(self) -> list[BoardPart]:
        """Return the boards, and how they are doing by what is told here or in the file."""
        known = self._look.boards
        if self._heard is not None:
            while self._heard:
                self._news = news_after(self._news, self._heard.popleft())
            return with_news(known, self._news)
        news = self._told.look(
            _number(self._look), self._look.told, time.monotonic_ns(), time.time_ns()
        )
        self._silent = self._told.silent(time.monotonic_ns())
        if news is None or self._silent:
            return without_news(known, silent=self._silent)
        return with_news(known, news)


def _number(look: Look) -> int | None:
    return None if look.session is None else look.session.id


_NOT_TOLD = "no program that logs has told of its link and battery"
_SILENT = "the program that logs it has said nothing for a while"


def with_news(known: Sequence[BoardPart], news: BoardNews) -> list[BoardPart]:
    """Return the boards of the data file with what its run tells of the one that is there."""
    boards = list(known)
    if news.name and all(board.board != news.name for board in boards):
        boards.append(_nameless(news.name))
    if not boards:
        boards.append(_nameless("board"))
    # Without a name (a first sketch says none) it is the one that is there.
    name = news.name or boards[-1].board
    return [_updated(board, news) if board.board == name else board for board in boards]


def without_news(known: Sequence[BoardPart], *, silent: bool) -> list[BoardPart]:
    """Say of boards why so little is known of them.

    ``silent``: their run told something, but too long ago.
    """
    words = _SILENT if silent else _NOT_TOLD
    return [
        replace(board, link_words=words) if board.link == "unknown" else board for board in known
    ]


def _nameless(name: str) -> BoardPart:
    return BoardPart(name, "unknown", "", None, None, None, 0, None)


def _updated(board: BoardPart, news: BoardNews) -> BoardPart:
    words = news.link_words
    if news.waiting:
        held = f"{news.waiting} waiting on the board"
        words = f"{words}, {held}" if words else held
    return replace(
        board,
        link=news.link,
        link_words=words,
        battery_volts=None if news.supply_mv is None else news.supply_mv / 1000,
        kept=news.kept,
    )
