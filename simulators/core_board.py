"""The reference firmware's own C core as a board, in virtual time.

The core is compiled for this computer (``firmware_notes/reference``, ``make host``) and given a
converter, a line and a clock made of numbers. Values come from scripted waves or from a function
called for each conversion.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

REFERENCE = Path(__file__).parents[1] / "firmware_notes" / "reference"

SampleFunction = Callable[[int, int, int], int]
"""(now_ns, row, cell) -> counts."""

_SAMPLE = ctypes.CFUNCTYPE(
    ctypes.c_uint16, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_uint8, ctypes.c_uint8
)


class BuildError(RuntimeError):
    """The C code could not be compiled; the message says what to install or what failed."""


def make(directory: Path, target: str, tool: str, hint: str, **variables: str) -> None:
    """Run ``make TARGET NAME=VALUE...`` in a directory.

    Raises
    ------
    BuildError
        If ``tool`` is missing (the message ends with ``hint``) or the build fails.
    """
    if not directory.is_dir():
        raise BuildError(f"{directory} is not there: run from a checkout of the repository")
    for program in ("make", tool):
        if shutil.which(program) is None:
            raise BuildError(f"{program} is not installed: {hint}")
    command = ["make", "-s", target, *(f"{name}={value}" for name, value in variables.items())]
    done = subprocess.run(command, cwd=directory, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise BuildError(f"{' '.join(command)} failed in {directory}:\n{done.stderr[-2000:]}")


# Loads are put on the cells here, so these boards say nothing of a circuit.
STRAIGHT = {"CIRCUIT": "0"}


def build_library(out: Path, board: str = "strip16", **variables: str) -> Path:
    """Compile the core for this computer into ``out``; return the shared library's path."""
    hint = "apt-get install gcc make"
    make(REFERENCE, "host", "cc", hint, BOARD=board, OUT=str(out), **(STRAIGHT | variables))
    return out / "libboard.so"


class _Setup(ctypes.Structure):
    _fields_ = (
        ("conversion_ns", ctypes.c_uint32),
        ("byte_ns", ctypes.c_uint32),
        ("noise_seed", ctypes.c_uint32),
        ("noise_counts", ctypes.c_float),
        ("rest_counts", ctypes.c_float),
        ("board_id", ctypes.c_uint8 * 8),
    )


@dataclass(frozen=True, kw_only=True)
class CoreOptions:
    """What the hardware around the core is like."""

    # 16 us: 13 converter clocks at 1 MHz, the interrupt's way in, and the wait for the next clock.
    conversion_ns: int = 16_000
    baud: int = 115_200
    seed: int = 0
    noise_counts: float = 0.4
    """RMS."""
    rest_counts: float = 5.0
    board_id: bytes = bytes.fromhex("4c42000000000001")


