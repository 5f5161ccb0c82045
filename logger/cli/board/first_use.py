"""Boards that were never used: asking who answers at a port, and whether it is the fitter's."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TypeVar

import typer

from logger.bench.who import who_answers
from logger.cli.common import utc_now_ns
from logger.collector.recording import BoardIdentity
from logger.errors import StrangeBoardError, UsageError
from logger.store.store import Store

T = TypeVar("T")


def agree_at_port(store: Store, url: str, baud: int, say: Callable[[str], None]) -> BoardIdentity:
    """Agree to whatever board answers at a port; return which it was."""
    identity = who_answers(url, baud, say)
    store.agreed.add(identity.board_key, identity.name, at_utc_ns=utc_now_ns())
    return identity


def on_the_bench(
    store: Store, port: str, *, accept: bool, run: Callable[[str, bool], T], ask: bool | None = None
) -> T:
    """Run with a board that the fitter agreed to, or agrees to now, and give what comes of it.

    Parameters
    ----------
    store
        Where agreements are kept.
    port
        As it was typed.
    accept
        The fitter says yes beforehand.
    run
        Told where the board is, and whether it may agree to the board that answers there.
    ask
        Whether somebody is there to be asked; by default whether there is a terminal.
    """
    if ask is None:
        ask = sys.stdin.isatty() and sys.stdout.isatty()
    if port.lower().startswith("ble:"):
        from logger.cli.board.air import agree_on_board

        port, _ = agree_on_board(store, port, accept=accept, ask=ask, wait=False)
    if accept or not ask:
        return run(port, accept)
    return until_agreed(store, lambda: run(port, False))


def until_agreed(store: Store, run: Callable[[], T]) -> T:
    """Run; if a board answers that was never used, ask whether it is the fitter's, and run again.

    Raises
    ------
    UsageError
        It is not.
    """
    while True:
        try:
            return run()
        except StrangeBoardError as stranger:
            if not typer.confirm(
                f"Board {stranger.key} ({stranger.name}) was never used here. Is it yours?"
            ):
                raise UsageError(
                    f"board {stranger.key} was not used; nothing of it was stored"
                ) from stranger
            store.agreed.add(stranger.key, stranger.name, at_utc_ns=utc_now_ns())
