"""All commands by name. Each is imported when it is asked for, so that help is quick."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_command


@dataclass(frozen=True, slots=True)
class _Command:
    """Where a command is, and what the list of commands says of it."""

    module: str
    attribute: str
    """A function, or a typer app with commands of its own."""
    summary: str


# In the order of a first afternoon.
COMMANDS = {
    "desk": _Command("desk", "desk", "Do the whole week in the browser, without a terminal."),
    "demo": _Command("demo", "demo", "Try everything with a simulated board and player."),
    "set": _Command("sets", "app", "Players and their sets of clubs."),
    "boards": _Command("board.boards", "boards", "List the ports and radios a board could be on."),
    "board": _Command("board.command", "app", "Check a board and find out how far to trust it."),
    "log": _Command("log.command", "log", "Log strikes club by club."),
    "watch": _Command("watch", "watch", "Show a session live in the browser."),
    "mark": _Command("marks", "mark", "Keep a mark read off the sole."),
    "strikes": _Command("sessions", "strikes_app", "List every contact of a session; move some."),
    "clubs": _Command("sheets", "clubs", "Show where each sole touched and its lie error."),
    "sheet": _Command("sheets", "sheet", "Work out the bend sheet."),
    "bounce": _Command("bends", "bounce", "Show what soles say front to back."),
    "gradation": _Command("grading", "gradation", "Show whether the set steps evenly."),
    "overlay": _Command("grading", "overlay", "Keep how two neighbours stand apart."),
    "misses": _Command("misses", "misses", "Keep a count of where a club's shots end up."),
    "bias": _Command("misses", "bias", "Propose a bias against the player's usual miss."),
    "bent": _Command("bends", "bent", "Keep what was bent and measured."),
    "learned": _Command("bends", "learned", "Hold each bend against the session after it."),
    "report": _Command("report", "report", "Write a session's report: HTML, PDF, CSV, JSON."),
    "history": _Command("history", "history", "Tell what changed from week to week."),
    "sessions": _Command("sessions", "sessions", "List all fitting sessions."),
    "session": _Command("session", "app", "Change, join, split or delete sessions."),
    "player": _Command("session", "player_app", "Rename or delete a player."),
    "undo": _Command("changes", "undo", "Take back the last change."),
    "words": _Command("changes", "words_app", "List what was typed in; take some back."),
    "note": _Command("changes", "note", "Keep a remark on a session."),
    "changes": _Command("changes", "changes", "List what was changed afterwards."),
    "backup": _Command("data", "backup", "Copy the data file, also while logging."),
    "merge": _Command("data", "merge", "Take in a second laptop's data file."),
    "check": _Command("data", "check", "Look through the data file for what is wrong."),
    "archive": _Command("archive", "app", "Strikes of many shops as a Parquet data set."),
    "shop": _Command("shop", "app", "Forward strikes of bays to a shop, and gather them there."),
    "sim": _Command("demo", "sim", "Run a simulated board until Ctrl-C."),
}


class _Commands(TyperGroup):
    """A group that knows its commands' names before it knows the commands."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ANN401 - typer hides this type
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ANN401
        found = COMMANDS.get(cmd_name)
        return None if found is None else _load(cmd_name, found)

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.summary) for name, entry in COMMANDS.items()])


def _load(name: str, entry: _Command) -> Any:  # noqa: ANN401
    made = getattr(importlib.import_module(f"logger.cli.{entry.module}"), entry.attribute)
    if not isinstance(made, typer.Typer):
        # A command that hands its options on says so itself.
        settings = getattr(made, "context_settings", None)
        alone = typer.Typer(
            add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False
        )
        alone.command(name, context_settings=settings)(made)
        made = alone
    command = get_command(made)
    command.name = name
    command.params = [p for p in command.params if not p.name.endswith("_completion")]
    return command


def build_app() -> typer.Typer:
    """Put the command line together."""
    # rich_markup_mode None: drawing help with rich costs more than all the rest of it.
    app = typer.Typer(
        cls=_Commands,
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

    @app.callback()
    def lieboard() -> None:
        """Give typer its group; what it says is above."""

    return app
