"""``lieboard sessions`` and ``lieboard strikes``: what was logged."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from logger.cli.common import (
    DbOption,
    SessionOption,
    local_time,
    open_store,
    output,
    pick_session,
)


def sessions(db: DbOption = None) -> None:
    """List all fitting sessions.

    Example: lieboard sessions
    """
    from rich.table import Table

    with open_store(db, read_only=True) as store:
        table = Table("session", "started", "player", "set", "used", "set aside", "state", box=None)
        for row in store.sessions():
            own = store.get_set(row.set)
            counts = store.club_counts(row.id)
            table.add_row(
                str(row.id),
                local_time(row.started_utc_ns),
                own.player.name,
                own.name,
                str(sum(count.used for count in counts)),
                str(sum(count.set_aside for count in counts)),
                "open" if row.ended_utc_ns is None else "ended",
            )
        output().print(table)


def strikes(
    session: SessionOption = None,
    club: Annotated[str | None, typer.Option(help="Only this club.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
    db: DbOption = None,
) -> None:
    """List every contact of a session: what counted, what was set aside, and why.

    Example: lieboard strikes --club 7i
    """
    from dataclasses import asdict

    from rich.table import Table

    with open_store(db, read_only=True) as store:
        row = pick_session(store, session)
        labels = {c.id: c.label for c in store.clubs_of(row.id)}
        rows = [
            contact
            for contact in store.contacts(row.id)
            if club is None or labels.get(contact.club or -1, "").casefold() == club.casefold()
        ]
        if as_json:
            print(json.dumps([asdict(c) | {"label": labels.get(c.club or -1)} for c in rows]))
            return
        table = Table("no.", "club", "time", "toe mm", "trail mm", "what", "used", "why", box=None)
        for contact in rows:
            table.add_row(
                f"{contact.source[0]}{contact.id}",
                labels.get(contact.club or -1, "-"),
                local_time(contact.struck_utc_ns)[11:],
                _number(contact.toe_mm),
                _number(contact.trail_mm),
                contact.kind,
                "yes" if contact.used else "no",
                contact.reason or "",
            )
        output().print(table)


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:+.1f}"
