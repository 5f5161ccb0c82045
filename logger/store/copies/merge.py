"""Take another data file into this one: all of it or nothing, and nothing twice.

`logger.store.copies.merge_rules` says which rows are the same and what happens if they differ.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path

from logger.errors import StoreError
from logger.store.carry_schema import OF_THIS_FILE
from logger.store.copies.merge_losses import merge_losses
from logger.store.copies.merge_records import merge_boots, merge_clashes, merge_records
from logger.store.copies.merge_rows import Difference, Merging, merge_table
from logger.store.copies.merge_sets import settle_sets, sides_of
from logger.store.copying import copy_database, integrity
from logger.store.explain import explained
from logger.store.names import columns_of, has_row_numbers, links_of, quoted, table_names
from logger.store.opening import look_into, open_connection
from logger.store.store import Store
from logger.store.unfit_rows import UnfitRow, take_out, unfit_rows

OTHER = "other"
_TRIGGERS = "SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'"
# Taken in by functions of their own, in this order among the others.
_OWN_WAY = ("boots", "records", "clashes", "losses")


@dataclass(frozen=True, slots=True)
class MergeReport:
    """What a merge did."""

    added: dict[str, int]
    """New rows by table, none of them 0."""
    changed: dict[str, int]
    """Rows by table that say something else now."""
    differences: Sequence[Difference]
    """Where the files said different things, and which word was kept."""
    mixed: Sequence[tuple[int, int]] = field(default=())
    """(session, boot) where records of both files came together: strikes of it are to be worked
    out again."""
    left_out: Sequence[UnfitRow] = field(default=())
    """Rows of the other file that cannot be, and were not taken in."""
    copy_before: Path | None = None
    """This file as it was; None if nothing changed."""


def copy_of_other(path: Path, folder: Path) -> Path:
    """Make a copy of another data file that is of this version; the file itself is not touched.

    Raises
    ------
    StoreError
        It is not ours, or damaged.
    SchemaVersionError
        A newer version wrote it.
    """
    target = folder / "other.db"
    with closing(look_into(path)) as source, explained(path):
        wrong = integrity(source, at_most=1)
        if wrong:
            raise StoreError(
                f"{path}: the file is damaged ({wrong[0]}): nothing was taken from it; merge a "
                "backup of it"
            )
        copy_database(source, target)
    try:
        open_connection(target, read_only=False, busy_s=5.0).close()
    except StoreError as error:
        raise StoreError(f"{path}: {error}".replace(str(target), "a copy of it")) from error
    return target


class MergingStore(Store):
    """A data file that takes in another."""

    def merge(self, path: Path, rework: Callable[[int, int], object]) -> MergeReport:
        """Take in the data file at ``path``, which is not touched; all of it or nothing.

        Parameters
        ----------
        path
            Of this version or an older one, in use or not.
        rework
            Called inside the transaction with each session and boot in which records of both files
            came together: strikes of it are to be worked out again.

        Raises
        ------
        StoreError
            With one line that says what to do; this file is then as it was.
        SchemaVersionError
            A newer version wrote the other file.
        """
        if path.exists() and self.path.exists() and path.samefile(self.path):
            raise StoreError(f"{path}: this is the data file itself: name another one")
        with tempfile.TemporaryDirectory(prefix="lieboard-") as folder:
            copy = copy_of_other(path, Path(folder))
            left_out = _leave_out(copy, self._triggers())
            with Store.open(copy) as other:
                other.acts.work_out(by_acts=False)
            with self.file.lock:
                with explained(copy):
                    self.file.connection.execute("ATTACH ? AS other", (str(copy),))
                try:
                    return replace(self._merge_attached(path, rework), left_out=left_out)
                finally:
                    self.file.connection.execute("DETACH other")

    def _triggers(self) -> set[tuple[str, str]]:
        return set(self.file.connection.execute(_TRIGGERS))

    def _merge_attached(self, path: Path, rework: Callable[[int, int], object]) -> MergeReport:
        with self.file.writing() as connection:
            tables = _common_tables(connection, path)
            merging = Merging(connection, OTHER)
            own_acts = {act.act_key for act in self.acts.all()}
            self.acts.work_out(by_acts=False)
            ours, theirs = sides_of(merging, "main"), sides_of(merging, OTHER)
            mixed = _merge_tables(merging, tables)
            settle_sets(merging, ours, theirs)
            for session in sorted(merging.refile):
                self.strikes.refile(session)
            for what, kept, dropped in self.acts.disagreements(own_acts, _act_keys(connection)):
                merging.differ(what, kept, dropped)
            mixed |= self.acts.work_out()
            there = {row.id for row in self.sessions.all()}
            mixed = {(session, boot) for session, boot in mixed if session in there}
            for session, boot in sorted(mixed):
                rework(session, boot)
            if connection.execute("PRAGMA main.foreign_key_check").fetchone() is not None:
                raise StoreError(
                    f"{path}: taking it in would break links between tables: nothing was changed; "
                    "run 'lieboard check' on both files"
                )
        return MergeReport(
            {table: count for table, count in sorted(merging.added.items()) if count > 0},
            {table: count for table, count in sorted(merging.changed.items()) if count > 0},
            tuple(merging.differences),
            tuple(sorted(mixed)),
        )


def _act_keys(connection: sqlite3.Connection) -> set[str]:
    return {str(key) for (key,) in connection.execute("SELECT act_key FROM other.acts")}


def _leave_out(copy: Path, triggers: set[tuple[str, str]]) -> tuple[UnfitRow, ...]:
    """Take what cannot be out of a copy of the other file; return what that was."""
    with explained(copy), closing(sqlite3.connect(copy, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        # Nothing that somebody else put there may run.
        for name, sql in connection.execute(_TRIGGERS).fetchall():
            if (name, sql) not in triggers:
                connection.execute(f"DROP TRIGGER {quoted(name)}")
        found = tuple(unfit_rows(connection))
        if found:
            connection.execute("BEGIN")
            take_out(connection, found)
            connection.execute("COMMIT")
    return found


def _merge_tables(merging: Merging, tables: Sequence[str]) -> set[tuple[int, int]]:
    mixed: set[tuple[int, int]] = set()
    for table in tables:
        if table == "boots":
            merge_boots(merging)
        elif table == "records":
            mixed = merge_records(merging)
        elif table not in _OWN_WAY:
            if has_row_numbers(merging.connection, table):
                merge_table(merging, table)
            else:
                _merge_without_numbers(merging, table)
    merge_clashes(merging)
    merge_losses(merging)
    # A record belongs to one session, and its strike with it.
    merging.connection.execute(
        "UPDATE main.strikes SET session = moved.session FROM main.records AS moved"
        " WHERE moved.boot = strikes.boot AND moved.sequence = strikes.first_sequence"
        " AND moved.session <> strikes.session"
    )
    return mixed


def _common_tables(connection: sqlite3.Connection, path: Path) -> list[str]:
    """Tables to take in, each after those that it refers to.

    Raises
    ------
    StoreError
        The other file's tables are not these: somebody changed it by other means.
    """
    own, others = table_names(connection), table_names(connection, OTHER)
    if own != others or any(
        columns_of(connection, name) != columns_of(connection, name, OTHER) for name in own
    ):
        raise StoreError(f"{path}: its tables are not those of lieboard: nothing was taken from it")
    ordered: list[str] = []
    while len(ordered) < len(own):
        ready = [
            name
            for name in own
            if name not in ordered
            # A set names one of its clubs, which come after it.
            and all(
                parent in ordered or parent == name or (name, column) == ("sets", "pivot_club")
                for column, parent in links_of(connection, name).items()
            )
        ]
        if not ready:
            raise StoreError("tables refer to each other in a circle: report this")
        ordered += ready
    return [name for name in ordered if name not in OF_THIS_FILE]


def _merge_without_numbers(merging: Merging, table: str) -> None:
    """Take in rows of a table whose rows are their own names."""
    connection = merging.connection
    names = list(columns_of(connection, table))
    columns = ", ".join(map(quoted, names))
    places = ", ".join("?" * len(names))
    for values in connection.execute(
        f"SELECT {columns} FROM {quoted(OTHER)}.{quoted(table)}"
    ).fetchall():
        row = merging.translated(table, dict(zip(names, values, strict=True)))
        if None in row.values():
            continue
        cursor = connection.execute(
            f"INSERT OR IGNORE INTO main.{quoted(table)} ({columns}) VALUES ({places})",
            list(row.values()),
        )
        merging.added[table] += max(cursor.rowcount, 0)