class CoreBoard:
    """One board. Each has a copy of the library, as the core keeps its state in static memory.

    Parameters
    ----------
    library : Path
        From `build_library`.
    options : CoreOptions
        The hardware around the core.
    """

    def __init__(self, library: Path, options: CoreOptions | None = None) -> None:
        self._options = options or CoreOptions()
        self._library = _load_copy(library)
        self._played: list[NDArray[np.float32]] = []
        self._callback: object = None
        self.rows = int(self._library.host_rows())
        self.cells = int(self._library.host_cells())
        self.full_scale = int(self._library.host_full_scale())
        self.tick_hz = int(self._library.host_tick_hz())
        self._room = (ctypes.c_uint8 * 65_536)()
        option = self._options
        setup = _Setup(
            option.conversion_ns,
            round(10e9 / option.baud),
            option.seed,
            option.noise_counts,
            option.rest_counts,
            (ctypes.c_uint8 * 8)(*option.board_id),
        )
        self._library.host_start(ctypes.byref(setup))

    @property
    def library(self) -> ctypes.CDLL:
        """The core itself, for looks at its parts."""
        return self._library

    @property
    def now_ns(self) -> int:
        """The board's time, ns since power came on."""
        return int(self._library.host_now_ns())

    def advance(self, dt_ns: int) -> bytes:
        """Let time pass; return the bytes that left the board."""
        self._library.host_run_until(ctypes.c_uint64(self.now_ns + dt_ns))
        out = bytearray()
        while count := self._library.host_take(self._room, len(self._room)):
            out += memoryview(self._room)[:count]
        return bytes(out)

    def receive(self, data: bytes) -> None:
        """Bytes from the host; they come in one after the other at the line's speed."""
        taken = self._library.host_give(data, len(data))
        if taken != len(data):
            raise ValueError(f"only {taken} of {len(data)} bytes fit the line; advance in between")

    def play(self, start_ns: int, step_ns: int, counts: NDArray[np.float32]) -> None:
        """Script a load: counts above rest, shape (n_steps, rows, cells), ``step_ns`` apart.

        Straight lines join the steps; pieces must be given in the order of their start.
        """
        values = np.ascontiguousarray(counts, dtype=np.float32)
        if values.ndim != 3 or values.shape[1:] != (self.rows, self.cells):
            raise ValueError(f"shape {values.shape} is not (n, {self.rows}, {self.cells})")
        pointer = values.ctypes.data_as(ctypes.POINTER(ctypes.c_float))
        started, step = ctypes.c_uint64(start_ns), ctypes.c_uint64(step_ns)
        if not self._library.host_play(started, step, len(values), pointer):
            raise ValueError("the script is full, or a piece has fewer than two steps")
        self._played.append(values)

    def sample_from(self, function: SampleFunction | None) -> None:
        """Take every cell's value from a function instead of the script."""
        self._callback = (
            None if function is None else _SAMPLE(lambda _, ns, row, cell: function(ns, row, cell))
        )
        self._library.host_set_sample(self._callback, None)

    def press(self, pressed: bool) -> None:
        """Move the foot switch."""
        self._library.host_press_switch(int(pressed))

    def power_cycle(self) -> None:
        """Lose power and get it back: RAM is gone, the boot id's storage is not."""
        self._library.host_power_cycle()

    @property
    def storage(self) -> ctypes.Array[ctypes.c_uint8]:
        """The sixteen bytes that survive, to look at and to damage."""
        address = self._library.host_storage()
        return (ctypes.c_uint8 * 16).from_address(address)


def _load_copy(library: Path) -> ctypes.CDLL:
    """Load a private copy: a library loaded twice from one file shares its memory."""
    handle, name = tempfile.mkstemp(suffix=".so")
    os.close(handle)
    copy = Path(name)
    try:
        shutil.copyfile(library, copy)
        loaded = ctypes.CDLL(str(copy))
    finally:
        copy.unlink()
    loaded.host_now_ns.restype = ctypes.c_uint64
    loaded.host_take.restype = ctypes.c_uint32
    loaded.host_give.restype = ctypes.c_uint32
    loaded.host_set_sample.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
    loaded.host_storage.restype = ctypes.c_void_p
    return loaded


class TerminalEnd:
    """A pseudo-terminal with a board behind it, kept to real time by `serve`.

    The slave side stays open here, so that hosts may come and go.
    """

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        _make_raw(self._slave)

    def serve(self, board: CoreBoard, stop: Callable[[], bool]) -> None:
        """Run the board in real time until ``stop`` says so."""
        began_ns = time.monotonic_ns() - board.now_ns
        while not stop():
            with contextlib.suppress(BlockingIOError):
                board.receive(os.read(self._master, 4096))
            out = board.advance(max(0, time.monotonic_ns() - began_ns - board.now_ns))
            # What a host that does not read leaves no room for is lost, as in an adapter.
            while out:
                try:
                    out = out[os.write(self._master, out) :]
                except BlockingIOError:
                    break
            time.sleep(0.001)

    def close(self) -> None:
        """Close both sides."""
        os.close(self._master)
        os.close(self._slave)


def _make_raw(descriptor: int) -> None:
    # Not on Windows, where there are no pseudo-terminals either.
    import tty

    tty.setraw(descriptor)
