"""``lieboard board rock``: the camber of a sole, from rocking the head at known angles."""

from __future__ import annotations

import asyncio
import re
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import DbOption, InchesOption, open_store, output, say, utc_now_ns

if TYPE_CHECKING:
    from analysis.board.camber import MeasuredCamber
    from logger.store.store import Store


_SOURCE = "rocked on the board"
_ANGLES = ("angle_deg", "angle", "inclinometer_deg")
_TOES = ("toe_mm", "contact_mm", "contact", "toe")
_PLACES = ("board_mm", "board")


def rock(
    source: Annotated[
        str,
        typer.Argument(
            help="A CSV file with columns angle_deg and toe_mm (or board_mm); a board's port; or "
            "- to type pairs."
        ),
    ],
    save: Annotated[
        str | None, typer.Option(help="Keep the camber as this club's, from today on.")
    ] = None,
    player: Annotated[str | None, typer.Option(help="Whose club.")] = None,
    set_name: Annotated[str | None, typer.Option("--set", help="Of which set.")] = None,
    step: Annotated[float, typer.Option(help="One step of the inclinometer's display, °.")] = 0.1,
    level_u: Annotated[
        float, typer.Option(help="How well board and inclinometer agree on level, ° (one sigma).")
    ] = 0.1,
    middle: Annotated[
        float, typer.Option(help="Where the sole's middle stands on the board, mm.")
    ] = 0.0,
    middle_u: Annotated[float, typer.Option(help="How well that is known, mm (one sigma).")] = 1.0,
    left: Annotated[bool, typer.Option("--left", help="A left-hander's club.")] = False,
    wait: Annotated[float, typer.Option(help="Seconds to wait for the head on the board.")] = 60.0,
    baud: Annotated[int, typer.Option(help="Baud rate of a serial port.")] = 115_200,
    inches: InchesOption = False,
    db: DbOption = None,
) -> None:
    """Find a sole's camber: rock the head on the board, read angle and contact at each stop.

    Eight stops over 6 degrees or more, on both sides of where the sole stands on its middle. More
    upright (toe up) is a greater angle. The head rolls and must not slide.

    Examples: lieboard board rock rocked.csv --save 7i; lieboard board rock /dev/ttyACM0
    """
    from analysis.answers import NoAnswerError
    from analysis.board.camber import fit_camber
    from logger.errors import LieboardError, UsageError

    if step < 0 or level_u < 0 or middle_u < 0:
        raise UsageError("--step, --level-u and --middle-u are 0 or more")
    if source == "-":
        angles, toes = _typed()
    elif Path(source).suffix.lower() in (".csv", ".tsv", ".txt"):
        angles, toes = _from_file(Path(source), middle, left)
    else:
        angles, toes = _from_board(source, baud, wait, middle, left, db)
    try:
        camber = fit_camber(
            angles,
            toes,
            resolution_deg=step,
            u_level_deg=level_u,
            u_middle_mm=middle_u,
        )
    except NoAnswerError as reason:
        raise LieboardError(f"{source}: {reason}") from None
    _show(camber, inches=inches)
    if save is not None:
        with open_store(db) as store:
            _keep(store, camber, save, player, set_name)


def _typed() -> tuple[list[float], list[float]]:
    from logger.errors import UsageError

    typer.echo("Type an angle and the contact in mm toward the toe, one pair a line; Enter ends.")
    angles, toes = [], []
    for line in iter(_typed_line, ""):
        parts = re.split(r"[\s;]+|,(?=\s)", line.strip())
        try:
            angle, toe = (float(part.replace(",", ".")) for part in parts)
        except ValueError:
            raise UsageError(f"{line.strip()!r}: type two numbers, such as 61.5 -3.2") from None
        angles.append(angle)
        toes.append(toe)
    return angles, toes


def _typed_line() -> str:
    try:
        return input().strip()
    except EOFError:
        return ""


def _from_file(path: Path, middle_mm: float, left: bool) -> tuple[list[float], list[float]]:
    from logger.cli.board.tables import read_table
    from logger.errors import ConfigError

    table = read_table(path, {"angle_deg": _ANGLES, "toe_mm?": _TOES, "board_mm?": _PLACES})
    if "toe_mm" in table.columns:
        return table.numbers("angle_deg"), table.numbers("toe_mm")
    if "board_mm" in table.columns:
        toes = [_toe(place, middle_mm, left) for place in table.numbers("board_mm")]
        return table.numbers("angle_deg"), toes
    raise ConfigError(f"{path}: there is no column toe_mm (or board_mm) with the contacts")


