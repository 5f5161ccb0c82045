"""What reading a data file can find wrong with it: damage, links, numbers, dates."""

from __future__ import annotations

import os
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.store.copying import integrity
from logger.store.names import columns_of, quoted, table_names
from logger.store.opening import open_connection
from logger.store.unfit_rows import unfit_rows

_DAY_NS = 24 * 3600 * 10**9
# Of the computer's clock; more is a clock that was wrong.
_AHEAD_NS = _DAY_NS
# 2015-01-01 UTC: before there was any board of this kind. A computer whose clock has lost its
# battery says 1970 or the year it was made.
_TOO_OLD_NS = 1_420_070_400 * 10**9
_AT_MOST = 20


@dataclass(frozen=True, slots=True)
class DataFinding:
    """One thing that was found."""

    code: str
    """Short name, always the same for the same kind of thing."""
    wrong: bool
    """False: worth knowing, and nothing is broken."""
    what: str
    do: str


def findings_in(connection: sqlite3.Connection, now_utc_ns: int) -> list[DataFinding]:
    """Look through a data file of this version; reads only."""
    damage = integrity(connection, at_most=5)
    if damage:
        # What the rest would say of a damaged file cannot be relied on.
        return [
            DataFinding(
                "damaged", True, f"the file is damaged: {'; '.join(damage)}",
                "keep a copy of it as it is, and go on with the latest backup; then merge what "
                "can still be read: lieboard merge FILE",
            )
        ]  # fmt: skip
    found: list[DataFinding] = []
    for look in _LOOKS:
        found += look(connection)
    return found + list(_dates(connection, now_utc_ns))


def read_by_others(path: Path) -> list[DataFinding]:
    """Tell whether other people on this computer can read or change a data file."""
    mode = path.stat().st_mode
    if os.name != "posix" or not mode & 0o066:
        return []
    what = "change" if mode & 0o022 else "read"
    return [
        DataFinding(
            "others", False, f"other people on this computer can {what} the file",
            f"if they should not: chmod 600 {path}",
        )
    ]  # fmt: skip


def open_scratch(path: Path) -> sqlite3.Connection:
    """Open a copy that nobody misses, upgraded if need be: no write to it waits for the disk."""
    connection = open_connection(path, read_only=False, busy_s=1.0)
    connection.execute("PRAGMA synchronous = OFF")
    return connection


def damage_of(connection: sqlite3.Connection) -> list[DataFinding]:
    """Tell what is wrong with the file itself and its links; the rest is not worth asking then."""
    return [
        DataFinding(
            "damaged",
            True,
            f"the file is damaged: {'; '.join(found)}",
            "keep a copy of it as it is, and go on with the latest backup",
        )
        for found in (integrity(connection, at_most=5),)
        if found
    ] or list(_links(connection))


def _links(connection: sqlite3.Connection) -> Iterator[DataFinding]:
    broken: Counter[tuple[str, str]] = Counter()
    for table, _, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        broken[table, parent] += 1
    for (table, parent), count in sorted(broken.items()):
        yield DataFinding(
            "link", True, f"{count} rows of {table} name rows of {parent} that are not there",
            "another program has changed the file: go on with the latest backup",
        )  # fmt: skip


def _holes(connection: sqlite3.Connection) -> Iterator[DataFinding]:
    boots = connection.execute(
        "SELECT boots.id, boards.name, boots.boot_key, boards.form FROM boots"
        " JOIN boards ON boards.id = boots.board ORDER BY boots.id"
    ).fetchall()
    for boot, name, key, form in boots:
        spans = connection.execute(
            "SELECT MIN(sequence), MAX(sequence) FROM ("
            "  SELECT sequence, sequence - ROW_NUMBER() OVER (ORDER BY sequence) AS run"
            "  FROM records WHERE boot = :boot) GROUP BY run"
            " UNION ALL SELECT from_sequence, to_sequence FROM losses"
            "  WHERE boot = :boot AND from_sequence IS NOT NULL ORDER BY 1, 2",
            {"boot": boot},
        ).fetchall()
        # A board that speaks text may have begun to number before anybody listened.
        at = spans[0][0] if spans and form == "text" else 0
        holes = []
        for first, last in spans:
            if first > at:
                holes.append((at, first - 1))
            at = max(at, last + 1)
        if holes:
            yield DataFinding(
                "hole", True,
                f"{name}, start {key}: records {_spans(holes)} are neither stored nor noted as "
                "lost",
                "connect the board and run 'lieboard log PORT': it sends them again if it was not "
                "switched off since; if another laptop logged it, merge that one's file",
            )  # fmt: skip


def _unfit(connection: sqlite3.Connection) -> Iterator[DataFinding]:
    groups: dict[tuple[str, str], list[int]] = {}
    for row in unfit_rows(connection):
        groups.setdefault((row.table, row.reason), []).append(row.number)
    # One spoilt file can hold any number of reasons.
    for (table, reason), numbers in list(groups.items())[:_AT_MOST]:
        yield DataFinding(
            "unfit", True, f"{table}, rows {_some(numbers)}: {reason}",
            "another program has changed the file: go on with the latest backup, or take these "
            "rows out with 'lieboard check --set-aside', which keeps a copy of the file",
        )  # fmt: skip
    more = len(groups) - _AT_MOST
    if more > 0:
        yield DataFinding("unfit", True, f"and {more} more reasons why rows cannot be", "as above")


