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
    said_here,
    say,
)

strikes_app = typer.Typer(
    rich_markup_mode=None, help="List the contacts of a session, and move them."
)


def sessions(db: DbOption = None) -> None:
    """List all fitting sessions.

    Example: lieboard sessions
    """
    from rich.table import Table

    with open_store(db, read_only=True) as store:
        table = Table("session", "started", "player", "set", "used", "set aside", "state", box=None)
        counts = store.strikes.counts_by_session()
        rows = store.sessions.all()
        sets = {number: store.sets.get(number) for number in {row.set for row in rows}}
        for row in rows:
            own = sets[row.set]
            used, set_aside = counts.get(row.id, (0, 0))
            table.add_row(
                str(row.id),
                local_time(row.started_utc_ns),
                own.player.name,
                own.name,
                str(used),
                str(set_aside),
                "open" if row.ended_utc_ns is None else "ended",
            )
        output().print(table)


@strikes_app.callback(invoke_without_command=True)
def strikes(
    context: typer.Context,
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

    from logger.session.corrections.strikes import forgotten_steps
    from logger.session.evidence.evidence import session_picture

    if context.invoked_subcommand is not None:
        return

    with open_store(db, read_only=True) as store:
        row = pick_session(store, session)
        labels = {c.id: c.label for c in store.clubs.of_session(row.id)}
        rows = [
            contact
            for contact in store.strikes.contacts(row.id)
            if club is None or labels.get(contact.club or -1, "").casefold() == club.casefold()
        ]
        if as_json:
            print(json.dumps([asdict(c) | {"label": labels.get(c.club or -1)} for c in rows]))
            return
        # What the club table sets aside is set aside here too.
        reasons = {
            (one.source, one.id): one.reason
            for club_evidence in session_picture(store, row).clubs
            for one in club_evidence.seen
        }
        numbers = {c.id: c.number for c in store.strikes.contacts(row.id, source="board")}
        table = Table("no.", "club", "time", "toe mm", "trail mm", "what", "used", "why", box=None)
        for contact in rows:
            table.add_row(
                str(contact.number),
                labels.get(contact.club or -1, "-"),
                local_time(contact.struck_utc_ns)[11:],
                _number(contact.toe_mm),
                _number(contact.trail_mm),
                contact.kind
                if contact.audits is None
                else f"mark of strike {numbers.get(contact.audits, 'that is not here')}",
                "no" if not contact.used or reasons.get((contact.source, contact.id)) else "yes",
                contact.reason or reasons.get((contact.source, contact.id)) or "",
            )
        output().print(table)
        for step in forgotten_steps(store, row.id):
            say(step.words)


@strikes_app.command("move")
def move(
    moves: Annotated[
        list[str],
        typer.Argument(
            metavar="STRIKES CLUB ...",
            help="24 6i, 24-31 6i, or 24- 6i for all from 24 on; several in one go.",
        ),
    ],
    session: SessionOption = None,
    into: Annotated[
        int | None,
        typer.Option("--into", min=1, help="Another session of this player; CLUB may be left out."),
    ] = None,
    db: DbOption = None,
) -> None:
    """Move strikes that were hit under the wrong club.

    Examples: lieboard strikes move 24- 6i 32- 7i; lieboard strikes move 24-31 --into 5
    """
    from logger.session.corrections.strikes import move_strikes, moves_of

    with open_store(db) as store:
        row = pick_session(store, session)
        words = move_strikes(
            store, row.id, moves_of(moves, with_clubs=into is None), said_here(), to_session=into
        )
    say(f"{words}. Back: lieboard undo")


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:+.1f}"
