"""``lieboard undo`` and ``lieboard changes``: what was changed, when, and back again."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from logger.cli.common import (
    DbOption,
    InsteadOption,
    SessionOption,
    local_time,
    open_store,
    output,
    pick_session,
    said_here,
    say,
)

words_app = typer.Typer(
    rich_markup_mode=None, help="What was typed in or measured, with numbers; take one back."
)


def undo(db: DbOption = None) -> None:
    """Take back the last change; again and again, as far as 'lieboard changes' goes.

    Example: lieboard undo
    """
    from logger.session.corrections.acts import undo as take_back_last

    with open_store(db) as store:
        say(f"taken back: {take_back_last(store, said_here())}")


def changes(
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
    db: DbOption = None,
) -> None:
    """List what was changed afterwards, when and where, the latest last.

    Example: lieboard changes
    """
    from dataclasses import asdict

    from rich.table import Table

    with open_store(db, read_only=True) as store:
        acts = store.acts.all()
    if as_json:
        print(json.dumps([asdict(act) for act in acts]))
        return
    if not acts:
        say("nothing was changed yet")
        return
    table = Table("no.", "when", "where", "what", "", box=None)
    for number, act in enumerate(acts, start=1):
        state = "taken back" if act.taken_back else ""
        table.add_row(str(number), local_time(act.said_utc_ns), act.place, act.words, state)
    output().print(table)


@words_app.callback(invoke_without_command=True)
def words(
    context: typer.Context,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
    db: DbOption = None,
) -> None:
    """List marks, bends, overlays, misses, biases, audits, calibrations and notes.

    A number after --instead-of corrects one: lieboard bent 6i 61.5 60 --instead-of 4

    Example: lieboard words
    """
    from rich.table import Table

    from logger.session.corrections.words import words_of

    if context.invoked_subcommand is not None:
        return
    with open_store(db, read_only=True) as store:
        found = words_of(store)
    if as_json:
        rows = [
            {
                "number": word.number,
                "of": word.row.label,
                "session": word.row.session,
                "when_utc_ns": word.row.at,
                "words": word.row.words,
                "taken_back": bool(word.row.gone),
            }
            for word in found
        ]
        print(json.dumps(rows))
        return
    table = Table("no.", "when", "of", "what", "", box=None)
    for word in found:
        table.add_row(
            str(word.number),
            local_time(word.row.at),
            word.row.label or f"session {word.row.session}",
            word.row.words,
            "taken back" if word.row.gone else "",
        )
    output().print(table)


@words_app.command("back")
def back(
    number: Annotated[int, typer.Argument(min=1, help="Number in the list.")], db: DbOption = None
) -> None:
    """Take one back: it counts no more.

    Example: lieboard words back 4
    """
    from logger.session.corrections.words import take_back_word

    with open_store(db) as store:
        say(f"{take_back_word(store, number, said_here())}. Back: lieboard undo")


def note(
    text: Annotated[str, typer.Argument(help="The remark.")],
    session: SessionOption = None,
    instead_of: InsteadOption = None,
    db: DbOption = None,
) -> None:
    """Keep a remark on a session; it stands in its report.

    Example: lieboard note "new grips since last week"
    """
    from logger.session.corrections.words import keep_note

    with open_store(db) as store:
        row = pick_session(store, session)
        say(f"{keep_note(store, row.id, text, said_here(), instead_of=instead_of)} kept")
