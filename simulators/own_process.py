"""A simulated board in a process of its own, for whoever wants to ask things of it."""

from __future__ import annotations

import contextlib
import json
import select
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Any, Self


class BoardProcess:
    """``python -m MODULE --stdin ...``, with its url once it is ready.

    Parameters
    ----------
    arguments
        Of the module's command line.
    module
        A runner of `simulators`.
    truth
        Where it writes down what really happened.
    """

    def __init__(
        self, *arguments: str, module: str = "simulators", truth: Path | None = None
    ) -> None:
        self._truth = truth
        written = [] if truth is None else ["--truth", str(truth)]
        self._process = subprocess.Popen(
            [sys.executable, "-m", module, "--stdin", *written, *arguments],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        ready = self.line()
        self.url: str = ready["url"]
        # What a host needs in its environment.
        self.env: dict[str, str] = ready.get("env", {})

    @property
    def pid(self) -> int:
        """Process id."""
        return self._process.pid

    def line(self, within_s: float = 60.0) -> dict[str, Any]:
        """Next line of JSON that it prints; TimeoutError if there is none."""
        assert self._process.stdout is not None
        ready, _, _ = select.select([self._process.stdout], [], [], within_s)
        if not ready:
            raise TimeoutError(f"the board said nothing for {within_s} s")
        said: dict[str, Any] = json.loads(self._process.stdout.readline())
        return said

    def ask(self, request: str) -> None:
        """Give it one request."""
        assert self._process.stdin is not None
        self._process.stdin.write(request + "\n")
        self._process.stdin.flush()

    def tell(self) -> dict[str, Any]:
        """Ask `simulators.faults_board` how its records stand."""
        self.ask("tell")
        return self.line()

    def truth(self, kind: str) -> list[dict[str, Any]]:
        """Return what really happened of one kind, oldest first."""
        assert self._truth is not None
        lines = [json.loads(line) for line in self._truth.read_text("utf-8").splitlines()]
        return [line for line in lines if line["kind"] == kind]

    def close(self) -> None:
        """End it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.close()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()
