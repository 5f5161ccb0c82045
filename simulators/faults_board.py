"""A board with a lot to say and no easy life: ``python -m simulators.faults_board``.

Takes the options of ``python -m simulators``, behind a pseudo-terminal, a TCP port or Bluetooth LE.
On standard input, beside what `simulators.serial_board` obeys:

    steady 20           from now on so many records a second, by chance (0: none)
    cut 0.3             half a frame, then the line is closed for 0.3 s
    brown 0.2           half a frame, silence for 0.2 s, then a cold start: a supply that sagged
    skip 3600           an hour passes for the board and not for who talks to it: a host that slept
    tell                say how many records there were and which are still kept, as JSON, and when
                        (CLOCK_MONOTONIC, ns) the latest host opened the line, was first heard, and
                        first confirmed something

The truth file (``--truth``) gets a line for each start that ended: how many records it had, and
which of them were gone with it because no host had confirmed them.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from simulators import encode
from simulators.__main__ import board_options, parser, say
from simulators.ble_board import parse_ble
from simulators.board import SECOND_NS, Board
from simulators.contacts import Truth
from simulators.faults import parse_spec
from simulators.records import Kept
from simulators.serial_board import Runner, RunOptions


class BusyBoard(Board):
    """A board on which something happens all the time."""

    _rate_hz = 0.0
    _plan = 0

    def steady(self, rate_hz: float) -> None:
        """Make readings at random moments, so many a second."""
        self._rate_hz = rate_hz
        self._plan += 1
        self._plan_next(self._plan)

    def _plan_next(self, plan: int) -> None:
        if plan == self._plan and self._rate_hz > 0:
            wait_s = self._rng.exponential(1 / self._rate_hz)
            self._at(self.now_ns + int(wait_s * SECOND_NS), partial(self._happen, plan))

    def _happen(self, plan: int) -> None:
        if plan == self._plan:
            self.burst(1)
            self._plan_next(plan)

    def reset(self, *, warm: bool = False) -> None:
        """Start again; what was kept and not confirmed is written down as gone."""
        ended: Truth = {"kind": "reset", "warm": warm}
        self._on_truth(ended | self.told())
        super().reset(warm=warm)

    def told(self) -> Truth:
        """How many records there were, and from which on they are kept."""
        records = self.records
        return {"boot_id": self.boot_id, "next_sequence": records.next_sequence,
                "oldest_kept": records.oldest_kept, "dropped": records.dropped}  # fmt: skip

    def half_a_frame(self) -> bytes:
        """Begin a record that never ends."""
        whole = Kept("reading", self.ticks(self.now_ns), flags=encode.SUMS_UP, board_mm=7.0,
                     sequence=self.records.next_sequence).frames()  # fmt: skip
        # Never all but its closing zero: the next start begins with one, and would complete it.
        return whole[: int(self._rng.integers(1, len(whole) - 1))]


class BusyRunner(Runner):
    """Obeys some words more."""

    def __init__(
        self, options: RunOptions, board: BusyBoard, rng: np.random.Generator,
        say: Callable[[str], None],
    ) -> None:  # fmt: skip
        super().__init__(board.options, (), options, rng, say)
        self.busy = board
        self.board = board
        board._on_truth = self._write_truth
        self._say_it = say
        self._moments: dict[str, int] = {}
        self._kept_from = 0

    def _on_connect(self) -> None:
        self._moments = {"opened_ns": time.monotonic_ns()}
        self._kept_from = self.board.records.oldest_kept
        super()._on_connect()

    def _on_data(self, data: bytes) -> None:
        super()._on_data(data)
        if self.board.host_seen:
            self._moments.setdefault("heard_ns", time.monotonic_ns())
        if self.board.records.oldest_kept > self._kept_from:
            self._moments.setdefault("confirmed_ns", time.monotonic_ns())

    def _obey(self, request: str) -> None:
        word, _, rest = request.partition(" ")
        self._pump()
        if word == "steady":
            self.busy.steady(float(rest))
        elif word == "skip":
            self._zero_ns -= int(float(rest) * 1e9)
            self._pump()
        elif word == "tell":
            self._say_it(json.dumps({**self.busy.told(), "moments": self._moments}))
        elif word in ("cut", "brown"):
            self._line.push(self.board.now_ns, self.busy.half_a_frame())
            for chunk in self._line.pop(self.board.now_ns):
                self.end.write(chunk)
            if word == "cut":
                self._drop(float(rest))
            else:
                self._brown(float(rest))
        else:
            super()._obey(request)

    def _brown(self, length_s: float) -> None:
        self._line.silent_until_ns = self.board.now_ns + int(length_s * 1e9)

        def start() -> None:
            self._pump()
            self._line.silent_until_ns = 0
            self.board.reset()
            self._pump()
            self._wake.set()

        asyncio.get_running_loop().call_later(length_s, start)


async def _run(
    options: RunOptions, board: BusyBoard, rng: np.random.Generator, rate_hz: float
) -> int:
    runner = BusyRunner(options, board, rng, say)
    board.steady(rate_hz)
    return await runner.run()


def main(argv: Sequence[str] | None = None) -> int:
    """Run the board until told to stop; returns the exit code."""
    made = parser()
    made.prog = "python -m simulators.faults_board"
    made.add_argument("--rate", type=float, default=0.0, help="records a second from the start")
    args = made.parse_args(argv)
    rng = np.random.default_rng(args.seed)
    try:
        options = board_options(args)
        faults, timing = parse_spec(args.faults, rng)
        ble = None if args.ble is None else parse_ble(args.ble)
    except ValueError as error:
        made.error(str(error))
    run = RunOptions(
        ble=ble, tcp_port=args.tcp, parent_pid=args.parent_pid, obey_stdin=args.stdin,
        truth_file=args.truth, timing=timing, faults=faults,
    )  # fmt: skip
    return asyncio.run(_run(run, BusyBoard(rng, options), rng, args.rate))


if __name__ == "__main__":
    sys.exit(main())
