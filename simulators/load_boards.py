"""Many boards in one process that send at a fixed rate: ``python -m simulators.load_boards``.

Leaner than `simulators.board`, so that what is measured is the logger: no strip and no scans, only
readings that come in contacts of so many, one after another. Each board has a pseudo-terminal and
keeps its records until they are confirmed, as ``firmware_notes/wire.md`` asks.

Prints one line of JSON with the urls. Obeys lines on standard input:

    go 10           send for so many seconds; then, when all is confirmed (or 20 s later), says
                    in one line of JSON how many frames were sent, how many of them never confirmed,
                    how long it took from the write to the confirmation, ms, how late the boards
                    themselves were, and what processor time they took. With ``--moments FILE`` the
                    file then has a line for each record: board, number, written, confirmed (ns of
                    CLOCK_MONOTONIC)
    quit
"""

from __future__ import annotations

import argparse
import json
import os
import select
import sys
import time
import tty
from collections import deque
from collections.abc import Sequence
from pathlib import Path

from simulators import encode

_STATUS_NS = 1_000_000_000
_GIVE_UP_S = 20.0
_BEGINS, _ENDS = 1, 2


class LoadBoard:
    """One board behind a pseudo-terminal."""

    def __init__(self, number: int, contact: int) -> None:
        self.end, other = os.openpty()
        tty.setraw(other)
        self.url = os.ttyname(other)
        # Held open, so that the end does not hang up before a host is there.
        self._other = other
        os.set_blocking(self.end, False)
        self._number = number
        self._contact = contact
        self._zero_ns = time.monotonic_ns()
        self._ears = encode.HostDecoder()
        self._kept: deque[tuple[int, int, bytes]] = deque()
        self._next = 0
        self._status_ns = 0
        self._unsent = bytearray()
        self.host_seen = False
        self.stalled = 0
        self.asked_again = 0
        # Number, when it was written, when it was confirmed.
        self.confirmed: list[tuple[int, int, int]] = []

    @property
    def kept(self) -> int:
        """How many records are not confirmed."""
        return len(self._kept)

    @property
    def sent(self) -> int:
        """How many records there were."""
        return self._next

    def _ticks(self) -> int:
        return (time.monotonic_ns() - self._zero_ns) // 1000 % 2**32

    def make(self) -> None:
        """Make one reading and send it."""
        place = self._next % self._contact
        flags = (_BEGINS if place == 0 else 0) | (_ENDS if place == self._contact - 1 else 0)
        frame = encode.reading(
            sequence=self._next, ticks=self._ticks(), position=500, trail=encode.TRAIL_UNKNOWN,
            pressure=600, flags=flags, span_ticks=0,
        )  # fmt: skip
        self._kept.append((self._next, time.monotonic_ns(), frame))
        self._next += 1
        self._write(frame)

    def _write(self, data: bytes) -> None:
        self._unsent += data
        try:
            while self._unsent:
                del self._unsent[: os.write(self.end, self._unsent)]
        except BlockingIOError:
            self.stalled += 1

    def look(self, now_ns: int) -> None:
        """Send the status when it is due."""
        if now_ns - self._status_ns > _STATUS_NS and self.host_seen:
            self._status_ns = now_ns
            self._write(encode.status(
                ticks=self._ticks(), supply_mv=5000, temperature=215, noise=16, trigger_level=40,
                kept=min(self.kept, 65535), dropped=0, bad_frames=0, oldest_kept=self._oldest,
                next_sequence=self._next,
            ))  # fmt: skip

    @property
    def _oldest(self) -> int:
        return self._kept[0][0] if self._kept else self._next

    def hear(self) -> None:
        """Take what the host says."""
        for message in self._ears.feed(os.read(self.end, 65536)):
            if message.kind == encode.ASK_HELLO:
                self.host_seen = True
                self._write(encode.Hello(
                    board_id=b"LOAD" + self._number.to_bytes(4, "big"), boot_id=1,
                    firmware=(1, 0, 0), tick_hz=1_000_000, rows=1, cells=32, pitch_um=4000,
                    row_distance_um=0, scan_order=0, scan_ticks=100, full_scale=1023,
                    trigger_level=40, oldest_kept=self._oldest, next_sequence=self._next,
                    abilities=2, name=f"load {self._number}",
                ).encode())  # fmt: skip
            elif message.kind == encode.ASK_CLOCK:
                ticks = self._ticks()
                self._write(encode.clock_reply(token=message.values[0], received_ticks=ticks,
                                               sent_ticks=ticks))  # fmt: skip
            elif message.kind == encode.CONFIRM:
                now_ns = time.monotonic_ns()
                while self._kept and self._kept[0][0] <= message.values[1]:
                    number, written_ns, _ = self._kept.popleft()
                    self.confirmed.append((number, written_ns, now_ns))
            elif message.kind == encode.SEND_AGAIN:
                self.asked_again += 1
                for sequence, _, frame in self._kept:
                    if sequence >= message.values[1]:
                        self._write(frame)


