"""What can stand behind ``lieboard log``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from logger.cli.common import DbOption
from logger.cli.page_options import USUAL_PORT, LetInOption, PagePortOption, ShareOption


@dataclass(frozen=True, slots=True)
class LogOptions:
    """Options of ``lieboard log``, as typer reads them."""

    ports: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="PORT",
            help="Serial port, ble://NAME or ble://BOARD-ID, socket://HOST:PORT, "
            "rfc2217://HOST:PORT, or capture:FILE to play a recording. Several: one bay each.",
        ),
    ] = None
    players: Annotated[
        list[str] | None,
        typer.Option("--player", help="Whose set; with several ports one for each, in order."),
    ] = None
    sets: Annotated[list[str] | None, typer.Option("--set", help="Which set; as --player.")] = None
    clubs: Annotated[
        list[str] | None,
        typer.Option("--club", help="Club to begin with, else the pivot; as --player."),
    ] = None
    bays: Annotated[
        Path | None,
        typer.Option(
            "--bays",
            help="TOML file: a [[bay]] for each, with port, player, and set, club, stance_mm, ...",
        ),
    ] = None
    baud: Annotated[int, typer.Option(help="Baud rate of a serial port.")] = 115_200
    stance: Annotated[
        float | None,
        typer.Option(
            help="How much lower the feet stand than the board's surface, mm; left out, it is "
            "asked for at a terminal, else not known, and no club is bent by its level."
        ),
    ] = None
    stance_u: Annotated[float, typer.Option(help="How well that is known, mm (one sigma).")] = 1.5
    sole_middle: Annotated[
        float | None, typer.Option(help="Address mark: mm from the strip's middle, board's sign.")
    ] = None
    sole_middle_u: Annotated[
        float, typer.Option(help="How far delivery may stray from it on average, mm (one sigma).")
    ] = 10.0
    ball: Annotated[bool, typer.Option("--ball/--no-ball", help="Hitting a ball?")] = True
    surface: Annotated[str | None, typer.Option(help="What the board lies on.")] = None
    left: Annotated[bool, typer.Option("--left", help="Left-handed swings today.")] = False
    trigger: Annotated[
        int | None, typer.Option(help="Set the board's trigger, counts.", min=0, max=65535)
    ] = None
    capture: Annotated[
        Path | None, typer.Option(help="Also record every byte to this new file.")
    ] = None
    new: Annotated[
        bool, typer.Option("--new", help="Begin another session, do not resume the open one.")
    ] = False
    wait: Annotated[bool, typer.Option("--wait", help="Wait for a port not there yet.")] = False
    pair: Annotated[
        bool, typer.Option("--pair", help="Bluetooth LE: pair first; hold the board's button.")
    ] = False
    accept: Annotated[
        bool, typer.Option("--accept", help="Use a board never used with this data file.")
    ] = False
    page: Annotated[
        bool, typer.Option("--page", help="Also show the session live in the browser.")
    ] = False
    page_port: PagePortOption = USUAL_PORT
    share: ShareOption = False
    let_in: LetInOption = False
    db: DbOption = None