def _from_board(
    url: str, baud: int, wait_s: float, middle_mm: float, left: bool, db: Path | None
) -> tuple[list[float], list[float]]:
    import asyncio

    from logger.bench.connection import open_bench
    from logger.bench.rocking import Rested, Rocking
    from logger.cli.board.first_use import on_the_bench
    from logger.cli.board.rock import TypedLines
    from logger.errors import UsageError
    from logger.session.logging.cell_calibration import calibrations_of

    async def collect(port: str, agree: bool) -> list[Rested]:
        async with open_bench(store, port, baud, accept=agree) as bench:
            await bench.require_greeting(20.0, typer.echo)
            lines = TypedLines()

            async def ask() -> float | None:
                typer.echo("Angle on the inclinometer, ° (Enter alone: enough)")
                while True:
                    text = await lines.next()
                    if not text:
                        return None
                    try:
                        return float(text.replace(",", ".").rstrip("°"))
                    except ValueError:
                        say(f"{text!r} is not an angle; type it again")

            assert bench.recorder.boot_row is not None
            calibrations = calibrations_of(store, bench.recorder.boot_row)
            return await Rocking(bench, ask, wait_s, typer.echo, calibrations).run()

    if url.startswith("capture:"):
        raise UsageError("a capture does not know the angles; put pairs into a CSV file")
    with open_store(db) as store:
        rests = on_the_bench(
            store, url, accept=False, run=lambda port, agree: asyncio.run(collect(port, agree))
        )
    return [r.angle_deg for r in rests], [_toe(r.board_mm, middle_mm, left) for r in rests]


def _toe(board_mm: float, middle_mm: float, left: bool) -> float:
    from analysis.conventions import Hand, toe_from_board

    return float(toe_from_board(board_mm, Hand.LEFT if left else Hand.RIGHT, middle_mm))


def _show(camber: MeasuredCamber, *, inches: bool) -> None:
    from logger.setfiles.units import inches_from_mm

    def length(mm: float) -> str:
        return f"{inches_from_mm(mm):.2f} in" if inches else f"{mm:.0f} mm"

    console = output()
    low, high = camber.interval_mm(0.90)
    per_degree_mm = camber.camber_mm * 0.017453292519943295
    console.print(
        f"camber R = {length(camber.camber_mm)} ± {length(camber.u_camber_mm)} "
        f"(90 % {length(low)} to {length(high)}), {per_degree_mm:.1f} mm of mark per degree"
    )
    console.print(
        f"the sole stands on its middle at {camber.zero_deg:.2f}° ± {camber.u_zero_deg:.2f}° on "
        "this inclinometer"
    )
    console.print(
        f"{camber.points} stops, contacts within {camber.residual_sd_mm:.1f} mm of a line"
    )
    console.print(camber.shape.words)
    for remark in camber.remarks:
        console.print(f"Look at this: {remark}.")


def _keep(
    store: Store, camber: MeasuredCamber, label: str, player: str | None, set_name: str | None
) -> None:
    from logger.errors import UsageError
    from logger.setfiles.clubs import ClubSpec

    own = store.sets.get(_which_set(store, player, set_name))
    clubs = [club for club in own.clubs if club.label.casefold() == label.casefold()]
    if not clubs:
        known = " ".join(club.label for club in own.clubs)
        raise UsageError(f"there is no club {label} in the set {own.name}: it has {known}")
    spec = ClubSpec(camber_mm=round(camber.camber_mm, 1), camber_u_mm=round(camber.u_camber_mm, 1))
    store.clubs.add_spec(clubs[0].id, spec, at_utc_ns=utc_now_ns(), source=_SOURCE)
    output().print(f"kept as the camber of {own.player.name}'s {clubs[0].label}, from today on")


def _which_set(store: Store, player: str | None, set_name: str | None) -> int:
    from logger.errors import UsageError

    if player is not None:
        return store.sets.find(player, set_name)
    every = [s for s in store.sets.all() if set_name in (None, s.name)]
    if len(every) != 1:
        known = ", ".join(f"{s.player} ({s.name})" for s in every) or "none is stored yet"
        raise UsageError(f"say which set with --player and --set: {known}")
    return every[0].id


class TypedLines:
    """Standard input, line by line, on the event loop.

    A thread that ends with the program reads it: nobody can take back a read from a terminal.
    """

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._lines: asyncio.Queue[str] = asyncio.Queue()
        threading.Thread(target=self._read, name="typed lines", daemon=True).start()

    async def next(self) -> str:
        """Wait for the next line; empty for Enter alone, and from the end of the input on."""
        return await self._lines.get()

    def _read(self) -> None:
        while True:
            line = sys.stdin.readline()
            try:
                self._loop.call_soon_threadsafe(self._lines.put_nowait, line.strip())
            except RuntimeError:
                # The loop is over: nobody waits for this any more.
                return
            if not line:
                return
