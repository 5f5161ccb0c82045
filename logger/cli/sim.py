"""``lieboard sim``: a simulated board to try things with."""

from __future__ import annotations

import subprocess
import sys

import typer


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
            return process.wait()


# Everything behind the name is for the simulator, its --help too.
sim.context_settings = {  # type: ignore[attr-defined]
    "allow_extra_args": True,
    "ignore_unknown_options": True,
    "help_option_names": [],
}