def _send_for(boards: Sequence[LoadBoard], rate_hz: float, seconds: float) -> list[int]:
    """Send at the rate, the boards evenly spread over each step; return how late that was, ns.

    A board that is late itself shows that the machine had no time for it: what the logger then
    does says nothing of the logger.
    """
    late_ns: list[int] = []
    step_ns = int(1e9 / rate_hz / len(boards))
    begin_ns = time.monotonic_ns()
    total = int(seconds * rate_hz) * len(boards)
    done = 0
    while done < total:
        now_ns = time.monotonic_ns()
        due = min(total, (now_ns - begin_ns) // step_ns + 1)
        if done < due:
            late_ns.append(now_ns - begin_ns - done * step_ns)
        while done < due:
            boards[done % len(boards)].make()
            done += 1
        # A millisecond: several boards are served by one look.
        _serve(boards, 0.001)
    return late_ns


def _serve(boards: Sequence[LoadBoard], wait_s: float) -> None:
    ends = {board.end: board for board in boards}
    for end in select.select(list(ends), [], [], wait_s)[0]:
        ends[end].hear()
    now_ns = time.monotonic_ns()
    for board in boards:
        board.look(now_ns)


def _report(boards: Sequence[LoadBoard], late_ns: Sequence[int], began_s: float,
            processor_s: float) -> dict[str, object]:  # fmt: skip
    waits = sorted(done - written for board in boards for _, written, done in board.confirmed)
    late = sorted(late_ns)

    def at(share: float, times_ns: Sequence[int] = waits) -> float | None:
        return round(times_ns[int(share * (len(times_ns) - 1))] / 1e6, 1) if times_ns else None

    return {
        "sent": sum(board.sent for board in boards),
        "never_confirmed": sum(board.kept for board in boards),
        "wait_ms_median": at(0.5), "wait_ms_99": at(0.99), "wait_ms_longest": at(1.0),
        "stalled_writes": sum(board.stalled for board in boards),
        "asked_again": sum(board.asked_again for board in boards),
        "boards_late_ms_99": at(0.99, late), "boards_late_ms_longest": at(1.0, late),
        "boards_cores": round(processor_s / (time.monotonic() - began_s), 2),
    }  # fmt: skip


def _write_moments(path: Path, boards: Sequence[LoadBoard]) -> None:
    with path.open("w", encoding="ascii") as file:
        for number, board in enumerate(boards):
            file.writelines(f"{number} {' '.join(map(str, one))}\n" for one in board.confirmed)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the boards until told to quit."""
    made = argparse.ArgumentParser(prog="python -m simulators.load_boards")
    made.add_argument("--boards", type=int, default=16)
    made.add_argument("--rate", type=float, default=250.0, help="frames a second of each board")
    made.add_argument("--contact", type=int, default=25, help="readings of one contact")
    made.add_argument("--moments", type=Path, help="write down when each record went where")
    args = made.parse_args(argv)
    boards = [LoadBoard(number, args.contact) for number in range(args.boards)]
    print(json.dumps({"urls": [board.url for board in boards]}), flush=True)  # noqa: T201
    while True:
        _serve(boards, 0.02)
        if not select.select([sys.stdin], [], [], 0)[0]:
            continue
        word, _, rest = sys.stdin.readline().partition(" ")
        if word == "go":
            began_s, used_s = time.monotonic(), time.process_time()
            late_ns = _send_for(boards, args.rate, float(rest))
            until_s = time.monotonic() + _GIVE_UP_S
            while any(board.kept for board in boards) and time.monotonic() < until_s:
                _serve(boards, 0.02)
            used_s = time.process_time() - used_s
            if args.moments is not None:
                _write_moments(args.moments, boards)
            report = _report(boards, late_ns, began_s, used_s)
            print(json.dumps(report), flush=True)  # noqa: T201
        elif word.strip() in ("quit", ""):
            return 0


if __name__ == "__main__":
    sys.exit(main())
