"""``python -m simulators``: a player at a board that is not there."""

from __future__ import annotations

import argparse
import asyncio
import os
import stat
import sys
from collections.abc import Sequence
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from simulators.ble_board import parse_ble
from simulators.board_options import BoardOptions
from simulators.clubs import Club, default_set
from simulators.contacts import Event
from simulators.faults import parse_spec, spec_help
from simulators.player import Player, schedule
from simulators.script import ScriptError, read_script
from simulators.serial_board import Runner, RunOptions
from simulators.sole import Grid
from simulators.strip import CellFaults, Scanning

FORMS = {
    "binary": "scans",
    "readings": "readings",
    "stream": "stream",
    "text": "text",
    "bare-text": "text",
}


def parser() -> argparse.ArgumentParser:
    """Describe the command line."""
    made = argparse.ArgumentParser(
        prog="python -m simulators", description="A player at a board that is not there."
    )
    line = made.add_argument_group("line")
    where = line.add_mutually_exclusive_group()
    where.add_argument("--pty", action="store_true", help="behind a pseudo-terminal (default)")
    where.add_argument("--tcp", type=int, metavar="PORT", help="behind a TCP port; 0 = a free one")
    where.add_argument("--ble", nargs="?", const="", metavar="SPEC",
                       help="behind Bluetooth LE on a message bus of its own (Linux); SPEC such "
                       "as mtu=23,acquire=no,twins=1")  # fmt: skip
    line.add_argument("--faults", default="", metavar="SPEC", help=spec_help().replace("%", "%%"))
    line.add_argument("--wait-for-host", action=argparse.BooleanOptionalAction, default=True,
                      help="swing only once a host has said hello; text: is there")  # fmt: skip
    line.add_argument("--end", choices=("quiet", "exit"), default="quiet",
                      help="after the last club: keep answering, or end")  # fmt: skip
    line.add_argument("--stdin", action="store_true",
                      help="obey requests on standard input, and end with it")  # fmt: skip
    line.add_argument("--parent-pid", type=int, metavar="PID", help="end when this process is gone")

    who = made.add_argument_group("player")
    who.add_argument("--seed", type=int, default=0, help="all chance comes from it")
    who.add_argument("--pace", type=float, default=20.0, metavar="SECONDS",
                     help="real time from one swing to the next; 0.2 for a quick show")  # fmt: skip
    who.add_argument("--strikes-per-club", type=int, default=10, metavar="N")
    who.add_argument("--clubs", metavar="LABELS", help="such as 4i,7i,PW (default: all eight)")
    who.add_argument("--left-handed", action="store_true")
    who.add_argument("--only-strikes", action="store_true",
                     help="no waggles, no feet, no bounces")  # fmt: skip
    who.add_argument("--noise-only", action="store_true", help="nobody swings")
    who.add_argument("--next-switch", action=argparse.BooleanOptionalAction, default=True,
                     help="press the foot switch after each club")  # fmt: skip
    who.add_argument("--script", type=Path, metavar="FILE.json",
                     help="play these contacts and no player")  # fmt: skip
    who.add_argument("--truth", type=Path, metavar="FILE",
                     help="write what really happened as JSON lines")  # fmt: skip

    what = made.add_argument_group("board")
    what.add_argument("--form", choices=FORMS, default="binary")
    what.add_argument("--rows", type=int, default=1)
    what.add_argument("--cells", type=int, default=32)
    what.add_argument("--pitch", type=float, default=4.0, metavar="MM")
    what.add_argument("--scan-order", type=int, choices=(0, 1, 2), default=0)
    what.add_argument("--trigger", type=int, default=40, metavar="COUNTS")
    what.add_argument("--capacity", type=int, default=64, metavar="RECORDS",
                      help="records kept until confirmed")  # fmt: skip
    what.add_argument("--boot", type=int, metavar="ID", help="boot id (default: random)")
    what.add_argument("--board-id", default="4c4200005a110001", metavar="HEX")
    what.add_argument("--name", default="simulated")
    what.add_argument("--battery", action="store_true", help="runs on a battery")
    what.add_argument("--tick-hz", type=int, default=1_000_000)
    what.add_argument("--ppm", type=float, default=18.0, help="error of the board's clock")
    what.add_argument("--start-ticks", type=int, default=0,
                      help="ticks at power-up; 4290000000 shows the wrap soon")  # fmt: skip
    what.add_argument("--cell-faults", default="", metavar="SPEC",
                      help="comma-separated name=value of: "
                      + ", ".join(f.name for f in fields(CellFaults))
                      + "; cells as 3+17; none = an ideal strip")  # fmt: skip
    return made


