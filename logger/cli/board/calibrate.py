"""``lieboard board calibrate``: gain and offset of each cell, from a bar drawn along the strip."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import DbOption, local_time, open_store, output, say

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
    load: Annotated[
        list[str] | None,
        typer.Option(
            help="What lies on the bar, bar included, such as 2kg; once for each of two or more "
            "loads: then the strip's response law is found too."
        ),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show it, keep nothing.")] = False,
    db: DbOption = None,
) -> int:
    """Calibrate the cells: draw a weighted bar along the strip, there and back.

    A bar or tube laid across the strip, the same weight on it all the way, drawn evenly from beyond
    one end to beyond the other. Turn it end for end half-way through. What is struck from then on
    is read with the gains that this finds; raw records stay as they came. With two loads or more
    it also finds how far readings fall behind the load (see 'lieboard board law').

    Examples: lieboard board calibrate /dev/ttyACM0; lieboard board calibrate capture:bar.cap
    --order +-+-
    """
    import asyncio

    from analysis.answers import NoAnswerError, Verdict
    from analysis.board.cell_calibration import calibrate_cells
    from analysis.board.check import roller_findings, worst
    from analysis.board.response_law import law_from_passes, straightened
    from logger.bench.connection import open_bench
    from logger.bench.drawing import BarDrawing, joined, read_order
    from logger.cli.board.first_use import on_the_bench
    from logger.cli.board.tables import findings_table
    from logger.errors import LieboardError, UsageError
    from logger.session.logging.cell_calibration import (
        CELL_CALIBRATION_KIND,
        CELL_CALIBRATION_METHOD,
        keep_law,
        laws_of,
    )

    loads = [read_load(text) for text in load or ()]
    if len(loads) == 1:
        raise UsageError(
            "--load: one load tells no law; give a second, half as heavy again or more"
        )
    if passes < 2:
        raise UsageError(f"--passes {passes}: two in each direction are the least")
    if order is not None and not port.startswith("capture:"):
        raise UsageError("--order is for captures: a live run says which way to draw")
    ways = [] if order is None else read_order(order)

    async def collect(url: str, agree: bool) -> tuple[Drawn, int, str, int]:
        async with open_bench(store, url, baud, accept=agree) as bench:
            drawing = BarDrawing(bench, passes, wait, typer.echo)
            if not loads or port.startswith("capture:"):
                drawn = await drawing.run(ways)
            else:
                for text, weight in zip(load or (), loads, strict=True):
                    say(f"Now with {text} on the bar:")
                    own = await drawing.run()
                    of_pass.extend([weight] * len(own.passes))
                    drawn = own if not of_pass[: -len(own.passes)] else joined(drawn, own)
            assert bench.recorder.boot_row is not None
            assert bench.identity is not None
            return drawn, bench.recorder.boot_row, bench.identity.name, bench.clock.utc_ns()

    console = output()
    of_pass: list[float] = []
    with open_store(db) as store:
        drawn, boot, name, at_utc_ns = on_the_bench(
            store, port, accept=accept, run=lambda url, agree: asyncio.run(collect(url, agree))
        )
        hello = drawn.hello
        made = datetime.datetime.fromtimestamp(at_utc_ns / 1e9, tz=datetime.UTC)
        board = store.boards.of_boot(boot)
        pitch_mm = hello.pitch_um / 1000
        law = laws_of(store, boot, hello).at(at_utc_ns)
        try:
            if loads:
                if not of_pass:
                    of_pass = each_load(loads, len(drawn.passes))
                law = law_from_passes(
                    drawn.passes, of_pass, pitch_mm=pitch_mm, full_scale=hello.full_scale
                )
                console.print(f"{name}: {law.words}")
            known, top = drawn.passes, hello.full_scale
            if law.is_known:
                straight = [straightened(one, law, hello.full_scale) for one in drawn.passes]
                known, top = [one for one, _ in straight], max(full for _, full in straight)
            calibration = calibrate_cells(
                known,
                pitch_mm=pitch_mm,
                full_scale=top,
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
            if loads:
                keep_law(store, board.id, law, at_utc_ns)
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


def law(
    board: Annotated[str, typer.Argument(help="Name or number of a board ('lieboard boards').")],
    circuit: Annotated[
        str | None, typer.Argument(help="divider, amplifier or unknown; left out: what is known.")
    ] = None,
    supply_over_reference: Annotated[
        float, typer.Option(help="Where the converter's reference is not the supply.")
    ] = 1.0,
    db: DbOption = None,
) -> None:
    """Say how a board reads its film: over a resistor (divider), or by an amplifier.

    Over a resistor a cell pressed twice as hard reads less than twice as much. A board whose
    *hello* says it needs nothing; of others, say it once. What is struck from now on is read with
    it. Known to neither, lie errors carry the doubt.

    Examples: lieboard board law 1 divider; lieboard board law "strip one" amplifier
    """
    from analysis.board.response_law import OF_CIRCUIT, Circuit
    from logger.cli.common import utc_now_ns
    from logger.errors import UsageError
    from logger.session.logging.cell_calibration import keep_law, law_now

    with open_store(db) as store:
        found = [b for b in store.boards.all() if board in (str(b.id), b.name, b.board_key)]
        if len(found) != 1:
            known = "; ".join(f"{b.id} {b.name}" for b in store.boards.all()) or "none yet"
            raise UsageError(f"{board}: no one board is called that; there are: {known}")
        if circuit is None:
            output().print(f"{found[0].name}: {law_now(store, found[0].id).words}")
            return
        if circuit not in list(Circuit):
            raise UsageError(f"{circuit}: give divider, amplifier or unknown")
        told = OF_CIRCUIT[Circuit(circuit)]
        if circuit == Circuit.DIVIDER:
            if not 0.5 <= supply_over_reference <= 2:
                raise UsageError("--supply-over-reference must lie within 0.5 and 2")
            told = replace(told, bend=supply_over_reference)
        keep_law(store, found[0].id, told, utc_now_ns())
        output().print(f"{found[0].name}: {told.words}; kept from now on")


def resistor(
    rest: Annotated[str, typer.Option(help="Of the film under no load, such as 50k.")],
    pressed: Annotated[str, typer.Option(help="Of the film under a hard thumb, such as 1k.")],
) -> None:
    """Choose the resistor of a divider from what a meter reads across the film.

    Example: lieboard board resistor --rest 50k --pressed 1k
    """
    from rich.table import Table

    from analysis.board.response_law import best_resistor, resistors
    from logger.errors import UsageError

    try:
        choices = resistors(read_ohm(rest), read_ohm(pressed))
    except ValueError as reason:
        raise UsageError(str(reason)) from None
    best = best_resistor(choices)
    table = Table(box=None)
    for heading in ("resistor", "at rest", "pressed", "left of the slope"):
        table.add_column(heading, justify="right")
    near = choices.index(best)
    for one in choices[max(near - 3, 0) : near + 7]:
        table.add_row(
            shown_ohm(one.ohm) + (" *" if one is best else ""),
            *(f"{100 * part:.0f} %" for part in (one.rest_part, one.pressed_part, one.worst)),
        )
    console = output()
    console.print(table)
    console.print(
        f"* Solder {shown_ohm(best.ohm)}: a hard press then reads half of full scale, where a "
        "divider tells loads apart best. A larger one presses all hard readings together."
    )


def read_ohm(text: str) -> float:
    """Read 50k, 1.2k, 4k7, 820 or 1M; UsageError if it is none."""
    from logger.errors import UsageError

    found = re.fullmatch(r"(\d+)(?:([.,kKM])(\d*))?\s*([kKM])?\s*(?:ohm|Ω)?", text.strip())
    if found is None or (found[2] in ("k", "K", "M") and found[4]):
        raise UsageError(f"{text}: give ohms, such as 820, 50k, 4k7 or 1M")
    unit = found[4] or (found[2] if found[2] in ("k", "K", "M") else None)
    return float(f"{found[1]}.{found[3] or 0}") * {None: 1.0, "M": 1e6}.get(unit, 1e3)


def shown_ohm(ohm: float) -> str:
    """Write ohms as they are printed on a bag: 820, 2.2k, 1M."""
    for size, unit in ((1e6, "M"), (1e3, "k")):
        if ohm >= size:
            return f"{ohm / size:g}{unit}"
    return f"{ohm:g}"


def read_load(text: str) -> float:
    """Read 2kg, 2.5 kg, 900 g or 20 N, in newtons; UsageError if it is none."""
    from logger.errors import UsageError

    found = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*(kg|g|N|lb)", text.strip())
    weight = 0.0 if found is None else float(found[1].replace(",", "."))
    if found is None or weight <= 0:
        raise UsageError(f"--load {text}: give what lies on the bar, such as 2kg, 900g or 20N")
    return weight * {"kg": 9.80665, "g": 0.00980665, "N": 1.0, "lb": 4.4482216}[found[2]]


def each_load(loads: list[float], passes: int) -> list[float]:
    """Spread loads over the passes of a capture, the same number for each; UsageError if odd."""
    from logger.errors import UsageError

    if passes % len(loads):
        raise UsageError(f"{passes} passes cannot be {len(loads)} loads, as many passes for each")
    return [weight for weight in loads for _ in range(passes // len(loads))]


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
