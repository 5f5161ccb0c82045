"""``lieboard log``: log sessions from one board or several."""

from __future__ import annotations

import sys

from logger.cli.common import command_of
from logger.cli.log.options import LogOptions


def _log(options: LogOptions) -> None:
    """Log strikes club by club; resumes a session that was cut off.

    Room around and above, nobody in front, board fixed so that it cannot slide, cables out of
    the swing.

    Example: lieboard log /dev/ttyACM0 --club 7i --stance 0

    Several at once: lieboard log /dev/ttyACM0 ble://north --player "Robin Ashdown" --player "Mika
    Tarn", or lieboard log --bays bays.toml
    """
    from logger.cli.log.bays import bays_wanted, log_bays

    _prepare_interpreter()
    interactive = sys.stdin.isatty() and sys.stdout.isatty()
    log_bays(bays_wanted(options), options, interactive=interactive)


def _prepare_interpreter() -> None:
    """Let nothing look through all objects all the time.

    Looking for garbage took a tenth of the processor time (perf, tests/benchmarks/load.py).
    """
    import gc

    # What is loaded by now stays until the end.
    gc.freeze()
    gc.set_threshold(10_000, 20, 20)


log = command_of(LogOptions, _log)
