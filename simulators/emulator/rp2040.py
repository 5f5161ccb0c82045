"""The firmware on an emulated RP2040 (``node/rp2040.mjs``), driven like the other chip."""

from __future__ import annotations

import contextlib
import os
import termios
import tty
from pathlib import Path

from simulators.core_board import REFERENCE, STRAIGHT, make
from simulators.emulator.driver import EmulatedChip
from simulators.emulator.node_parts import HERE, node_parts

HINT = "apt-get install make gcc-arm-none-eabi"
# Of twelve bits at 3.3 V.
COUNT_MV = 3300.0 / 4096.0
BAUD_TOLERANCE = 0.03
_SPEEDS = {getattr(termios, name): int(name[1:]) for name in dir(termios) if name[1:].isdigit()}


def build_uf2(out: Path, board: str = "strip32", **variables: str) -> Path:
    """Compile the reference firmware for the RP2040 into ``out``; return the .uf2's path."""
    settings = {**STRAIGHT, **variables}
    make(REFERENCE, "rp2040", "arm-none-eabi-gcc", HINT, BOARD=board, OUT=str(out), **settings)
    return out / "firmware.uf2"


class EmulatedRp2040(EmulatedChip):
    """The firmware on the emulated RP2040, behind a pseudo-terminal.

    Parameters
    ----------
    firmware : Path
        From `build_uf2`.
    """

    count_mv = COUNT_MV
    row_places = 32

    def __init__(self, firmware: Path) -> None:
        master, self._slave = os.openpty()
        os.set_blocking(master, False)
        tty.setraw(self._slave)
        command = ["node", str(HERE / "rp2040.mjs"), str(node_parts()), str(firmware), str(master)]
        try:
            super().__init__(command, os.ttyname(self._slave), (master,))
        finally:
            os.close(master)

    def close(self) -> None:
        """End the emulator and close the port."""
        super().close()
        with contextlib.suppress(OSError):
            os.close(self._slave)
        self._slave = -1

    def baud(self) -> tuple[int, bool]:
        """Give what the host set on the port, and whether the board's UART agrees."""
        host = _SPEEDS[termios.tcgetattr(self._slave)[5]]
        self._say("baud")
        board = int(self._answer("baud").split()[1])
        return host, abs(host - board) <= BAUD_TOLERANCE * board
