"""A terminal that takes nothing (held with Ctrl-S, a connection that hangs) stops no logging."""

from __future__ import annotations

import contextlib
import os
import pty
import subprocess
import sys

USED = "SELECT COUNT(*) FROM contacts WHERE set_aside IS NULL"


def test_a_terminal_that_is_not_read_stops_no_logging(lieboard, board):
    simulated = board("--tcp", "0", "--pace", "0.5", "--strikes-per-club", "12")
    ours, theirs = pty.openpty()
    logging = subprocess.Popen(
        [sys.executable, "-m", "logger", "log", simulated.url, "--stance", "0", "--accept"],
        env={**os.environ, "LIEBOARD_DB": str(lieboard.db), "TERM": "xterm-256color"},
        stdin=theirs, stdout=theirs, stderr=theirs,
    )  # fmt: skip
    try:
        os.close(theirs)
        lieboard.wait_for(f"SELECT ({USED}) >= 8", 1, within_s=60)
        os.write(ours, b"q")
        lieboard.wait_for("SELECT ended_utc_ns IS NOT NULL FROM sessions", 1, within_s=30)
        # Only the last words wait for the terminal.
        with contextlib.suppress(OSError):
            while os.read(ours, 65536):
                pass
        assert logging.wait(30) == 0
    finally:
        logging.kill()
        logging.wait()
        os.close(ours)
