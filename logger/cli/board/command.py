"""``lieboard board``: is the board good enough, and what makes it better."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.board.calibrate import calibrate, even, law, resistor
from logger.cli.board.rock import rock
from logger.cli.board.trust import audit, study
from logger.cli.common import DbOption, open_store, output, utc_now_ns
from logger.cli.terminal.safe_text import fit

if TYPE_CHECKING:
    from analysis.board.check import Finding

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
)

PortArgument = Annotated[
    str,
    typer.Argument(
        help="Serial port, socket://HOST:PORT, rfc2217://HOST:PORT, or capture:FILE to play a "
        "recording."
    ),
]
BaudOption = Annotated[int, typer.Option(help="Baud rate of a serial port.")]
AcceptOption = Annotated[
    bool, typer.Option("--accept", help="Agree to a board that was never used: it is yours.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Machine-readable.")]


@app.callback()
def board() -> None:
    """Check a board, calibrate its cells, measure heads on it, and find out how far to trust it."""


@app.command()
def check(
    port: PortArgument,
    baud: BaudOption = 115_200,
    untouched: Annotated[
        float, typer.Option(help="Seconds to watch with nobody at the board.")
    ] = 10.0,
    rest: Annotated[
        float, typer.Option(help="Seconds at most with the trigger down, to see the noise.")
    ] = 30.0,
    press: Annotated[float, typer.Option(help="Seconds at most to press along the strip.")] = 60.0,
    keep_trigger: Annotated[
        bool, typer.Option("--keep-trigger", help="Do not lower the trigger for a while.")
    ] = False,
    accept: AcceptOption = False,
    as_json: JsonOption = False,
    db: DbOption = None,
) -> int:
    """Look at noise, cells, scan rate, line and clock of a board, and say what to do.

    Nobody swings during it. First hands off, then press along the strip as told. A board that
    sends places or text shows no cells; the check says what it could not see. Ends with exit code
    1 if something failed.

    Examples: lieboard board check /dev/ttyACM0; lieboard board check COM3 --press 0
    """
    import asyncio

    from analysis.answers import Verdict
    from analysis.board.check import worst
    from logger.bench.check import BoardCheck, CheckPlan
    from logger.bench.connection import open_bench
    from logger.bench.findings import findings_of
    from logger.cli.board.first_use import on_the_bench
    from logger.cli.board.tables import findings_json, findings_table, verdict_words

    plan = CheckPlan(
        untouched_s=untouched, rest_s=rest, press_s=press, lower_trigger=not keep_trigger
    )

    def say(words: str) -> None:
        # With --json standard output holds the findings alone.
        typer.echo(fit(words), err=as_json)

    async def collect(url: str, agree: bool) -> tuple[str, int | None, list[Finding]]:
        async with open_bench(store, url, baud, accept=agree) as bench:
            watched = await BoardCheck(bench, plan, say).run()
            identity = bench.identity
            name = port if identity is None else identity.name
            return name, bench.recorder.boot_row, findings_of(bench, watched)

    with open_store(db) as store:
        name, boot, findings = on_the_bench(
            store, port, accept=accept, run=lambda url, agree: asyncio.run(collect(url, agree))
        )
        verdict = worst(findings)
        if boot is not None:
            board = store.boards.of_boot(boot)
            # A board that nobody could look into is not judged.
            if verdict is not Verdict.LOOK:
                store.boards.accept(
                    board.id, accepted=verdict is Verdict.PASS, at_utc_ns=utc_now_ns()
                )
    if as_json:
        print(findings_json(name, verdict, findings))
    else:
        console = output()
        console.print(findings_table(findings))
        console.print(f"{name}: {verdict_words(verdict)}")
    return 1 if verdict is Verdict.FAIL else 0


for command in (calibrate, law, resistor, rock, study, audit):
    app.command()(command)
# Any words behind it: what is said is the same.
app.command(
    hidden=True, context_settings={"ignore_unknown_options": True, "help_option_names": []}
)(even)
