"""Nothing lost that a board still holds, nothing twice: the logger under faults, by the hundred.

::

    python tests/benchmarks/faults.py [--kills 200] [--drops 500] [--resets 100] [--folder FOLDER]

Real: the logger (``lieboard log`` as a process, on a data file on a disk), the board as a process
of its own behind a TCP port or a pseudo-terminal, kill -9 (the operating system lives on: it is the
end of a program, not of the power), closed lines, full disks (a small tmpfs if this may mount one,
else a limit on the size of a file), the lock of another program, two loggers on one file.
Simulated: the board's firmware (`simulators.board`), what happens on it (readings at random
moments), its resets and sagging supply, the bytes that a bad line spoils (`simulators.faults`), and
its clock, 200 ppm off. How a host that slept for an hour comes back is in
``tests/faults/test_sleep.py``: the clocks of this machine cannot be set for one process.

After each fault: every record that the board ever made is in the data file once, but for those that
it lost itself in a reset; no contact is there twice; ``PRAGMA integrity_check`` says ok. What a
reset takes is counted apart. Times are from the end of the fault (the process started, the port
back, the reset) to the first record after it on the disk. Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from fault_bench import PLAYERS, Board, Books, more_than, settle, shop_in, wait

# Few starts of the board, which take records with them: they would be most of what happens.
_MIXTURE = (*["kill"] * 5, *["cut"] * 6, *["silence"] * 4, *["stop"] * 3, "restart", "brown")
# Held on the board at a moment at which all is well: what is just on its way.
_FEW = 3
BAD_LINE = "split=30,merge=0.1,flip=0.0004,lose=0.0003,double=0.0003,garbage=0.02,cut=0.005"


def processor_s(pid: int) -> float:
    """Processor time of a process so far: what a start takes on a machine that is idle."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def spread(times_s: Sequence[float]) -> dict[str, float]:
    ordered = sorted(times_s)
    return {
        "median": round(statistics.median(ordered), 2),
        "95": round(ordered[int(0.95 * (len(ordered) - 1))], 2),
        "longest": round(ordered[-1], 2),
    }


def kills(folder: Path | None, times: int, chance: random.Random) -> dict[str, Any]:
    """End the logger with kill -9, every second time at any moment of its start."""
    with shop_in(folder) as (shop, place), Board(place, 1, "--tcp", "0") as board:
        books, back_s, work_s = Books(), [], []
        parts_s: dict[str, list[float]] = {"port": [], "hello": [], "disk": []}
        for number in range(times):
            before = shop.count(board.id)
            began_s = time.monotonic()
            logger = shop.log(board.url, "--wait", "--player", PLAYERS[0])
            if number % 2:
                time.sleep(chance.uniform(0, 1.2 * back_s[-1]))
            else:
                logging_s = wait(more_than(shop, board, before), "logging again")
                back_s.append(logging_s - began_s)
                work_s.append(processor_s(logger.pid))
                moments = board.tell()["moments"]
                opened_s, heard_s = moments["opened_ns"] / 1e9, moments["heard_ns"] / 1e9
                parts_s["port"].append(opened_s - began_s)
                parts_s["hello"].append(heard_s - opened_s)
                parts_s["disk"].append(logging_s - heard_s)
                time.sleep(chance.uniform(0, 0.3))
            shop.end(logger, signal.SIGKILL)
            books.wrong += shop.check()
        logger = shop.log(board.url, "--wait", "--player", PLAYERS[0])
        settle(shop, [board])
        shop.end(logger)
        books.compare(shop, board)
        return {
            "times": times, "start_to_disk_s": spread(back_s),
            "start_to_port_open_s": spread(parts_s["port"]),
            "port_open_to_first_question_s": spread(parts_s["hello"]),
            "first_question_to_disk_s": spread(parts_s["disk"]),
            "start_to_disk_processor_s": spread(work_s),
        } | books.told()  # fmt: skip