def _strikes(connection: sqlite3.Connection) -> Iterator[DataFinding]:
    gone = _ids(
        connection,
        "SELECT id FROM strikes WHERE (SELECT COUNT(*) FROM records"
        " WHERE records.boot = strikes.boot AND sequence IN (first_sequence, last_sequence))"
        " < 1 + (first_sequence <> last_sequence)"
        # A session that a bay sends may be here before its records are.
        " AND session NOT IN (SELECT session FROM session_origins) ORDER BY id",
    )
    if gone:
        yield DataFinding(
            "strike-without-record", True, f"strikes {_some(gone)} have no raw record",
            "they cannot be worked out again; if another laptop logged them, merge its file",
        )  # fmt: skip
    elsewhere = _ids(
        connection,
        "SELECT strikes.id FROM strikes JOIN records ON records.boot = strikes.boot"
        " AND records.sequence = strikes.first_sequence"
        " WHERE records.session IS NOT strikes.session ORDER BY strikes.id",
    )
    if elsewhere:
        yield DataFinding(
            "strike-elsewhere", True,
            f"strikes {_some(elsewhere)} are in another session than their records",
            "go on with the latest backup",
        )  # fmt: skip
    strange = _ids(
        connection,
        "SELECT strikes.id FROM strikes JOIN sessions ON sessions.id = strikes.session"
        ' JOIN clubs ON clubs.id = strikes.club WHERE clubs."set" <> sessions."set"'
        " ORDER BY strikes.id",
    )
    if strange:
        yield DataFinding(
            "strange-club", True, f"strikes {_some(strange)} stand under a club of another set",
            "another program has changed the file: go on with the latest backup",
        )  # fmt: skip
    overlap = _ids(
        connection,
        "SELECT strikes.id FROM strikes JOIN losses ON losses.boot = strikes.boot"
        " AND first_sequence BETWEEN from_sequence AND to_sequence ORDER BY strikes.id",
    )
    if overlap:
        yield DataFinding(
            "lost-and-there", True, f"strikes {_some(overlap)} are noted as lost as well",
            "they count all the same; the count of lost records is too high",
        )  # fmt: skip


def _clashes(connection: sqlite3.Connection) -> Iterator[DataFinding]:
    count = connection.execute("SELECT COUNT(*) FROM clashes").fetchone()[0]
    if count:
        yield DataFinding(
            "clash", False,
            f"{count} records came with other bytes under a number that was taken: kept aside",
            "nothing; if it grows, the board does not count its starts (wire.md, boot id)",
        )  # fmt: skip


def _dates(connection: sqlite3.Connection, now_utc_ns: int) -> Iterator[DataFinding]:
    """Find moments that lie in the future, or before there was any board."""
    for table in table_names(connection):
        for column in columns_of(connection, table):
            if not column.endswith("_utc_ns"):
                continue
            ahead, old = connection.execute(
                f"SELECT COALESCE(SUM({quoted(column)} > ?), 0),"
                f" COALESCE(SUM({quoted(column)} < ?), 0) FROM {quoted(table)}",
                (now_utc_ns + _AHEAD_NS, _TOO_OLD_NS),
            ).fetchone()
            if ahead:
                do = (
                    "they hold for nothing that is struck before then: calibrate or rock again, "
                    "or set this computer's clock if it is slow"
                    if table == "calibrations"
                    else "set this computer's clock; if it is right, it was fast when they were "
                    "written, and 'lieboard history' will show them out of order"
                )
                yield DataFinding(
                    "future",
                    True,
                    f"{ahead} rows of {table} are dated in the future ({column})",
                    do,
                )
            if old:
                yield DataFinding(
                    "past", True, f"{old} rows of {table} are dated before 2015 ({column})",
                    "the computer's clock was wrong; numbers within a session hold, their order "
                    "among sessions does not",
                )  # fmt: skip


_LOOKS: tuple[Callable[[sqlite3.Connection], Iterator[DataFinding]], ...] = (
    _holes,
    _unfit,
    _strikes,
    _clashes,
)


def _ids(connection: sqlite3.Connection, sql: str) -> list[int]:
    return [row[0] for row in connection.execute(sql)]


def _some(numbers: Sequence[int]) -> str:
    shown = ", ".join(map(str, numbers[:_AT_MOST]))
    more = len(numbers) - _AT_MOST
    return f"{shown} and {more} more" if more > 0 else shown


def _spans(spans: Sequence[tuple[int, int]]) -> str:
    shown = [str(a) if a == b else f"{a} to {b}" for a, b in spans[:_AT_MOST]]
    more = len(spans) - _AT_MOST
    return ", ".join(shown) + (f" and {more} more spans" if more > 0 else "")
