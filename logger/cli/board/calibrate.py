"""``lieboard board calibrate``: gain and offset of each cell, from a bar drawn along the strip."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import DbOption, local_time, open_store, output

if TYPE_CHECKING:
    from rich.table import Table

    from analysis.board.cell_calibration import CellCalibration
    from logger.bench.drawing import Drawn


def calibrate(
    port: Annotated[
        str, typer.Argument(help="As for 'lieboard log', or capture:FILE to play a recording.")
    ],
    passes: Annotated[int, typer.Option(help="Passes in each direction; 2 or more.")] = 3,
    order: Annotated[
        str | None,
        typer.Option(help="Only of a capture: which way each pass went, such as +-+-."),
    ] = None,
    wait: Annotated[float, typer.Option(help="Seconds to wait for a pass.")] = 60.0,
    baud: Annotated[int, typer.Option(help="Baud rate of a serial port.")] = 115_200,
    accept: Annotated[
        bool, typer.Option("--accept", help="Agree to a board that was never used: it is yours.")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show it, keep nothing.")] = False,
    db: DbOption = None,
) -> int:
    """Calibrate the cells: draw a weighted bar along the strip, there and back.

    A bar or tube laid across the strip, the same weight on it all the way, drawn evenly from beyond
    one end to beyond the other. Turn it end for end half-way through. What is struck from then on
    is read with the gains that this finds; raw records stay as they came.

    Examples: lieboard board calibrate /dev/ttyACM0; lieboard board calibrate capture:bar.cap
    --order +-+-
    """
    import asyncio

    from analysis.answers import NoAnswerError, Verdict
    from analysis.board.cell_calibration import calibrate_cells
    from analysis.board.check import roller_findings, worst
    from logger.bench.connection import open_bench
    from logger.bench.drawing import BarDrawing, read_order
    from logger.cli.board.first_use import on_the_bench
    from logger.cli.board.tables import findings_table
    from logger.errors import LieboardError, UsageError
    from logger.session.logging.cell_calibration import (
        CELL_CALIBRATION_KIND,
        CELL_CALIBRATION_METHOD,
    )

    if passes < 2:
        raise UsageError(f"--passes {passes}: two in each direction are the least")
    if order is not None and not port.startswith("capture:"):
        raise UsageError("--order is for captures: a live run says which way to draw")
    ways = [] if order is None else read_order(order)

    async def collect(url: str, agree: bool) -> tuple[Drawn, int, str, int]:
        async with open_bench(store, url, baud, accept=agree) as bench:
            drawn = await BarDrawing(bench, passes, wait, typer.echo).run(ways)
            assert bench.recorder.boot_row is not None
            assert bench.identity is not None
            return drawn, bench.recorder.boot_row, bench.identity.name, bench.clock.utc_ns()

    console = output()
    with open_store(db) as store:
        drawn, boot, name, at_utc_ns = on_the_bench(
            store, port, accept=accept, run=lambda url, agree: asyncio.run(collect(url, agree))
        )
        hello = drawn.hello
        made = datetime.datetime.fromtimestamp(at_utc_ns / 1e9, tz=datetime.UTC)
        try:
            calibration = calibrate_cells(
                drawn.passes,
                pitch_mm=hello.pitch_um / 1000,
                full_scale=hello.full_scale,
                made=made.isoformat(timespec="seconds"),
            )
        except NoAnswerError as reason:
            findings = roller_findings(drawn.passes, None, full_scale=hello.full_scale)
            console.print(findings_table(findings))
            raise LieboardError(f"{name}: the cells could not be calibrated: {reason}") from None
        findings = roller_findings(drawn.passes, calibration, full_scale=hello.full_scale)
        console.print(_cell_table(calibration))
        amiss = [f for f in findings if f.verdict is not Verdict.PASS]
        if amiss:
            console.print(findings_table(amiss))
        if dry_run:
            console.print(f"{name}: nothing was kept (--dry-run)")
        else:
            board = store.boards.of_boot(boot)
            store.calibrations.add(
                board.id,
                CELL_CALIBRATION_KIND,
                calibration.to_json(),
                from_utc_ns=at_utc_ns,
                method_version=CELL_CALIBRATION_METHOD,
            )
            console.print(
                f"{name}: calibrated from {calibration.passes_used} passes; what is struck from "
                f"{local_time(at_utc_ns)} on is read with it"
            )
    return 1 if worst(findings) is Verdict.FAIL else 0


def even(
    words: Annotated[list[str] | None, typer.Argument(hidden=True)] = None,
) -> int:
    """Say what this command is called now."""
    from logger.errors import UsageError

    raise UsageError("'lieboard board even' is now 'lieboard board calibrate'")


def _cell_table(calibration: CellCalibration) -> Table:
    from rich.table import Table

    table = Table("cell", box=None)
    for heading in ("gain", "±", "rest", "noise", "there-back %"):
        table.add_column(heading, justify="right")
    table.add_column("state")
    for row, words in enumerate(calibration.state):
        for cell, word in enumerate(words):
            lag = calibration.hysteresis[row][cell]
            table.add_row(
                f"{row}:{cell}" if len(calibration.state) > 1 else str(cell),
                _shown(calibration.gain[row][cell], 3),
                _shown(calibration.u_gain[row][cell], 3),
                _shown(calibration.offset_counts[row][cell], 1),
                _shown(calibration.noise_counts[row][cell], 1),
                _shown(None if lag is None else 100 * lag, 1),
                word,
            )
    return table


def _shown(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"
