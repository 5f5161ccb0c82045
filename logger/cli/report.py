"""``lieboard report``: a session as a sheet to print, and its strikes for other programs."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import (
    DbOption,
    InchesOption,
    SessionOption,
    local_time,
    open_store,
    pick_session,
    say,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.store.store import Store


class Paper(StrEnum):
    """Sizes of paper for the PDF; the HTML file takes the printer's."""

    A4 = "A4"
    LETTER = "Letter"


def report(
    session: SessionOption = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--out",
            help="File to write, .html or .pdf. Left out: lieboard-session-N.html here.",
            show_default=False,
        ),
    ] = None,
    paper: Annotated[Paper, typer.Option(help="Size of the PDF's pages.")] = Paper.A4,
    csv: Annotated[
        Path | None, typer.Option("--csv", help="Write every contact here as CSV; - prints it.")
    ] = None,
    as_json: Annotated[
        Path | None, typer.Option("--json", help="Write all of it here as JSON; - prints it.")
    ] = None,
    parquet: Annotated[
        Path | None, typer.Option("--parquet", help="Write every contact here as Parquet.")
    ] = None,
    inches: InchesOption = False,
    db: DbOption = None,
) -> None:
    """Write a session's report: club table, bend sheet to tick off, soles to scale, doubts.

    Examples: lieboard report; lieboard report -o sheet.pdf; lieboard report --csv strikes.csv
    """
    import logger
    from logger.cli.common import utc_now_ns
    from logger.cli.terminal.safe_text import all_fit
    from logger.errors import UsageError
    from logger.session.results.export import (
        report_json,
        strike_values,
        strikes_csv,
        strikes_parquet,
    )
    from logger.session.results.report_data import report_content

    with open_store(db, read_only=True) as store:
        row = pick_session(store, session)
        if out is None and not (csv or as_json or parquet):
            out = Path(f"lieboard-session-{row.id}.html")
        check_names(store, [out, csv, as_json, parquet], (".html", ".htm", ".pdf"))
        if parquet and str(parquet) == "-":
            raise UsageError("--parquet cannot print to the screen: name a file")
        made = f"Made by lieboard {logger.__version__} on {local_time(utc_now_ns())}"
        strikes = strike_values(store, row)
        content = None
        if out or as_json or not strikes:
            # It also says what to do when there is no strike.
            # Other programs get mm, whatever a person reads.
            shown = inches and not as_json
            content = all_fit(report_content(store, row, when=local_time, made=made, inches=shown))
    if csv:
        write_file(csv, strikes_csv(strikes).encode())
    if parquet:
        write_file(parquet, strikes_parquet(strikes))
    if content is None:
        return
    if as_json:
        write_file(as_json, report_json(content, strikes).encode())
    if out and out.suffix.casefold() == ".pdf":
        from analysis.report.pdf import report_pdf

        write_file(out, report_pdf(content, "A4" if paper is Paper.A4 else "Letter", inches=inches))
    elif out:
        from analysis.report.html import report_html

        write_file(out, report_html(content, inches=inches).encode())


def check_names(store: Store, given: Sequence[Path | None], endings: tuple[str, ...]) -> None:
    """Refuse before any work what cannot be written, and above all the data file itself.

    The first path is the sheet and must have one of ``endings``.
    """
    from logger.errors import UsageError

    out = given[0]
    if out is not None and out.suffix.casefold() not in endings:
        raise UsageError(f"-o {out}: name a file that ends in {' or '.join(endings)}")
    files = [path for path in given if path is not None and str(path) != "-"]
    for path in files:
        if path.resolve() == store.path.resolve():
            raise UsageError(f"{path} is the data file: name another file")
        if path.is_dir():
            raise UsageError(f"{path} is a folder: name a file in it")
        if path.exists() and not path.is_file():
            raise UsageError(f"{path} is a device and no file: name a file")
    if len({path.resolve() for path in files}) < len(files):
        raise UsageError("two results have the same file name: give each its own")


def write_file(path: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
    from logger.errors import UsageError

    if str(path) == "-":
        sys.stdout.write(content.decode())
        return
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(content)
        part.replace(path)
    except OSError as error:
        if part.exists():
            part.unlink()
        why = error.strerror or str(error)
        raise UsageError(f"{path} cannot be written ({why}): name another place") from error
    say(f"wrote {path}", err=True)
