"""The command line: everything is put together here."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

# The lie engine works on many small matrices: threads of the linear algebra library only get into
# each other's way, badly so beside other work. Before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Exit code of a program that was stopped from the keyboard: 128 + SIGINT. Typer hands it on.
_STOPPED = 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    What went wrong for a person is one line on standard error; a bug keeps its traceback.
    """
    from logger.cli.terminal.standard import prepare_streams

    silent = prepare_streams()
    try:
        code = _run(arguments)
        # Here, and not at the interpreter's end: what is refused can still be said.
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read our output has seen enough.
        _give_up_output()
        return 0
    except OSError as error:
        from logger.cli.common import say

        where = "standard output" if error.filename is None else error.filename
        say(f"lieboard: {where}: {error.strerror or error}", err=True)
        _give_up_output()
        return 1
    if silent and code == 0:
        from logger.cli.common import say

        say("lieboard: standard output is closed: nothing could be shown", err=True)
        return 1
    return code


def _give_up_output() -> None:
    """Let what the interpreter still flushes at its end go somewhere that takes it."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _explained() -> int | None:
    """Say what is wrong with the data file if that explains an error; None: it is a bug."""
    from logger.cli.common import say, why_unreadable

    words = why_unreadable()
    if words is None:
        return None
    say(f"lieboard: {words}", err=True)
    return 4


def _run(arguments: Sequence[str] | None) -> int:
    import typer

    from logger.cli.app import build_app
    from logger.cli.common import say
    from logger.errors import LieboardError

    try:
        result = build_app()(args=arguments, standalone_mode=False, prog_name="lieboard")
    except LieboardError as error:
        say(f"lieboard: {error}", err=True)
        return error.exit_code
    except ValueError as error:
        from analysis.answers import NoAnswerError

        if not isinstance(error, NoAnswerError):
            code = _explained()
            if code is None:
                raise
            return code
        say(f"lieboard: {error}", err=True)
        return 1
    except (typer.Abort, KeyboardInterrupt):
        result = _STOPPED
    except OSError:
        raise
    except Exception as error:
        # Wrong usage: typer's own errors know how to show themselves.
        show = getattr(error, "show", None)
        if show is None:
            code = _explained()
            if code is None:
                raise
            return code
        show()
        return int(getattr(error, "exit_code", 2))
    if result == _STOPPED:
        say("lieboard: stopped; what was logged so far is kept", err=True)
    return result if isinstance(result, int) else 0
