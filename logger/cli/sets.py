"""``lieboard set``: players and their clubs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import (
    DbOption,
    InchesOption,
    moment_of,
    open_store,
    output,
    said_here,
    say,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.session.corrections.sets import ImportPlan
    from logger.setfiles.clubs import SetFile

app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Players and their sets of clubs."
)


@app.command("import")
def import_set(
    file: Annotated[Path, typer.Argument(help="A .toml or .csv file; see examples/.")],
    player: Annotated[str | None, typer.Option(help="Player, if the file does not say.")] = None,
    hand: Annotated[str | None, typer.Option(help="right or left.")] = None,
    name: Annotated[str | None, typer.Option("--set", "--name", help="Name of the set.")] = None,
    correct: Annotated[
        bool, typer.Option("--correct", help="What is different was so from the start.")
    ] = False,
    changed: Annotated[
        str | None,
        typer.Option(
            metavar="DATE", help="What is different has been so since, such as 2026-03-14; or now."
        ),
    ] = None,
    same_player: Annotated[
        bool, typer.Option("--same-player", help="It is the stored player of this name.")
    ] = False,
    material: Annotated[
        str | None, typer.Option(help="forged, cast, hard or unknown, where the file has none.")
    ] = None,
    db: DbOption = None,
) -> None:
    """Read a set from a file, again and again; it says what would change and asks from when on.

    Without a terminal and without --correct or --changed only what was not known is taken.

    Example: lieboard set import examples/set.toml
    """
    from logger.errors import UsageError
    from logger.session.corrections.sets import import_set, plan_import
    from logger.setfiles import load_set

    asks = sys.stdin.isatty() and sys.stdout.isatty()
    read = load_set(file, player=player, hand=hand, name=name)
    said = said_here()
    since = None
    if changed is not None:
        since = said.utc_ns if changed.strip() == "now" else moment_of(changed, said.utc_ns)
    with open_store(db) as store:
        plan = plan_import(store, read)
        if plan.doubt and not same_player:
            if not asks:
                raise UsageError(
                    f"{plan.doubt}: if it is the same player repeat with --same-player, else name "
                    "this one with --player; nothing was taken"
                )
            say(plan.doubt)
            if not typer.confirm("Is it the same player?"):
                raise UsageError("name this one with --player; nothing was taken")
        if plan.no_material:
            plan = plan_import(store, with_material(read, plan.no_material, material, ask=asks))
        _show_rows(plan)
        if any(not row.is_addition for row in plan.rows) and not correct and since is None and asks:
            say("c  correction: true from the start, for all sessions with this set")
            say("d  changed: true from now on")
            say("a  take only what was not known")
            answer = typer.prompt("Which", default="a").strip().casefold()
            correct, since = answer == "c", said.utc_ns if answer == "d" else None
        words = import_set(store, plan, said, correct=correct, changed_utc_ns=since)
    console = output()
    labels = " ".join(club.label for club in read.clubs)
    console.print(f"{read.player}, {read.name}: {labels} (pivot {read.pivot_label})")
    if plan.set_id is not None:
        console.print(words)
    left = [row for row in plan.rows if not row.is_addition]
    if left and not correct and since is None:
        console.print(
            f"{len(left)} of these left as they were: --correct takes them as true from the "
            "start, --changed DATE from a date on"
        )
    if read.ignored:
        console.print(f"Not understood and left out: {', '.join(read.ignored)}")


def with_material(
    read: SetFile, labels: Sequence[str], material: str | None, *, ask: bool
) -> SetFile:
    """Put a material in where none is known, if there is one to put in."""
    from dataclasses import replace

    from logger.errors import UsageError

    known = ("forged", "cast", "hard", "unknown")
    if material is None and ask:
        material = typer.prompt(
            f"What are the heads of {' '.join(labels)} made of ({', '.join(known)})",
            default="unknown",
        )
    if material is None:
        say(
            f"No material is given for {' '.join(labels)}: they count as hard or unknown, and no "
            'bend is proposed. Write material = "forged" or "cast" into the file, or give '
            "--material"
        )
        return read
    if material not in known:
        raise UsageError(f"--material {material}: one of {', '.join(known)}")
    clubs = tuple(
        replace(club, spec=replace(club.spec, head_material=material))  # type: ignore[arg-type]
        if club.label in labels
        else club
        for club in read.clubs
    )
    return replace(read, clubs=clubs)


def _show_rows(plan: ImportPlan) -> None:
    from rich.table import Table

    if not plan.rows:
        return
    table = Table("club", "what", "stored", "in the file", box=None)
    for row in plan.rows:
        table.add_row(row.club or "(set)", row.what, row.before or "-", row.after)
    output().print(table)


@app.command("list")
def list_sets(db: DbOption = None) -> None:
    """List all sets.

    Example: lieboard set list
    """
    from rich.table import Table

    with open_store(db, read_only=True) as store:
        table = Table("player", "set", "clubs", box=None)
        for row in store.sets.all():
            table.add_row(row.player, row.name, str(row.clubs))
        output().print(table)


@app.command("show")
def show_set(
    player: Annotated[str, typer.Argument(help="Whose set.")],
    name: Annotated[
        str | None, typer.Option("--set", "--name", help="Which, if there are several.")
    ] = None,
    inches: InchesOption = False,
    db: DbOption = None,
) -> None:
    """Show what is known of the clubs of a set.

    Example: lieboard set show "Ines Halloran"
    """
    from rich.table import Table

    from logger.setfiles.units import inches_from_mm

    def shown(value: float | None, digits: int = 1) -> str:
        return "-" if value is None else f"{value:.{digits}f}"

    def length(mm: float | None) -> str:
        return shown(inches_from_mm(mm), 2) if inches and mm is not None else shown(mm)

    with open_store(db, read_only=True) as store:
        row = store.sets.get(store.sets.find(player, name))
        unit = "in" if inches else "mm"
        headings = [f"length {unit}", "lie °", "loft °", "bounce °", f"camber {unit}", "head"]
        table = Table("club", box=None)
        for heading in headings:
            table.add_column(heading, justify="right")
        for club in row.clubs:
            spec = club.spec
            table.add_row(
                club.label + (" (pivot)" if club.id == row.pivot_club else ""),
                length(spec.length_mm),
                shown(spec.lie_deg),
                shown(spec.loft_deg),
                shown(spec.bounce_deg),
                length(spec.camber_mm),
                spec.head_material or "-",
            )
        console = output()
        console.print(f"{row.player.name} ({row.player.hand}-handed), {row.name}")
        console.print(table)
