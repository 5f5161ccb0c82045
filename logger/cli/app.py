"""All commands on one app. Nothing heavy is imported here: `--help` has to be quick."""

from __future__ import annotations

import typer

from logger.cli import boards, demo, logging, marks, sessions, sets, sheets, sim


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
    app.command("demo")(demo.demo)
    app.command("boards")(boards.boards)
    app.command("log")(logging.log)
    app.command("mark")(marks.mark)
    app.command("clubs")(sheets.clubs)
    app.command("sheet")(sheets.sheet)
    app.command("strikes")(sessions.strikes)
    app.command("sessions")(sessions.sessions)
    app.command("sim", context_settings=sim.PASS_THROUGH)(sim.sim)
    app.add_typer(sets.app, name="set")
    return app
