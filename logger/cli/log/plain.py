"""Logging without a terminal: one plain line per contact."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Coroutine, Sequence
from typing import Any

from logger.cli.log.book import LogBook
from logger.cli.log.page import LivePage
from logger.collector.reconnect import Reach, ReachState
from logger.session.logging.bays import Bay, BayEnded, BayEvent, BaysRun
from logger.session.logging.fitting import FiledStrike
from logger.session.logging.run import Filed, RunEvent


async def log_plainly(
    bays: Sequence[Bay], pages: Sequence[LivePage], say: Callable[[str], None]
) -> None:
    """Log until all bays have ended or the program is told to stop.

    Sessions stay open: a later run resumes them.
    """
    page_of = {bay.name: page for bay, page in zip(bays, pages, strict=True)}
    voices: dict[str, PlainVoice] = {}
    for bay in bays:
        book = LogBook.of(bay)
        voices[bay.name] = PlainVoice(book, _from(bay, say))
        say(book.title)
        for line in page_of[bay.name].lines:
            voices[bay.name].say(line)

    def hear(bay: Bay, event: BayEvent) -> None:
        if isinstance(event, BayEnded):
            if event.error is not None:
                voices[bay.name].say(f"ended, the others go on: {event.error}")
        else:
            page_of[bay.name].hear(event)
            voices[bay.name].hear(event)

    run = BaysRun(bays, hear)
    for bay in bays:
        page_of[bay.name].begin(bay.session, run.runs[bay.name], voices[bay.name].say)
    try:
        await until_stopped(run.run(), say)
    finally:
        for page in pages:
            # While this loop still runs: what a viewer asked for last is answered.
            await asyncio.to_thread(page.end)


def _from(bay: Bay, say: Callable[[str], None]) -> Callable[[str], None]:
    return (lambda text: say(f"{bay.name}: {text}")) if bay.name else say


class PlainVoice:
    """Says in plain lines what one run tells."""

    def __init__(self, book: LogBook, say: Callable[[str], None]) -> None:
        self._book = book
        self.say = say
        # What was said of a board that is out of reach; None while it is not.
        self._gone: str | None = None

    def hear(self, event: RunEvent) -> None:
        """Take in one event."""
        self._book.hear(event)
        if isinstance(event, Filed):
            for strike in event.strikes:
                self.say(contact_line(strike))
        elif isinstance(event, Reach):
            words = _reach_words(event, gone=self._gone is not None)
            if words is not None and words != self._gone:
                self.say(words)
            if event.state is ReachState.OUT_OF_REACH:
                self._gone = words
            elif event.state is ReachState.CONNECTED:
                self._gone = None
        while self._book.messages:
            self.say(self._book.messages.popleft())


# Ctrl-C, a polite kill, a terminal that was closed.
STOPPING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


async def until_stopped(run: Coroutine[Any, Any, None], say: Callable[[str], None]) -> None:
    """Run to the end, or until Ctrl-C or a polite kill."""
    task = asyncio.create_task(run)
    restore_signals = _stop_on_signals(task)
    try:
        await task
    except asyncio.CancelledError:
        say("stopped; the session stays open")
    finally:
        restore_signals()


def _reach_words(reach: Reach, *, gone: bool) -> str | None:
    """Say that the board is gone, or back; None for what changes nothing for the fitter."""
    if reach.state is ReachState.OUT_OF_REACH:
        return f"board out of reach: {reach.last_error}"
    return "board in reach again" if gone and reach.state is ReachState.CONNECTED else None


def contact_line(strike: FiledStrike) -> str:
    """Describe one filed contact as one line."""
    row = strike.row
    place = "" if row.toe_mm is None else f" {row.toe_mm:+.1f} mm"
    what = "used" if row.used else f"set aside: {row.reason}"
    return f"{strike.label or '-'} {row.kind}{place} {what}"


def _stop_on_signals(task: asyncio.Task[None]) -> Callable[[], None]:
    """Cancel the task on Ctrl-C or a polite kill; return what takes that back."""
    loop = asyncio.get_running_loop()
    taken: list[signal.Signals] = []
    for number in STOPPING:
        try:
            loop.add_signal_handler(number, task.cancel)
        except (NotImplementedError, RuntimeError):
            # Windows: Ctrl-C still arrives as KeyboardInterrupt.
            continue
        taken.append(number)

    def restore() -> None:
        for number in taken:
            loop.remove_signal_handler(number)

    return restore
