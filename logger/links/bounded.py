"""Waiting with a limit for what does not let itself be cancelled at once."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

_T = TypeVar("_T")


async def bounded(work: Coroutine[Any, Any, _T], limit_s: float) -> _T:
    """Wait for ``work`` no longer than this.

    Not `asyncio.timeout`: what is cancelled in bleak may first wait for a goodbye of a service that
    answers nothing; cancelled again, it gives that up too.

    Raises
    ------
    TimeoutError
    """
    task = asyncio.get_running_loop().create_task(work)
    try:
        done, _ = await asyncio.wait({task}, timeout=limit_s)
    except asyncio.CancelledError:
        await put_down(task)
        raise
    if not done:
        await put_down(task)
        raise TimeoutError
    return task.result()


async def put_down(task: asyncio.Task[Any]) -> None:
    """Cancel a task until it ends."""
    for _ in range(5):
        task.cancel()
        done, _ = await asyncio.wait({task}, timeout=1.0)
        if done:
            break
    if task.done() and not task.cancelled():
        task.exception()
