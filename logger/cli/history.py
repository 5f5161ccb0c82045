"""``lieboard history``: what changed from week to week, and who did: the player or a club."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import DbOption, local_time, open_store, output, say

if TYPE_CHECKING:
    from rich.console import Console

    from logger.session.results.history import SetHistory
    from logger.store.store import Store


def history(
    player: Annotated[str | None, typer.Option(help="Name of the player.")] = None,
    set_name: Annotated[
        str | None, typer.Option("--set", help="Name of the set, if the player has several.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="Write the control charts here, as .html.")
    ] = None,
    db: DbOption = None,
) -> None:
    """Tell per club whether it moved since last time, and the player's change from a club's.

    Examples: lieboard history; lieboard history --player "Robin Ashdown" -o history.html
    """
    import logger
    from logger.cli.common import utc_now_ns
    from logger.cli.report import check_names, write_file
    from logger.session.results.history import set_history

    with open_store(db, read_only=True) as store:
        check_names(store, [out], (".html", ".htm"))
        past = set_history(store, _pick_set(store, player, set_name))
    dates = [local_time(session.started_utc_ns)[:10] for session in past.sessions]
    if len(set(dates)) < len(dates):
        # Sessions of one day are told apart by their time.
        dates = [local_time(session.started_utc_ns)[5:] for session in past.sessions]
    _print(output(), past, dates)
    if out is not None:
        from analysis.report.html import history_html

        page = history_html(
            past.history,
            player=past.set.player.name,
            set_name=past.set.name,
            dates=dates,
            remarks=past.remarks,
            made=f"Made by lieboard {logger.__version__} on {local_time(utc_now_ns())}",
        )
        write_file(out, page.encode())


def _pick_set(store: Store, player: str | None, set_name: str | None) -> int:
    """Return the set asked for; left out, the one that was last swung."""
    from logger.errors import UsageError

    if player is not None:
        return store.sets.find(player, set_name)
    if set_name is not None:
        own = [row for row in store.sets.all() if row.name.casefold() == set_name.casefold()]
        if len(own) == 1:
            return own[0].id
        known = ", ".join(f"{row.name} ({row.player})" for row in store.sets.all()) or "none yet"
        raise UsageError(f"--set {set_name}: name one set, with --player if need be: {known}")
    sessions = store.sessions.all()
    if not sessions:
        raise UsageError(f"{store.path}: no session yet, so no history")
    return sessions[-1].set


def _print(console: Console, past: SetHistory, dates: list[str]) -> None:
    from rich.table import Table
    from rich.text import Text

    from analysis.conventions import NORMAL_90
    from analysis.report.history_words import club_words, common_words

    say(f"{past.set.player.name}: {past.set.name}, lie error by session")
    table = Table(box=None, padding=(0, 1))
    table.add_column("club")
    # As many weeks as a line holds; all of them count.
    shown = range(len(dates))[-8:]
    for row in shown:
        table.add_column(dates[row], justify="right")
    wishes = any(past.wanted_deg)
    if wishes:
        table.add_column("wanted", justify="right")
    for column, club in enumerate(past.set.clubs):
        cells = [
            f"{past.lie_error_deg[row, column]:+z.1f} ± {NORMAL_90 * past.u_deg[row, column]:.1f}°"
            if math.isfinite(past.lie_error_deg[row, column])
            else "-"
            for row in shown
        ]
        wanted = past.wanted_deg[column]
        table.add_row(Text(club.label), *cells, *([f"{wanted:+z.1f}°"] if wishes else []))
    console.print(table)
    for remark in past.remarks:
        say(f"! {remark}")
    say()
    for words in common_words(past.history, dates):
        say(words)
    say("\nEach club against the others, bends taken off:")
    for one in past.history.clubs:
        say(f"  {one.label}: {'; '.join(club_words(one, dates))}")
