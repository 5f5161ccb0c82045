"""The demo at the desk: made by the command line's demo, looked at on a desk of its own."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from logger.desk.jobs import Job
from logger.errors import LieboardError

_NOTE = "This is the demo: an invented player, a simulated board, a data file of its own."
_LOOK_EVERY_S = 0.2


class Running(Protocol):
    """A desk that was started."""

    @property
    def address(self) -> str:
        """Where it is."""
        ...

    def stop(self) -> None:
        """End it."""
        ...


class Demo:
    """Makes the demo's data file once, and keeps its desk running.

    Parameters
    ----------
    path
        The fitter's own data file; the demo's is made beside it.
    command
        Makes of a path the command that fills it.
    start
        Begins a desk for a data file, with a note above every view.
    """

    def __init__(
        self,
        path: Path,
        command: Callable[[Path], list[str]],
        start: Callable[[Path, str], Running],
    ) -> None:
        self._path = path.with_name("lieboard-demo.db")
        self._command = command
        self._start = start
        self._server: Running | None = None

    def make(self, job: Job) -> str:
        """Run the demo; in a job's thread.

        Raises
        ------
        LieboardError
            It did not work; one line says why.
        """
        if self._server is None:
            job.say("a simulated player swings: eight clubs, half a minute")
            with subprocess.Popen(
                self._command(self._path), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE, text=True,
            ) as process:  # fmt: skip
                while process.poll() is None:
                    time.sleep(_LOOK_EVERY_S)
                    if job.stopped:
                        process.terminate()
                assert process.stderr is not None
                trouble = process.stderr.read().strip()
            job.check()
            if process.returncode:
                raise LieboardError(trouble.splitlines()[-1] if trouble else "the demo failed")
            self._server = self._start(self._path, _NOTE)
        job.leads_to = self._server.address
        return "the demo is ready"

    def close(self) -> None:
        """End its desk."""
        if self._server is not None:
            self._server.stop()
