"""Libraries that only some users need: one clear line if they are not installed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from logger.errors import UsageError


@contextmanager
def extra(name: str) -> Iterator[None]:
    """Import what belongs to the optional part ``name`` inside this.

    Raises
    ------
    UsageError
        If it is not installed, with the command that installs it.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        raise UsageError(
            f"this needs the library {error.name}, which is not installed: "
            f"pip install 'lieboard[{name}]'"
        ) from error
