"""The demo: a simulated board in a process of its own, logged like any other board."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from logger.cli.common import output, utc_now_ns
from logger.cli.sheets import print_clubs, print_sheet
from logger.errors import LieboardError, UsageError
from logger.session.logging.fitting import FittingSession
from logger.session.logging.opening import Circumstances, open_session
from logger.session.logging.run import Filed, LoggingRun, RunEvent, RunSettings
from logger.session.results.clubs import session_results
from logger.setfiles import load_set
from logger.store.store import Store

# Swings follow each other faster than any player's; the board's time is true all the same.
_PACE_S = 0.17
# What is still on its way when the last swing is over: a status message and a resend or two.
_SETTLE_S = 0.4
_SET_FILE = Path(__file__).with_name("demo_set.toml")


async def run_demo(db: Path, swings: int, seed: int, *, ble: bool = False) -> None:
    """Log the invented set and print what it says.

    Raises
    ------
    LieboardError
        With one line that says what went wrong.
    """
    console = output()
    _remove_earlier(db)
    with Store.open(db) as store:
        now_ns = utc_now_ns()
        store.sets.import_file(load_set(_SET_FILE), at_utc_ns=now_ns)
        session = open_session(
            store,
            player=None,
            set_name=None,
            now_utc_ns=now_ns,
            circumstances=Circumstances(stance_mm=0.0, stance_u_mm=1.0, surface="simulated board"),
        )
        labels = [club.label for club in session.order]
        async with _simulated_board(labels, swings, seed, ble=ble) as (url, lines):
            console.print(f"A simulated board is at {url}; {session.set.player.name} swings.")
            await _log(session, url, lines, swings, console)
        session.end(utc_now_ns())
        results = session_results(store, session.row)
        console.print()
        print_clubs(console, results)
        console.print()
        if results.plan is not None:
            print_sheet(console, results.plan)
        console.print(
            f"\nAll of it is in {db}: try 'lieboard strikes --db {db}', or any SQLite browser."
        )


async def _log(
    session: FittingSession,
    url: str,
    lines: asyncio.StreamReader,
    swings: int,
    console: Console,
) -> None:
    progress = Progress(
        TextColumn("{task.description:>4}"),
        BarColumn(30),
        TextColumn("{task.completed}/{task.total} strikes  {task.fields[note]}"),
        TimeElapsedColumn(),
        console=console,
    )
    bars = {
        club.label: progress.add_task(club.label, total=swings, note="") for club in session.order
    }
    aside = dict.fromkeys(bars, 0)

    def hear(event: RunEvent) -> None:
        if not isinstance(event, Filed):
            return
        for strike in event.strikes:
            if strike.label is None:
                continue
            bar = bars[strike.label]
            if strike.row.used:
                progress.advance(bar)
            else:
                aside[strike.label] += 1
                progress.update(bar, note=f"{aside[strike.label]} set aside")

    with progress:
        run = asyncio.create_task(LoggingRun(session, RunSettings(url, accept=True), hear).run())
        over = asyncio.create_task(lines.readline())
        try:
            await asyncio.wait((run, over), return_when=asyncio.FIRST_COMPLETED)
            if run.done():
                await run
            await asyncio.sleep(_SETTLE_S)
        finally:
            run.cancel()
            over.cancel()
            await asyncio.gather(run, over, return_exceptions=True)


@asynccontextmanager
async def _simulated_board(
    labels: Sequence[str], swings: int, seed: int, *, ble: bool
) -> AsyncIterator[tuple[str, asyncio.StreamReader]]:
    """Run ``python -m simulators``; give its URL and its further lines."""
    line = ["--pty"] if os.name == "posix" else ["--tcp", "0"]
    if ble:
        line = ["--ble"]
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "simulators",
        *line,
        *("--clubs", ",".join(labels)),
        *("--strikes-per-club", str(swings)),
        *("--seed", str(seed)),
        *("--pace", str(_PACE_S)),
        *("--parent-pid", str(os.getpid())),
        stdout=asyncio.subprocess.PIPE,
    )
    assert process.stdout is not None
    before = dict(os.environ)
    try:
        first = await process.stdout.readline()
        if not first:
            raise LieboardError("the simulated board did not start; see the message above")
        ready = json.loads(first)
        # The message bus of the simulated radio, in place of the system's.
        os.environ.update(ready.get("env", {}))
        yield ready["url"], process.stdout
    finally:
        os.environ.clear()
        os.environ.update(before)
        if process.returncode is None:
            process.terminate()
        await process.wait()


def _remove_earlier(db: Path) -> None:
    """Remove an earlier demo's file; refuse to touch any other."""
    if not db.exists():
        return
    # For writing: a demo of an older version is upgraded first, only to be looked into.
    with Store.open(db) as store:
        sets = [(row.player, row.name) for row in store.sets.all()]
    own = load_set(_SET_FILE)
    if sets not in ([], [(own.player, own.name)]):
        raise UsageError(f"{db} holds other players' data: name another file with --db")
    for ending in ("", "-wal", "-shm"):
        db.with_name(db.name + ending).unlink(missing_ok=True)
