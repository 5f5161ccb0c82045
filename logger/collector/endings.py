"""How work on a connection comes to its end: whole, and with the error that caused it."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any

from logger.errors import LinkClosedError, LinkError


async def to_its_end(work: Coroutine[Any, Any, None]) -> None:
    """Run ``work`` to its end even if the connection ends meanwhile.

    A record that is on disk must be filed too: nobody will ask for it again.
    """
    task = asyncio.ensure_future(work)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await asyncio.wait({task})
        error = None if task.cancelled() else task.exception()
        if error is not None and not isinstance(error, LinkError):
            raise error from None
        raise


def first_fatal(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """Pick the error that ended a connection: one that is not a mere consequence of the end."""
    leaves: list[BaseException] = []

    def collect(error: BaseException) -> None:
        if isinstance(error, BaseExceptionGroup):
            for inner in error.exceptions:
                collect(inner)
        else:
            leaves.append(error)

    collect(group)
    causes = [error for error in leaves if not isinstance(error, LinkClosedError)]
    return (causes or leaves)[0]
