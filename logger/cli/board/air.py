"""Boards on the air: listening with a bar, and agreeing to use one."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import typer

from logger.cli.common import output, utc_now_ns
from logger.errors import LinkOpenError, UsageError
from logger.links.ble_find import BoardFinder, SeenBoard, scan
from logger.links.ble_thread import BLUETOOTH
from logger.links.ble_trouble import explain
from logger.links.open import ble_target
from logger.session.logging.agreed import agreed_board

if TYPE_CHECKING:
    from logger.store.store import Store

_FIND_S = 10.0
_STEP_S = 0.1


def boards_on_the_air(seconds: float, *, show: bool) -> list[SeenBoard]:
    """Listen for so long and return the boards heard, the nearest first.

    Raises
    ------
    LinkOpenError
        Bluetooth cannot be used; one line says why.
    """
    try:
        return asyncio.run(_listen(seconds, show=show))
    except Exception as error:
        # bleak lets through what the libraries below it raise.
        raise LinkOpenError(explain(error, "the board")) from error


async def _listen(seconds: float, *, show: bool) -> list[SeenBoard]:
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    heard: list[SeenBoard] = []
    listening = asyncio.create_task(BLUETOOTH.run(scan(seconds, heard.append)))
    bar = Progress(
        TextColumn("listening for boards"), BarColumn(30), TextColumn("{task.fields[found]}"),
        TimeRemainingColumn(), console=output(), transient=True, disable=not show,
    )  # fmt: skip
    with bar:
        task = bar.add_task("", total=seconds, found="")
        while not listening.done():
            await asyncio.wait((listening,), timeout=_STEP_S)
            bar.update(task, advance=_STEP_S, found=", ".join(seen.name for seen in heard))
    return listening.result()


def agree_on_board(
    store: Store, url: str, *, accept: bool = False, ask: bool = False, wait: bool = False
) -> tuple[str, str | None]:
    """Settle which board ``url`` means, and that the fitter wants to use it.

    Parameters
    ----------
    store
        Where agreements are kept.
    url
        ``ble://...``; any other is returned as it is.
    accept
        The fitter says yes beforehand.
    ask
        Whether somebody is there to be asked.
    wait
        Whether to listen until the board is there.

    Returns
    -------
    tuple of str and (str or None)
        The URL to log from, and the board id that must answer there (None = not known).

    Raises
    ------
    LinkOpenError
        The board is not on the air, or several could be meant.
    UsageError
        It was never used here, and nobody agreed to it.
    """
    known = agreed_board(store, url)
    if known is not None:
        return known
    seen = _find(BoardFinder(ble_target(url)), wait=wait)
    if all(one.key != seen.key for one in store.agreed.all()):
        _ask_for(seen, accept=accept, ask=ask)
        store.agreed.add(seen.key, seen.name, at_utc_ns=utc_now_ns())
    return seen.url, seen.board_id


def _find(finder: BoardFinder, *, wait: bool) -> SeenBoard:
    with output().status(f"looking for {finder.target} on the air"):
        while True:
            try:
                return asyncio.run(BLUETOOTH.run(finder.find(_FIND_S)))
            except LinkOpenError:
                if not wait:
                    raise
            except Exception as error:
                # bleak lets through what the libraries below it raise.
                raise LinkOpenError(explain(error, f"ble://{finder.target}")) from error


def _ask_for(seen: SeenBoard, *, accept: bool, ask: bool) -> None:
    if accept:
        return
    if not ask:
        raise UsageError(
            f"{seen} was never used with this data file; if it is yours, add --accept once"
        )
    signal = "" if seen.rssi_dbm is None else f", signal {seen.rssi_dbm} dBm"
    if not typer.confirm(
        f"{seen} at {seen.address}{signal} was never used here, and anybody can call a thing a "
        "lie board. Is it yours?"
    ):
        raise UsageError(f"{seen} was not used; 'lieboard boards' lists what is on the air")
