"""``lieboard misses`` and ``lieboard bias``: the player's usual miss, and what to do about it."""

from __future__ import annotations

from typing import Annotated

import typer

from logger.cli.common import DbOption, InsteadOption, open_store, output, said_here

PlayerOption = Annotated[str | None, typer.Option(help="Whose set.")]
SetOption = Annotated[str | None, typer.Option("--set", help="Which set.")]


def misses(
    club: Annotated[str, typer.Argument(help="Label of the club, such as 4i.")],
    left: Annotated[int, typer.Argument(help="Shots that missed left.", min=0, max=10_000)],
    straight: Annotated[int, typer.Argument(help="Shots that did not.", min=0, max=10_000)],
    right: Annotated[int, typer.Argument(help="Shots that missed right.", min=0, max=10_000)],
    instead_of: InsteadOption = None,
    player: PlayerOption = None,
    set_name: SetOption = None,
    db: DbOption = None,
) -> None:
    """Keep a player's count of where a club's shots end up; counts add up.

    Example: lieboard misses 4i 9 12 2
    """
    from logger.session.corrections.words import keep_misses
    from logger.session.logging.fitting import club_of
    from logger.session.logging.opening import which_set

    with open_store(db) as store:
        own = store.sets.get(which_set(store, player, set_name))
        counts = (left, straight, right)
        words = keep_misses(
            store, own, club_of(own, club), counts, said_here(), instead_of=instead_of
        )
    output().print(f"{words}. Back: lieboard undo")


def bias(
    take: Annotated[
        bool, typer.Option("--take", help="Keep the proposal as the player's wish.")
    ] = False,
    player: PlayerOption = None,
    set_name: SetOption = None,
    db: DbOption = None,
) -> None:
    """Propose a bias against the player's usual miss; nothing is applied unless asked.

    Examples: lieboard bias; lieboard bias --take
    """
    from rich.table import Table

    from logger.session.corrections.words import keep_bias
    from logger.session.logging.opening import which_set
    from logger.session.results.misses import proposed_bias

    console = output()
    with open_store(db, read_only=not take) as store:
        wish = proposed_bias(store, which_set(store, player, set_name))
        table = Table(box=None, padding=(0, 1))
        for heading in ("club", "misses right", "bias at carry", "as lie", "why"):
            table.add_column(heading, justify="left" if heading in ("club", "why") else "right")
        for one in wish.proposal.clubs:
            side = "right" if one.bias_m > 0 else "left"
            table.add_row(
                one.label,
                f"{100 * one.right_share:.0f} ± {100 * one.u_right_share:.0f} %",
                f"{abs(one.bias_m):.1f} m {side}" if one.bias_m else "-",
                "-" if not one.bias_deg else f"{one.bias_deg:+.1f}°",
                # What holds for all is said once, below.
                "" if one.why == wish.proposal.why else one.why,
            )
        console.print(table)
        console.print(wish.proposal.why)
        if take and wish.proposal.is_proposed:
            count = keep_bias(store, wish, said_here())
            console.print(f"Kept for {count} clubs; the bend sheet aims for it from now on.")
        elif wish.proposal.is_proposed:
            console.print("Keep it with: lieboard bias --take")
