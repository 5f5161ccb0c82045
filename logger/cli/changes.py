"""``lieboard undo`` and ``lieboard changes``: what was changed, when, and back again."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from logger.cli.common import DbOption, local_time, open_store, output, said_here, say


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
        acts = store.acts()
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