def drops(folder: Path | None, times: int, chance: random.Random) -> dict[str, Any]:
    """Close the line in the middle of a frame."""
    with shop_in(folder) as (shop, place), Board(place, 1, "--tcp", "0") as board:
        books, back_s = Books(), []
        logger = shop.log(board.url, "--wait", "--player", PLAYERS[0])
        wait(more_than(shop, board, 0), "logging")
        for _ in range(times):
            length_s = chance.choice((0.01, 0.05, 0.2, 0.5))
            board.ask(f"cut {length_s}")
            # What was on its way is on the disk by then; what comes after is a new connection's.
            time.sleep(length_s)
            again_s, before = time.monotonic(), shop.count(board.id)
            back_s.append(wait(more_than(shop, board, before), "logging again") - again_s)
            time.sleep(chance.uniform(0, 0.2))
        settle(shop, [board])
        shop.end(logger)
        books.compare(shop, board)
        return {"times": times, "port_back_to_disk_s": spread(back_s)} | books.told()


def resets(folder: Path | None, times: int, chance: random.Random) -> dict[str, Any]:
    """Reset the board, or let its supply sag in the middle of a frame."""
    with shop_in(folder) as (shop, place), Board(place, 1, "--pty") as board:
        books, back_s = Books(), []
        logger = shop.log(board.url, "--wait", "--player", PLAYERS[0])
        wait(more_than(shop, board, 0), "logging")
        for number in range(times):
            if number % 2:
                board.ask("restart cold")
            else:
                length_s = chance.uniform(0.01, 0.2)
                board.ask(f"brown {length_s}")
                time.sleep(length_s)
            again_s, before = time.monotonic(), shop.count(board.id)
            back_s.append(wait(more_than(shop, board, before), "logging again") - again_s)
            time.sleep(chance.uniform(0, 0.2))
        settle(shop, [board])
        shop.end(logger)
        books.compare(shop, board)
        return {"times": times, "reset_to_disk_s": spread(back_s)} | books.told()


def held(board: Board) -> int:
    told = board.tell()
    return int(told["next_sequence"] - told["oldest_kept"])


def mixed(folder: Path | None, times: int, chance: random.Random) -> dict[str, Any]:
    """Two boards on one logger, both on bad lines, and everything at random; SIGSTOP too.

    A board that starts again loses what it held: that is waited out first, so that few records go
    that way. What boards held when a fault came is what the fault put at risk; it is counted.
    """
    with contextlib.ExitStack() as stack:
        shop, place = stack.enter_context(shop_in(folder))
        boards = [
            stack.enter_context(Board(place, number, *line, "--faults", BAD_LINE))
            for number, line in ((1, ("--tcp", "0")), (2, ("--pty",)))
        ]
        asked = [board.url for board in boards]
        asked += [word for player in PLAYERS for word in ("--player", player)]
        books, done, at_risk = Books(), Counter[str](), Counter[str]()
        fetched_s = [0.0]
        logger = shop.log(*asked)
        for _ in range(times):
            fault = chance.choice(_MIXTURE)
            board = chance.choice(boards)
            if fault in ("restart", "brown"):
                began_s = time.monotonic()
                try:
                    few_s = wait(lambda b=board: held(b) <= _FEW, "few records held", 20)  # type: ignore[misc]
                    fetched_s.append(few_s - began_s)
                except TimeoutError:
                    books.wrong.append(f"{board.id}: {held(board)} records not fetched in 20 s")
            done[fault] += 1
            at_risk[fault] += sum(map(held, boards if fault in ("kill", "stop") else [board]))
            if fault == "kill":
                shop.end(logger, signal.SIGKILL)
                books.wrong += shop.check()
                logger = shop.log(*asked)
            elif fault == "stop":
                logger.send_signal(signal.SIGSTOP)
                time.sleep(chance.uniform(0.2, 1.0))
                logger.send_signal(signal.SIGCONT)
            else:
                longest_s = 0.1 if fault == "brown" else 0.5
                length_s = f"{chance.uniform(0.01, longest_s):.3f}"
                board.ask(f"{fault} {'cold' if fault == 'restart' else length_s}")
            time.sleep(chance.uniform(0, 1.0))
        settle(shop, boards)
        shop.end(logger)
        for board in boards:
            books.compare(shop, board)
        return {
            "times": dict(done), "held_by_boards_then": dict(at_risk),
            "all_but_a_few_fetched_s": spread(fetched_s),
        } | books.told()  # fmt: skip


