"""Drives an emulated chip: builds it, starts it, tells it what to do, reads its port."""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import termios
import time
import tty
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from simulators.core_board import REFERENCE, STRAIGHT, make

HERE = Path(__file__).parent
HINT = "apt-get install gcc make gcc-avr avr-libc libsimavr-dev libelf-dev"
# Of ten bits at 5 V.
COUNT_MV = 5000.0 / 1024.0
# How long to wait for bytes that the emulator says it has written.
READ_LIMIT_S = 10.0


def build_emulator(out: Path) -> Path:
    """Compile the harness into ``out``; return the program's path."""
    make(HERE, "all", "cc", HINT, OUT=str(out))
    return out / "emulator"


def build_firmware(out: Path, board: str = "strip16") -> Path:
    """Compile the reference firmware for the chip into ``out``; return the .elf's path."""
    make(REFERENCE, "avr", "avr-gcc", HINT, BOARD=board, OUT=str(out), **STRAIGHT)
    return out / "firmware.elf"


class EmulatorError(RuntimeError):
    """The emulator refused a command or died; the message is what it said."""


@dataclass(frozen=True, slots=True)
class Ran:
    """Where a run ended."""

    time_us: float
    sent: int
    """Bytes that the board sent since power came on."""
    lost: int
    """Of those, bytes that the terminal had no room for."""
    received: int


class EmulatedChip:
    """A firmware on an emulated chip, behind a pseudo-terminal, one command at a time.

    Parameters
    ----------
    command : list of str
        The emulator's program and its arguments.
    port : str, optional
        The pseudo-terminal, if it was made here; else the program makes one and says which.
    descriptors : tuple of int, optional
        What the program gets of this process's.
    """

    count_mv = COUNT_MV
    row_places = 16

    def __init__(
        self, command: list[str], port: str = "", descriptors: tuple[int, ...] = ()
    ) -> None:
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            bufsize=1,
            pass_fds=descriptors,
        )
        self._descriptor: int | None = None
        self._read = 0
        try:
            started = self._answer("started").split()
            self.port = port or started[1]
        except EmulatorError:
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

    def close(self) -> None:
        """End the emulator and close the port."""
        self.close_port()
        if self._process.poll() is None:
            with contextlib.suppress(BrokenPipeError):
                self._say("quit")
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                # What could not be written any more is written at the close, and fails again.
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def tell(self, *lines: str) -> None:
        """Give commands that have no answer: ``noise``, ``seed``, ``rest``, ``press`` and so on."""
        for line in lines:
            self._say(line)

    def run(self, length_us: float) -> Ran:
        """Let simulated time pass, as fast as this computer can."""
        self._say(f"run {length_us}")
        return _ran(self._answer("ran"))

    def begin_real_time(self) -> None:
        """Keep to real time until `end_real_time`."""
        self._say("realtime")

    def end_real_time(self) -> Ran:
        """Stop the clock again."""
        self._say("# stop")
        return _ran(self._answer("ran"))

    def take(self, count: int) -> None:
        """Have the emulator fetch ``count`` bytes that were written to the port."""
        self._say(f"take {count}")
        took = int(self._answer("took").split()[1])
        if took != count:
            raise EmulatorError(f"{took} of {count} bytes came to the board's end of the line")

    def numbers(self) -> dict[str, float]:
        """Give counts of cycles, conversions and the like since the last ``clear``."""
        self._say("numbers")
        return dict(json.loads(self._answer("{")))

    def watch(self, address: int) -> int:
        """Count the cycles of the function at a byte address; gives a number for `watched`."""
        self._say(f"watch {address}")
        return int(self._answer("watch").split()[1])

    def watched(self, number: int) -> dict[str, int]:
        """Give calls, net cycles and the greatest number of cycles of a watched function."""
        self._say(f"watched {number}")
        return dict(json.loads(self._answer("{")))

    def baud(self) -> tuple[int, bool]:
        """Give what the host set on the port, and whether the board's UART agrees."""
        self._say("baud")
        words = self._answer("baud").split()
        return int(words[1]), words[3] == "1"

    def play(self, start_us: float, step_us: float, counts: NDArray[np.float64]) -> None:
        """Script a load: the converter's counts above rest, shape (n_steps, rows, cells)."""
        steps, rows, cells = counts.shape
        lines = []
        for row in range(rows):
            for cell in range(cells):
                column = counts[:, row, cell]
                if not column.any():
                    continue
                place = row * self.row_places + cell
                lines += [
                    f"w {start_us + step_us * step:.3f} {place} {column[step] * self.count_mv:.4f}"
                    for step in range(steps)
                ]
                lines.append(f"w {start_us + step_us * steps:.3f} {place} 0")
        self.tell(*lines)

    # ---- the host's end of the line

    def open_port(self, baud: int = termios.B115200) -> None:
        """Open the port as a host does."""
        self._descriptor = os.open(self.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._descriptor)
        settings = termios.tcgetattr(self._descriptor)
        settings[4] = settings[5] = baud
        termios.tcsetattr(self._descriptor, termios.TCSANOW, settings)

    def close_port(self) -> None:
        """Go away; the emulator keeps the line up."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def write(self, data: bytes) -> None:
        """Host to board: written, and fetched by the emulator, before this returns."""
        assert self._descriptor is not None
        os.write(self._descriptor, data)
        self.take(len(data))

    def exchange(self, length_us: float, data: bytes = b"") -> bytes:
        """Write, run, and return exactly the bytes that came out of the board in that time."""
        if data:
            self.write(data)
        before = self._read
        ran = self.run(length_us)
        self._read = ran.sent - ran.lost
        return self.read(self._read - before)

    def forget_unread(self, ran: Ran) -> None:
        """Count everything up to a run's end as read (the port was closed, or flushed)."""
        self._read = ran.sent - ran.lost

    def read(self, count: int) -> bytes:
        """Read exactly ``count`` bytes."""
        assert self._descriptor is not None
        out = bytearray()
        limit = time.monotonic() + READ_LIMIT_S
        while len(out) < count and time.monotonic() < limit:
            if select.select([self._descriptor], [], [], 0.1)[0]:
                got = os.read(self._descriptor, count - len(out))
                if not got:
                    raise EmulatorError(f"the port hung up after {len(out)} of {count} bytes")
                out += got
        if len(out) < count:
            raise EmulatorError(f"only {len(out)} of {count} bytes came out of the port")
        return bytes(out)

    # ---- the command line

    def _say(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def _answer(self, begins: str) -> str:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith("error"):
                raise EmulatorError(line.strip())
            if line.startswith(begins):
                return line.strip()
        raise EmulatorError("the emulator has ended without a word")


class EmulatedBoard(EmulatedChip):
    """The firmware on the emulated ATmega328P (``main.c``)."""

    def __init__(self, emulator: Path, firmware: Path) -> None:
        super().__init__([str(emulator), str(firmware)])


def _ran(line: str) -> Ran:
    words = line.split()
    return Ran(float(words[1]), int(words[3]), int(words[5]), int(words[7]))
