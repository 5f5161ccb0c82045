"""``lieboard archive``: strikes of many shops as a Parquet data set, added up and worked out."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated, TypeAlias

import typer

from logger.cli.common import DbOption, open_store, output, say

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Strikes of many shops as a Parquet data set (pip install 'lieboard[archive]').",
)

FolderArgument: TypeAlias = Annotated[Path, typer.Argument(help="Folder of the archive.")]
PlayerOption: TypeAlias = Annotated[str | None, typer.Option(help="Only this player.")]
ShopOption: TypeAlias = Annotated[str | None, typer.Option(help="Only this shop.")]
MonthOption: TypeAlias = Annotated[
    str | None, typer.Option(help="Only sessions begun in this month (UTC), such as 2026-11.")
]


@app.command()
def write(
    folder: FolderArgument,
    shop: Annotated[
        str | None,
        typer.Option(help="Whose sessions these are; those gathered from bays say so themselves."),
    ] = None,
    db: DbOption = None,
) -> None:
    """Write what is new or has changed in the data file into an archive.

    Cut off or run twice, it loses nothing and doubles nothing.

    Example: lieboard archive write /data/archive --shop "North Gate"
    """
    from logger.archive.write import write_archive

    with open_store(db, read_only=True) as store:
        done = write_archive(store, folder, shop=shop)
    if done.sessions == 0:
        say("nothing new")
    else:
        say(f"{done.sessions} sessions, {done.contacts} contacts, {done.records} raw records")


@app.command()
def compact(folder: FolderArgument) -> None:
    """Put the parts of each month and shop into one, without what was superseded.

    Example: lieboard archive compact /data/archive
    """
    from logger.archive.write import compact_archive

    merged = compact_archive(folder)
    say(f"{merged} parts put together" if merged else "nothing to put together")


@app.command()
def summary(
    folder: FolderArgument,
    by: Annotated[
        str,
        typer.Option(
            help="What to add up by, with commas between: shop, bay, month, player, set, session, "
            "club, source."
        ),
    ] = "player,club",
    player: PlayerOption = None,
    club: Annotated[str | None, typer.Option(help="Only this club.")] = None,
    shop: ShopOption = None,
    month: MonthOption = None,
) -> None:
    """Count contacts and say where they lay, toe side positive.

    Plain sums of what counts; 'archive work' says what they mean.

    Example: lieboard archive summary /data/archive --by club,month --player "Robin Ashdown"
    """
    from rich.table import Table

    from logger.archive.summary import Summaries

    groups = [name.strip() for name in by.split(",") if name.strip()]
    with Summaries(folder) as summaries:
        rows = summaries.by(groups, player=player, club=club, shop=shop, month=month)
    table = Table(*groups)
    for heading in ("sessions", "used", "set aside", "mean mm", "±", "spread mm", "from", "to"):
        table.add_column(heading, justify="right")
    for row in rows:
        numbers = (row.mean_toe_mm, row.u_toe_mm, row.sd_toe_mm, row.least_toe_mm,
                   row.greatest_toe_mm)  # fmt: skip
        table.add_row(
            *(_shown(name, value) for name, value in zip(groups, row.group, strict=True)),
            str(row.sessions),
            str(row.used),
            str(row.set_aside),
            *("" if value is None else f"{value:.1f}" for value in numbers),
        )
    output().print(table)


@app.command()
def work(
    folder: FolderArgument,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="Write every club of every session here.")
    ] = None,
    workers: Annotated[
        int, typer.Option(min=0, max=256, help="Processes of this machine; 0: none but this.")
    ] = 2,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler that runs already.")
    ] = None,
    player: PlayerOption = None,
    shop: ShopOption = None,
    month: MonthOption = None,
) -> None:
    """Work sessions out again from raw records: contact, lie error, the set as a whole.

    The same as 'clubs' on one data file, on as many processes or machines as there are.

    Example: lieboard archive work /data/archive --workers 8 -o clubs.parquet
    """
    from logger.archive.work import tasks_of, work_all, write_results
    from logger.errors import UsageError

    if out is not None and out.suffix.casefold() != ".parquet":
        raise UsageError(f"-o {out}: name a file that ends in .parquet")
    tasks = tasks_of(folder, player=player, shop=shop, month=month)
    rows = work_all(tasks, workers=workers, scheduler=scheduler)
    if out is not None:
        write_results(out, rows)
        say(f"wrote {out}", err=True)
    sessions = {(row["shop"], row["player"], row["set"], row["started_utc_ns"]) for row in rows}
    decided = Counter(row["decision"] for row in rows)
    words = ", ".join(f"{count} {decision}" for decision, count in sorted(decided.items()))
    say(f"{len(sessions)} sessions, {len(rows)} clubs{': ' + words if words else ''}")


def _shown(name: str, value: str | int | None) -> str:
    from logger.cli.common import local_time
    from logger.cli.terminal.safe_text import fit

    if value is None:
        return "-"
    return local_time(value) if name == "session" and isinstance(value, int) else fit(str(value))
