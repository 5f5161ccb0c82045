"""Guided work at a board: in a job, cells drawn live, with questions that a person answers."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import TypeAlias, TypeVar

import numpy as np
from starlette.responses import Response

from logger.bench.connection import BoardBench, open_bench
from logger.desk.jobs import CancelledError, Job, Question
from logger.desk.shell.desk import Ask, Desk
from logger.errors import LieboardError, UsageError
from logger.links.open import same_port
from logger.protocol.records import Strike
from logger.setfiles.cells import CellError
from logger.store.store import Store

BAUD = 115_200
_LOOK_EVERY_S = 0.2
_T = TypeVar("_T")
Work: TypeAlias = Callable[[BoardBench, Job, Store], Awaitable[str]]


def address_in(ask: Ask) -> str:
    """Return where the board is, as it was chosen or typed.

    Raises
    ------
    UsageError
        Nowhere.
    """
    typed = ask.form["address"] or ask.form["value"] or ask.query.get("address", "")
    url = typed.strip()
    if not url or len(url) > 300:
        raise UsageError("where is the board? Choose a port, or type its address")
    return url


def guided(
    desk: Desk, ask: Ask, title: str, url: str, run: Work, *, leads_to: str = "/boards"
) -> Response:
    """Begin guided work at a board, and send the browser to where it is watched."""
    if any(same_port(one.url, url) for one in desk.bays.logging):
        raise UsageError("this board is logging a session: end that first")
    house = desk.house

    async def all_of_it(job: Job, store: Store) -> str:
        async with open_bench(store, url, BAUD) as bench:
            watching = asyncio.create_task(_watch(bench, job))
            running = asyncio.ensure_future(run(bench, job, store))
            try:
                while not running.done():
                    await asyncio.wait((running,), timeout=_LOOK_EVERY_S)
                    job.check()
                return running.result()
            finally:
                for task in (running, watching):
                    task.cancel()
                    with contextlib.suppress(asyncio.CancelledError, LieboardError, CancelledError):
                        await task

    def work(job: Job) -> str:
        with Store.open(house.path) as store:
            return asyncio.run(all_of_it(job, store))

    house.remember(board=url)
    job = desk.jobs.start(title, work, leads_to=leads_to)
    return ask.to(f"/jobs/{job.number}")


async def asked(job: Job, question: Question, understand: Callable[[str], _T]) -> _T | None:
    """Ask whoever watches a job until the answer is understood; None: there is no more to say.

    Parameters
    ----------
    understand
        Raises `CellError` with what is wrong with an answer.
    """
    job.ask(question)
    try:
        while True:
            answer = job.answered()
            if answer is None:
                await asyncio.sleep(_LOOK_EVERY_S / 2)
                continue
            if not answer:
                return None
            try:
                return understand(answer)
            except CellError as error:
                job.ask(replace(question, trouble=str(error), typed=answer))
    finally:
        job.question = None


async def _watch(bench: BoardBench, job: Job) -> None:
    """Keep the drawing of the cells up to date."""
    while True:
        await asyncio.sleep(_LOOK_EVERY_S)
        record = next(
            (one.raw.record for one in reversed(bench.records[-8:])
             if isinstance(one.raw.record, Strike)),
            None,
        )  # fmt: skip
        if record is None or bench.hello is None:
            continue
        counts = np.asarray(record.counts, dtype=float)
        above = counts.max(axis=0) - counts.min(axis=0)
        job.cells = np.clip(above / max(float(above.max()), 1.0), 0, 1).round(2).tolist()
