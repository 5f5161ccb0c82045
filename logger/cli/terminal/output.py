"""Output that keeps nobody waiting: a terminal that takes nothing must not stop the logging.

A terminal held with Ctrl-S, a pager that was left, a remote connection that hangs: each stops
taking text for as long as it likes, and who writes to it waits.
"""

from __future__ import annotations

import io
import os
import queue
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

from logger.cli.terminal.safe_text import fit

# Lines that wait for a reader; beyond these the newest are not shown.
_MOST_WAITING = 5_000
# At the end: how long without progress until what is left is given up.
_STUCK_S = 2.0


class SteadyOutput(io.TextIOBase):
    """Writes to a stream in a thread of its own, whole pieces in their order.

    A piece is what was written between two `flush`. What the stream refuses (its reader has gone)
    is raised by the next `flush`.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        try:
            self._descriptor: int | None = None if os.name == "nt" else stream.fileno()
        except OSError:
            self._descriptor = None
        self._piece: list[str] = []
        self._waiting: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._wrote = threading.Event()
        self._ended = threading.Event()
        self._refusal: OSError | None = None
        self._dropped = 0
        self._given_up = False
        self._behind = 0
        self._count = threading.Lock()
        threading.Thread(target=self._work, name="lieboard output", daemon=True).start()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """Encoding of the stream: what it cannot show is drawn with what it can."""
        return self._stream.encoding

    def isatty(self) -> bool:
        """Whether a person looks at it."""
        return self._stream.isatty()

    def fileno(self) -> int:
        """File descriptor of the stream."""
        return self._stream.fileno()

    def writable(self) -> bool:
        """Say yes."""
        return True

    @property
    def behind(self) -> int:
        """Pieces that the stream has not taken yet."""
        return self._behind

    def write(self, text: str) -> int:
        """Add to the piece."""
        self._piece.append(text)
        return len(text)

    def flush(self) -> None:
        """Hand the piece on; returns at once.

        Raises
        ------
        OSError
            The stream refused an earlier piece.
        """
        if self._refusal is not None:
            refusal, self._refusal = self._refusal, None
            raise refusal
        if not self._piece:
            return
        piece = "".join(self._piece)
        self._piece.clear()
        if self._behind >= _MOST_WAITING:
            self._dropped += 1
            return
        if self._dropped:
            piece = f"({self._dropped} lines were not taken and are not shown)\n{piece}"
            self._dropped = 0
        with self._count:
            self._behind += 1
        self._waiting.put(piece)

    def line(self, words: str) -> None:
        """Write one line."""
        self.write(words + "\n")
        self.flush()

    def close(self) -> None:
        """Wait until all is written, as long as anything moves; may be called more than once."""
        if self.closed:
            return
        self._waiting.put(None)
        while not self._ended.is_set():
            self._wrote.clear()
            if not self._wrote.wait(_STUCK_S) and not self._ended.is_set():
                self._given_up = True
                break
        super().close()

    def _work(self) -> None:
        while (piece := self._waiting.get()) is not None and not self._given_up:
            try:
                self._put(piece)
            except OSError as error:
                self._refusal = error
            with self._count:
                self._behind -= 1
            self._wrote.set()
        self._ended.set()
        self._wrote.set()

    def _put(self, piece: str) -> None:
        if self._descriptor is None:
            # A console of Windows takes text, not bytes.
            self._stream.write(piece)
            self._stream.flush()
            return
        # Past the stream's own buffer: whoever is stuck in that holds its lock, and the
        # interpreter wants the lock at its end.
        rest = piece.encode(self._stream.encoding, self._stream.errors or "replace")
        while rest:
            rest = rest[os.write(self._descriptor, rest) :]
            self._wrote.set()


@contextmanager
def steady_say() -> Iterator[Callable[[str], None]]:
    """Give what prints a line without waiting for it; orders to the terminal are left out."""
    with SteadyOutput(sys.stdout) as output:
        yield lambda words: output.line(fit(words))
