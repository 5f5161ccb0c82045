"""``lieboard set``: players and their clubs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logger.cli.common import DbOption, InchesOption, open_store, output, utc_now_ns

app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Players and their sets of clubs."
)


@app.command("import")
def import_set(
    file: Annotated[Path, typer.Argument(help="A .toml or .csv file; see examples/.")],
    player: Annotated[str | None, typer.Option(help="Player, if the file does not say.")] = None,
    hand: Annotated[str | None, typer.Option(help="right or left.")] = None,
    name: Annotated[str | None, typer.Option(help="Name of the set.")] = None,
    db: DbOption = None,
) -> None:
    """Read a set from a file; what changed since the last time is dated, not overwritten.

    Example: lieboard set import examples/set.toml
    """
    from logger.setfiles import load_set

    read = load_set(file, player=player, hand=hand, name=name)
    with open_store(db) as store:
        store.import_set(read, at_utc_ns=utc_now_ns())
    console = output()
    labels = " ".join(club.label for club in read.clubs)
    console.print(f"{read.player}, {read.name}: {labels} (pivot {read.pivot_label})")
    if read.ignored:
        console.print(f"Not understood and left out: {', '.join(read.ignored)}")


@app.command("list")
def list_sets(db: DbOption = None) -> None:
    """List all sets.

    Example: lieboard set list
    """
    from rich.table import Table

    with open_store(db, read_only=True) as store:
        table = Table("player", "set", "clubs", box=None)
        for row in store.sets():
            table.add_row(row.player, row.name, str(row.clubs))
        output().print(table)


@app.command("show")
def show_set(
    player: Annotated[str, typer.Argument(help="Whose set.")],
    name: Annotated[str | None, typer.Option(help="Which, if there are several.")] = None,
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
        row = store.get_set(store.find_set(player, name))
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
