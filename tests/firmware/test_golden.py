"""A whole run of the core, byte for byte as it was when it was last looked at.

What changes it on purpose writes it again and looks at the difference:

    python tests/firmware/test_golden.py
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from logger.protocol.framing import encode_frame
from logger.protocol.records import AskClock, AskHello, Confirm, SendAgain, SetTrigger
from logger.protocol.wire import encode
from simulators.core_board import CoreBoard, CoreOptions, build_library

GOLDEN = Path(__file__).with_name("golden_run.hex")
MS = 1_000_000


def run(library: Path) -> bytes:
    """Strikes, a press, two-way talk, a drop and a restart; whole numbers only in the script."""
    board = CoreBoard(library, CoreOptions(seed=2024, noise_counts=0.5))
    boot = 1
    out = board.advance(150 * MS)

    def say(*messages: object) -> None:
        for message in messages:
            board.receive(encode_frame(encode(message)))

    def strike(first_cell: int, height: float) -> None:
        load = np.zeros((5, 1, 16), np.float32)
        for step, tenths in enumerate((0, 7, 10, 7, 0)):
            load[step, 0, first_cell : first_cell + 5] = height * tenths / 10
        board.play(board.now_ns + MS, 200_000, load)

    say(AskHello())
    for number in range(4):
        strike(2 * number, 60.0 + 40 * number)
        out += board.advance(80 * MS)
    say(AskClock(0x01020304), Confirm(boot, 1), SendAgain(boot, 0), SetTrigger(15))
    out += board.advance(200 * MS)
    board.press(True)
    out += board.advance(100 * MS)
    board.press(False)
    out += board.advance(1100 * MS)
    board.power_cycle()
    out += board.advance(150 * MS)
    for number in range(8):
        strike(number, 90.0)
        out += board.advance(20 * MS)
    say(AskHello())
    return out + board.advance(500 * MS)


def as_text(data: bytes) -> str:
    """One frame a line."""
    return "".join(frame.hex() + "00\n" for frame in data.split(b"\x00")[:-1])


def test_the_run_is_the_golden_one(library, new_ear) -> None:
    data = run(library("strip16"))
    assert as_text(data) == GOLDEN.read_text("ascii")
    heard = new_ear().hear(data)
    assert heard.damage == []
    # Four strikes, two of them again, a press; then another boot, of whose eight the last six fit.
    assert heard.sequences == [0, 1, 2, 3, 2, 3, 4, 2, 3, 4, 5, 6, 7]


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        GOLDEN.write_text(as_text(run(build_library(Path(name)))), encoding="ascii")
