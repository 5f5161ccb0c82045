"""Standard input, output and error as a program may find them, made fit for use."""

from __future__ import annotations

import codecs
import os
import signal
import sys

# Whoever wants a group to read data, backups and reports says so: LIEBOARD_UMASK=027.
_UMASK = "LIEBOARD_UMASK"
_OWNER_ONLY = 0o077
# For a terminal that shows nothing but ASCII; what is missing here becomes a question mark.
_PLAIN = {
    "°": " deg", "±": "+-", "×": "x", "·": "-", "–": "-", "—": "-", "…": "...", "µ": "u",
    "−": "-", "≤": "<=", "≥": ">=", "→": "->", "←": "<-", "²": "2", "½": "1/2", "•": "*",
}  # fmt: skip


def prepare_streams() -> bool:
    """Make the three streams fit to be used; return whether nobody gets standard output.

    Files are from now on made for their owner only, unless the environment says otherwise.
    """
    os.umask(_umask())
    # A data file must not be opened under the number of a stream that somebody closed: what is
    # printed would go into it.
    closed = [number for number in range(3) if not _is_open(number)]
    for number in closed:
        found = os.open(os.devnull, os.O_RDWR)
        if found != number:
            os.dup2(found, number)
            os.close(found)
    codecs.register_error("lieboard", _plain)
    if sys.stdin is None:
        sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="lieboard")
    _end_on_hang_up()
    return 1 in closed


def _umask() -> int:
    try:
        return int(os.environ.get(_UMASK, ""), 8) & 0o777
    except ValueError:
        return _OWNER_ONLY


def _is_open(number: int) -> bool:
    try:
        os.fstat(number)
    except OSError:
        return False
    return True


def _plain(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    part = error.object[error.start : error.end]
    return "".join(_PLAIN.get(each, "?") for each in part), error.end


def _end_on_hang_up() -> None:
    """Let a terminal that was closed end a command as Ctrl-C does, unless it runs under nohup."""
    number = getattr(signal, "SIGHUP", None)
    if number is None:
        return
    try:
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    except ValueError:
        # Not in the main thread: whoever runs the command there looks after signals.
        return