def two_loggers(folder: Path | None, seconds: float) -> dict[str, Any]:
    """Two loggers on one data file, each with a board and a player of its own."""
    with contextlib.ExitStack() as stack:
        shop, place = stack.enter_context(shop_in(folder))
        boards = [stack.enter_context(Board(place, n, "--tcp", "0")) for n in (1, 2)]
        loggers = [
            shop.log(board.url, "--player", player)
            for board, player in zip(boards, PLAYERS, strict=True)
        ]
        time.sleep(seconds)
        settle(shop, boards)
        books = Books()
        for logger in loggers:
            if said := shop.end(logger):
                books.wrong.append(said)
        for board in boards:
            books.compare(shop, board)
        return {"seconds": seconds} | books.told()


def refused(
    folder: Path | None, way: str, *, rate_hz: float = 100.0, burst: int = 8000
) -> dict[str, Any]:
    """Take the data file from a logger that runs, in one way; it ends, and the next goes on."""
    with contextlib.ExitStack() as stack:
        place: Path | None = folder
        if way == "full disk (tmpfs)":
            place = stack.enter_context(small_disk())
        shop, inside = stack.enter_context(shop_in(place))
        truth = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=folder)))
        board = stack.enter_context(Board(truth, 1, "--tcp", "0", rate_hz=rate_hz))
        books = Books()
        largest = 700_000 if way == "file too large" else None
        logger = shop.log(board.url, "--player", PLAYERS[0], largest_file=largest)
        wait(more_than(shop, board, 20), "logging")
        give_back: Callable[[], object] = lambda: None  # noqa: E731
        if way == "locked":
            other = sqlite3.connect(shop.db, isolation_level=None)
            other.execute("BEGIN IMMEDIATE")
            give_back = other.close
        elif way == "full disk (tmpfs)":
            filler = inside / "filler"
            with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
                while True:
                    file.write(bytes(4096))
            give_back = filler.unlink
        elif way == "file too large":
            board.ask(f"burst {burst}")
        said = shop.wait_for_end(logger)
        code = logger.returncode
        give_back()
        if code != 4 or said.count("\n") != 1:
            books.wrong.append(f"{way}: exit {code}: {said[-300:]}")
        if way != "full disk (tmpfs)":
            books.wrong += shop.check()
        logger = shop.log(board.url, "--player", PLAYERS[0])
        settle(shop, [board])
        shop.end(logger)
        books.compare(shop, board)
        return {"said": said.strip().replace(str(shop.db), "FILE")} | books.told()


@contextlib.contextmanager
def small_disk() -> Iterator[Path]:
    """A disk of 6 MB; OSError if this may not mount one."""
    with tempfile.TemporaryDirectory() as place:
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", place],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            raise OSError(done.stderr.strip())
        try:
            yield Path(place)
        finally:
            subprocess.run(["umount", place], check=True)


def main() -> None:
    made = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    made.add_argument("--kills", type=int, default=200)
    made.add_argument("--drops", type=int, default=500)
    made.add_argument("--resets", type=int, default=100)
    made.add_argument("--mixed", type=int, default=100)
    made.add_argument("--only", nargs="*", metavar="PART", help="kills, drops, resets, ...")
    made.add_argument("--seed", type=int, default=7)
    made.add_argument("--folder", type=Path, default=None, help="where the data files go")
    args = made.parse_args()
    chance = random.Random(args.seed)
    found: dict[str, Any] = {"cores": os.cpu_count(), "seed": args.seed}
    parts: list[tuple[str, Callable[[], dict[str, Any]]]] = [
        ("kills", lambda: kills(args.folder, args.kills, chance)),
        ("drops", lambda: drops(args.folder, args.drops, chance)),
        ("resets", lambda: resets(args.folder, args.resets, chance)),
        ("mixed", lambda: mixed(args.folder, args.mixed, chance)),
        ("two_loggers_on_one_file", lambda: two_loggers(args.folder, 20.0)),
    ]
    for way in ("locked", "file too large", "full disk (tmpfs)"):
        parts.append((way, lambda way=way: refused(args.folder, way)))  # type: ignore[misc]
    for name, part in parts:
        if args.only and name not in args.only:
            continue
        try:
            found[name] = part()
        except OSError as error:
            found[name] = f"not done: {error}"
        print(name, json.dumps(found[name]), file=sys.stderr, flush=True)
    whole = [one for one in found.values() if isinstance(one, dict)]
    for key in ("lost", "doubled", "invented"):
        found[f"{key}_in_all"] = sum(one[key] for one in whole)
    found["load_average_then"] = [round(load, 1) for load in os.getloadavg()]
    print(json.dumps(found))


if __name__ == "__main__":
    main()