def cell_faults(spec: str) -> CellFaults:
    """Read ``--cell-faults``; ValueError names what cannot be read."""
    faults = CellFaults()
    for part in filter(None, (p.strip() for p in spec.split(","))):
        if part == "none":
            faults = CellFaults.none(noise_counts=faults.noise_counts)
            continue
        name, _, value = part.partition("=")
        known = {f.name: getattr(faults, f.name) for f in fields(CellFaults)}
        if name not in known:
            raise ValueError(f"cells have no {name!r}; they have {', '.join(known)}")
        made: Any
        try:
            if isinstance(known[name], tuple):
                made = tuple(int(cell) for cell in value.split("+"))
            elif isinstance(known[name], bool):
                made = {"yes": True, "no": False}[value]
            else:
                made = float(value)
        except (ValueError, KeyError):
            raise ValueError(f"cannot read {part!r}; write {_example(known[name])}") from None
        faults = replace(faults, **{name: made})
    return faults


def _example(kind: object) -> str:
    if isinstance(kind, bool):
        return "yes or no"
    return "cells as 3+17" if isinstance(kind, tuple) else "a number"


def board_options(args: argparse.Namespace) -> BoardOptions:
    """Make the board that was asked for; ValueError says what is wrong with it."""
    boot_id = args.boot
    if boot_id is None:
        # Not from the seed: two runs are two boots, and must not look like one.
        boot_id = int.from_bytes(os.urandom(4), "little")
    options = BoardOptions(
        form=FORMS[args.form], bare_text=args.form == "bare-text",
        grid=Grid(rows=args.rows, cells=args.cells, pitch_mm=args.pitch),
        scanning=Scanning(scan_order=args.scan_order), faults=cell_faults(args.cell_faults),
        board_id=bytes.fromhex(args.board_id), boot_id=boot_id, name=args.name,
        tick_hz=args.tick_hz, tick_error_ppm=args.ppm, first_ticks=args.start_ticks % 2**32,
        trigger_level=args.trigger, capacity=args.capacity, foot_switch=args.next_switch,
        battery=args.battery,
    )  # fmt: skip
    cells = args.rows * args.cells
    for cell in (*options.faults.dead_cells, *options.faults.stuck_cells):
        if not 0 <= cell < cells:
            raise ValueError(f"there is no cell {cell}; cells are 0 to {cells - 1}")
    return options


def choose_clubs(labels: str | None) -> tuple[Club, ...]:
    """Pick clubs of the invented set, in the order asked for."""
    clubs = default_set()
    if labels is None:
        return clubs
    known = {club.label: club for club in clubs}
    asked = [label.strip() for label in labels.split(",") if label.strip()]
    for label in asked:
        if label not in known:
            raise ValueError(f"there is no club {label!r}; there are {', '.join(known)}")
    return tuple(known[label] for label in asked)


def make_events(
    args: argparse.Namespace, clubs: Sequence[Club], player: Player, rng: np.random.Generator
) -> list[Event]:
    """Make the schedule that was asked for."""
    pace_ns = int(args.pace * 1e9)
    if args.noise_only:
        return []
    if args.script is not None:
        return read_script(args.script, pace_ns=pace_ns, hand=player.hand)
    return schedule(rng, player, clubs, args.strikes_per_club, pace_ns=pace_ns,
                    press_next=args.next_switch)  # fmt: skip


def say(line: str) -> None:
    """One line to whoever started this."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main(argv: Sequence[str] | None = None) -> int:
    """Run a board until told to stop; returns the exit code."""
    made = parser()
    args = made.parse_args(argv)
    if args.pace <= 0.02:
        made.error("--pace must be more than 0.02 seconds: a strike needs its own time")
    if args.stdin and not _can_be_watched():
        made.error("--stdin needs a pipe or a terminal on standard input")
    # Two streams, so that the same seed makes the same swings whatever the board draws.
    swings, chance = (np.random.default_rng([args.seed, stream]) for stream in (0, 1))
    hand = -1 if args.left_handed else 1
    player = Player.only_strikes(hand) if args.only_strikes else Player(hand=hand)
    try:
        board = board_options(args)
        clubs = choose_clubs(args.clubs)
        events = make_events(args, clubs, player, swings)
        faults, timing = parse_spec(args.faults, chance)
        ble = None if args.ble is None else parse_ble(args.ble)
    except (ScriptError, ValueError, OSError) as error:
        made.error(str(error))
    scene = {
        "seed": args.seed, "player": asdict(player), "clubs": [asdict(club) for club in clubs],
        "boot_id": board.boot_id, "board_id": board.board_id.hex(),
    }  # fmt: skip
    run = RunOptions(
        ble=ble, tcp_port=args.tcp, wait_for_host=args.wait_for_host,
        exit_at_end=args.end == "exit", parent_pid=args.parent_pid, obey_stdin=args.stdin,
        truth_file=args.truth, scene=scene, timing=timing, faults=faults, hand=hand,
    )  # fmt: skip
    try:
        return asyncio.run(_run(board, events, run, chance))
    except OSError as error:
        sys.stderr.write(f"{made.prog}: {error}\n")
        return 1


async def _run(
    board: BoardOptions, events: Sequence[Event], run: RunOptions, rng: np.random.Generator
) -> int:
    return await Runner(board, events, run, rng, say).run()


def _can_be_watched() -> bool:
    mode = os.fstat(sys.stdin.fileno()).st_mode
    return stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode) or sys.stdin.isatty()


if __name__ == "__main__":
    raise SystemExit(main())
