"""``lieboard backup``, ``merge`` and ``check``: care of the data file."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeAlias

import typer

from logger.cli.common import DbOption, output, say, utc_now_ns
from logger.errors import StoreError

if TYPE_CHECKING:
    from logger.store.checking import DataFinding
    from logger.store.copies.merge import MergeReport

_SHOWN = 20
_Working: TypeAlias = Callable[[int, int], None]
# What people call the tables.
_WORDS = {
    "club_specs": "changes of clubs",
    "turns": "changes of the club that is up",
    "agreed_boards": "boards agreed to",
    "presses": "presses of the foot switch",
    "boots": "starts of boards",
    "records": "raw records",
}


def _data_file(db: Path | None) -> Path:
    from logger.config import default_db_path

    return db or default_db_path()


def backup(
    target: Annotated[Path, typer.Argument(metavar="FILE", help="New file; with --keep a folder.")],
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace FILE if it is there.")
    ] = False,
    keep: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=10_000,
            help="Write a dated file into the folder and keep the latest so many.",
        ),
    ] = None,
    db: DbOption = None,
) -> None:
    """Copy the data file, also while a session is logged, and check the copy.

    The copy appears under its name only when it is whole and read back. It is a data file like any
    other: --db names it, and copied over your own (with no lieboard running) it restores it.

    Examples: lieboard backup /media/stick/lies.db; lieboard backup ~/backups --keep 7
    """
    from logger.errors import UsageError
    from logger.store.copies.backup import back_up, back_up_in_turn

    path = _data_file(db)
    if keep is None:
        made = back_up(path, target, overwrite=overwrite)
    else:
        if overwrite:
            raise UsageError("--overwrite: with --keep every backup gets a name of its own")
        if not target.is_dir():
            raise UsageError(f"{target}: with --keep name a folder that is there")
        made = back_up_in_turn(path, target, utc_stamp=_stamp(), keep=keep)
    facts = made.facts
    say(
        f"{made.path}: {facts.size_bytes / 1e6:.1f} MB, {facts.rows.get('sessions', 0)} sessions, "
        f"{facts.rows.get('records', 0)} raw records, schema {facts.schema}; read back, nothing "
        "wrong"
    )
    for old in made.removed:
        say(f"removed {old}")


def _stamp() -> str:
    import datetime

    moment = datetime.datetime.fromtimestamp(utc_now_ns() // 10**9, tz=datetime.UTC)
    return moment.strftime("%Y%m%dT%H%M%SZ")


def merge(
    other: Annotated[
        Path | None,
        typer.Argument(
            metavar="FILE", help="The other data file; it is not touched.", show_default=False
        ),
    ] = None,
    take_back: Annotated[
        bool, typer.Option("--take-back", help="Return to what yours was before the last merge.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
    db: DbOption = None,
) -> None:
    """Take another data file into yours: a second laptop's, or a backup; nothing comes in twice.

    All of it or nothing. Merging either file into the other gives the same. If they say different
    things, a contact that one of them set aside stays set aside, the set that was imported later
    counts, and of anything else the greater value; each is listed. What was removed from one file
    and is still in the other comes back. Boards that the other file agreed to are agreed to.
    Rows that no board and no person can have said are named and left out. A copy of yours is kept
    beside it.

    Examples: lieboard merge /media/stick/laptop-2.db; lieboard merge --take-back
    """
    from logger.cli.common import open_store
    from logger.errors import UsageError
    from logger.session.logging.rework import merge_file, take_back_merge

    if take_back:
        if other is not None:
            raise UsageError("--take-back returns to a copy: leave the FILE out")
        earlier, kept = take_back_merge(_data_file(db))
        say(f"{_data_file(db)}: as it was in {earlier.name}; what it had become is in {kept}")
        return
    if other is None:
        raise UsageError("name the data file to take in, or say --take-back")
    with open_store(db) as store:
        # Makes the file if this is the first thing that it is used for.
        path = store.path
    report = merge_file(path, other)
    if as_json:
        print(json.dumps(_report_json(report), indent=1))
        return
    for row in report.left_out[:_SHOWN]:
        say(f"left out: {row.table}, row {row.number}: {row.reason}")
    if len(report.left_out) > _SHOWN:
        say(f"left out: {len(report.left_out) - _SHOWN} more rows that cannot be")
    if report.copy_before is not None:
        say(f"yours as it was: {report.copy_before} (lieboard merge --take-back returns to it)")
    if not report.added and not report.changed:
        say(f"{other}: nothing in it that {path} does not have")
    for title, counts in (("new", report.added), ("changed", report.changed)):
        if counts:
            listed = ", ".join(
                f"{n} {_WORDS.get(t, t.replace('_', ' '))}" for t, n in counts.items()
            )
            say(f"{title}: {listed}")
    if report.mixed:
        numbers = sorted({session for session, _ in report.mixed})
        say(
            f"worked out again, since records of both came together: session "
            f"{', '.join(map(str, numbers))}"
        )
    for one in report.differences:
        say(f"{one.what}: kept {_said(one.kept)}, not {_said(one.dropped)}")


def _said(value: object) -> str:
    return "-" if value is None else str(value)


def _report_json(report: MergeReport) -> dict[str, object]:
    return {
        "added": report.added,
        "changed": report.changed,
        "worked_out_again": [{"session": s, "boot": b} for s, b in report.mixed],
        "left_out": [
            {"table": one.table, "row": one.number, "reason": one.reason} for one in report.left_out
        ],
        "copy_before": None if report.copy_before is None else str(report.copy_before),
        "differences": [
            {"what": one.what, "kept": _plain(one.kept), "dropped": _plain(one.dropped)}
            for one in report.differences
        ],
    }


def _plain(value: object) -> object:
    return value.hex() if isinstance(value, bytes) else value


def check(
    quick: Annotated[
        bool, typer.Option("--quick", help="Do not work all strikes out again.")
    ] = False,
    mend: Annotated[
        bool,
        typer.Option("--mend", help="Work strikes out again where the records say something else."),
    ] = False,
    set_aside: Annotated[
        bool,
        typer.Option("--set-aside", help="Take rows out that cannot be; a copy is kept."),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
    db: DbOption = None,
) -> int:
    """Look through the data file: damage, links, missing records, dates, strikes against records.

    Nothing is changed but by --mend, which makes no word of yours undone, and by --set-aside. Ends
    with exit code 4 if something is wrong.

    Example: lieboard check
    """
    from logger.errors import UsageError
    from logger.session.logging.rework import check_file

    if quick and mend:
        raise UsageError("--mend works all strikes out again: leave out --quick")
    path = _data_file(db)
    if set_aside:
        _set_aside(path, as_json=as_json)
    with _progress(show=not as_json and sys.stdout.isatty()) as working:
        if mend:
            _mend(path, working, as_json=as_json)
        findings = check_file(path, utc_now_ns(), rebuild=not quick, working=working)
    wrong = any(one.wrong for one in findings)
    if as_json:
        print(json.dumps(_findings_json(path, findings), indent=1))
    else:
        _show(path, findings)
    return StoreError.exit_code if wrong else 0


def _set_aside(path: Path, *, as_json: bool) -> None:
    from logger.session.logging.rework import set_aside_unfit

    rows, copy = set_aside_unfit(path)
    for row in rows[:_SHOWN]:
        say(f"taken out: {row.table}, row {row.number}: {row.reason}", err=as_json)
    if len(rows) > _SHOWN:
        say(f"taken out: {len(rows) - _SHOWN} more rows that cannot be", err=as_json)
    if copy is not None:
        say(f"the file as it was: {copy}", err=as_json)


def _mend(path: Path, working: _Working, *, as_json: bool) -> None:
    from logger.session.logging.rework import rebuild_all
    from logger.store.store import Store

    with Store.open(path) as store:
        for session, words in rebuild_all(store, working):
            say(f"session {session}: {len(words)} contacts worked out again", err=as_json)


def _findings_json(path: Path, findings: Sequence[DataFinding]) -> dict[str, object]:
    from dataclasses import asdict

    return {
        "file": str(path),
        "wrong": any(one.wrong for one in findings),
        "findings": [asdict(one) for one in findings],
    }


def _show(path: Path, findings: Sequence[DataFinding]) -> None:
    if not findings:
        say(f"{path}: nothing wrong")
        return
    for one in findings:
        say(f"{'WRONG' if one.wrong else 'note '} {one.what}")
        say(f"      {one.do}")


@contextmanager
def _progress(*, show: bool) -> Iterator[_Working]:
    from rich.progress import Progress

    with Progress(console=output(), transient=True, disable=not show) as progress:
        task = progress.add_task("working strikes out again", total=None)
        yield lambda done, of: progress.update(task, completed=done, total=of)
