"""A MicroPython program in its own interpreter, its `machine` and `bluetooth` ours (bridge.mjs)."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from simulators.core_board import REFERENCE
from simulators.emulator.node_parts import HERE, node_parts

BRIDGE = REFERENCE.parent / "bridge"
# Events of MicroPython's documents (bluetooth, "Event Handling").
CENTRAL_CONNECT, CENTRAL_DISCONNECT, MTU_EXCHANGED = 1, 2, 21

Message = dict[str, Any]


class BridgeError(RuntimeError):
    """The program stopped; the message is its last words."""


class MicroPythonBridge:
    """The radio bridge's program, running.

    Parameters
    ----------
    by_hand : bool
        Its clock stands still but for `wait`; else it is the computer's own.
    program : Path
        The folder whose ``main.py`` is run.
    """

    def __init__(self, *, by_hand: bool = True, program: Path = BRIDGE) -> None:
        command = ["node", str(HERE / "bridge.mjs"), str(node_parts()), str(program)]
        theirs, ours = os.pipe()
        # It looks for what comes in, and goes on if there is nothing.
        os.set_blocking(theirs, False)
        self._stdin = os.fdopen(ours, "wb")
        self._process = subprocess.Popen(
            command + ["by-hand"] * by_hand,
            stdin=theirs,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        os.close(theirs)
        self._rest = b""
        try:
            first = self.read()
            while not any("started" in message for message in first):
                first = self.read()
            self.began = first
        except BridgeError:
            self.close()
            raise

    def __enter__(self) -> Self:
        """Give itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close."""
        self.close()

    def fileno(self) -> int:
        """Where it can be waited for: `read` has something when this is readable."""
        assert self._process.stdout is not None
        return self._process.stdout.fileno()

    def tell(self, **message: object) -> None:
        """Have something come in at the edge: ``uart=HEX``, ``event=[...]``, ``write=HEX``."""
        try:
            self._stdin.write(json.dumps(message).encode() + b"\n")
            self._stdin.flush()
        except BrokenPipeError:
            raise self._last_words() from None

    def read(self) -> list[Message]:
        """Wait for what goes out at the edge; whole lines.

        Raises
        ------
        BridgeError
            The program stopped.
        """
        lines: list[bytes] = []
        while not lines:
            data = os.read(self.fileno(), 65536)
            if not data:
                raise self._last_words()
            *lines, self._rest = (self._rest + data).split(b"\n")
        messages: list[Message] = [json.loads(line) for line in lines]
        for message in messages:
            if "error" in message:
                raise BridgeError(message["error"])
        return messages

    def wait(self, ms: int) -> list[Message]:
        """Move its clock on; gives all that went out meanwhile."""
        self.tell(wait=ms)
        out: list[Message] = []
        while not any("turns" in message for message in out):
            out += self.read()
        return out

    def _last_words(self) -> BridgeError:
        assert self._process.stderr is not None
        said = self._process.stderr.read().decode(errors="replace")
        return BridgeError(said[-1500:])

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._stdin, self._process.stdout, self._process.stderr):
            assert pipe is not None
            with contextlib.suppress(BrokenPipeError):
                pipe.close()


def bytes_of(messages: list[Message], word: str) -> list[bytes]:
    """Give what went out under one word, in order."""
    return [bytes.fromhex(message[word]) for message in messages if word in message]
