"""``lieboard demo`` and ``lieboard sim``: a board and a player that are not there."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Annotated

import typer


def demo(
    db: Annotated[
        Path, typer.Option(help="Data file to write; an earlier demo's is replaced.")
    ] = Path("lieboard-demo.db"),
    swings: Annotated[int, typer.Option(help="Swings per club.")] = 8,
    seed: Annotated[int, typer.Option(help="Which invented afternoon.")] = 7,
    ble: Annotated[
        bool, typer.Option("--ble", help="Over a simulated Bluetooth LE radio (Linux).")
    ] = False,
) -> None:
    """Log an invented player's eight clubs from a simulated board and print the bend sheet.

    Example: lieboard demo
    """
    import asyncio
    import sys

    from logger.cli.demo_run import run_demo
    from logger.errors import UsageError

    if not 1 <= swings <= 30:
        raise UsageError(f"--swings {swings}: give 1 to 30")
    if ble and sys.platform != "linux":
        raise UsageError("--ble: the simulated radio is there on Linux only; leave --ble out")
    asyncio.run(run_demo(db, swings, seed, ble=ble))


def sim(context: typer.Context) -> int:
    """Run a simulated board and player until Ctrl-C; all options: lieboard sim --help.

    Example: lieboard sim --pace 5 --clubs 7i,6i
    """
    # In a process of its own, as a board is: it shares nothing with the logger but the wire.
    command = [sys.executable, "-m", "simulators", *context.args]
    with subprocess.Popen(command) as process:
        try:
            return process.wait()
        except KeyboardInterrupt:
            # Ctrl-C reaches it too; a terminal that was closed may end this process alone.
            process.terminate()
            return process.wait()


# Everything behind the name is for the simulator, its --help too.
sim.context_settings = {  # type: ignore[attr-defined]
    "allow_extra_args": True,
    "ignore_unknown_options": True,
    "help_option_names": [],
}
