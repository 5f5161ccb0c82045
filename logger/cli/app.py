"""All commands on one app. Nothing heavy is imported here: `--help` has to be quick."""

from __future__ import annotations

import typer

from logger.cli.boards import boards
from logger.cli.demo import demo
from logger.cli.log import log
from logger.cli.marks import mark
from logger.cli.sessions import sessions, strikes
from logger.cli.sets import app as sets
from logger.cli.sheets import clubs, sheet
from logger.cli.sim import PASS_THROUGH, sim


def build_app() -> typer.Typer:
    """Put the command line together."""
    # rich_markup_mode None: drawing help with rich costs more than all the rest of it.
    app = typer.Typer(
        name="lieboard",
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        help=(
            "Log real swings on a homemade lie board and work out what to bend.\n\n"
            "First steps: lieboard demo; then lieboard set import FILE, lieboard boards, "
            "lieboard log PORT, lieboard sheet."
        ),
    )
    for command in (demo, boards, log, mark, clubs, sheet, strikes, sessions):
        app.command()(command)
    app.command(context_settings=PASS_THROUGH)(sim)
    app.add_typer(sets, name="set")
    return app
