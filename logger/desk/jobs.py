"""Work that takes longer than a second: in a thread, with how far it is, and a way to stop it."""

from __future__ import annotations

import itertools
import queue
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from logger.errors import LieboardError

_KEPT = 20


class CancelledError(Exception):
    """Whoever asked for it wants it no more."""


@dataclass(frozen=True, slots=True)
class Question:
    """What a person who is watched over is asked for."""

    words: str
    enough: str = ""
    """On the button that says that there is no more to say; empty: there must be an answer."""
    trouble: str = ""
    """What was wrong with the last answer."""
    typed: str = ""
    """That answer."""


@dataclass
class Job:
    """One piece of work."""

    number: int
    title: str
    done: int = 0
    of: int = 0
    """0 while it is not known how much there is."""
    words: str = ""
    """What it does now, or what came of it."""
    state: str = "running"
    """``running``, ``done``, ``failed`` or ``cancelled``."""
    leads_to: str = ""
    """Address of what it made."""
    can_stop: bool = True
    goes_on: bool = False
    """Whether a browser goes on by itself to what it made."""
    said: list[str] = field(default_factory=list)
    """What a person was told meanwhile, the latest last."""
    cells: list[list[float]] = field(default_factory=list)
    """Of a board that is looked at: how hard each cell is pressed, rows of 0 to 1."""
    findings: list[tuple[str, str, str]] = field(default_factory=list)
    """What was found: a verdict, what of, and what to do."""
    answers: list[tuple[str, str, str]] = field(default_factory=list)
    """What can be done next: words on a button, where it is sent, and the value that goes along."""
    question: Question | None = None
    """What it waits for."""
    points: list[tuple[float, float]] = field(default_factory=list)
    """Of a head that is rocked: angle in degrees, place on its sole in mm."""
    line: tuple[float, float] | None = None
    """Through them: the sole's radius in mm, and the angle at which it stands on its middle."""
    _typed: queue.SimpleQueue[str] = field(default_factory=queue.SimpleQueue)
    _ended: threading.Event = field(default_factory=threading.Event)
    _stop: threading.Event = field(default_factory=threading.Event)

    def working(self, done: int, of: int) -> None:
        """Say how far it is; in the job's thread.

        Raises
        ------
        CancelledError
            It is to stop.
        """
        self.done, self.of = done, of
        self.check()

    def check(self) -> None:
        """Raise `CancelledError` if it is to stop."""
        if self._stop.is_set():
            raise CancelledError

    @property
    def stopped(self) -> bool:
        """Whether it is to stop."""
        return self._stop.is_set()

    def wait(self, seconds: float) -> bool:
        """Wait until it has ended; return whether it has."""
        return self._ended.wait(seconds)

    def say(self, words: str) -> None:
        """Tell whoever waits for it something."""
        self.said.append(words)

    def ask(self, question: Question) -> None:
        """Ask whoever watches for something; what was answered to an earlier question is void."""
        while self.answered() is not None:
            pass
        self.question = question

    def answer(self, text: str) -> None:
        """Answer; empty: there is no more to say. Nobody listens where nothing was asked."""
        if self.question is not None and (text or self.question.enough):
            self._typed.put(text)

    def answered(self) -> str | None:
        """Return what was answered; None while nothing was."""
        with suppress(queue.Empty):
            return self._typed.get_nowait()
        return None

    def cancel(self) -> None:
        """Ask it to stop."""
        self._stop.set()


class Jobs:
    """Those that run, and the last few that ended."""

    def __init__(self) -> None:
        self._numbers = itertools.count(1)
        self._jobs: dict[int, Job] = {}

    def start(
        self,
        title: str,
        work: Callable[[Job], str],
        *,
        leads_to: str = "",
        can_stop: bool = True,
        goes_on: bool = False,
    ) -> Job:
        """Begin something; ``work`` returns in words what came of it."""
        job = Job(next(self._numbers), title, leads_to=leads_to, can_stop=can_stop, goes_on=goes_on)
        self._jobs[job.number] = job
        for number in list(self._jobs)[:-_KEPT]:
            if self._jobs[number].state != "running":
                del self._jobs[number]
        threading.Thread(target=_run, args=(job, work), name="lieboard job", daemon=True).start()
        return job

    def get(self, number: int) -> Job | None:
        """Return one by its number."""
        return self._jobs.get(number)

    def cancel_all(self) -> None:
        """Ask all of them to stop."""
        for job in self._jobs.values():
            job.cancel()


def _run(job: Job, work: Callable[[Job], str]) -> None:
    try:
        words = work(job)
        job.words, job.state = words, "done"
    except CancelledError:
        job.words, job.state = "stopped: nothing was changed", "cancelled"
    except LieboardError as error:
        job.words, job.state = str(error), "failed"
    except Exception as error:  # noqa: BLE001 - told to whoever asked for it
        job.words = f"a fault of this program ({type(error).__name__}: {error}): report it"
        job.state = "failed"
    finally:
        job._ended.set()
