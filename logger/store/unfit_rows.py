"""Rows of a data file that no board and no person can have said: found, named, taken out.

A file can be changed by any program. What is merged is looked at as if it came off the wire, and
``lieboard check`` looks at the file itself in the same way.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final, TypeAlias

from logger.errors import StoreError
from logger.protocol.decoding import check_raw
from logger.protocol.hello import hello_from_json
from logger.protocol.layout import MAX_BODY_BYTES, MAX_PARTS, TICK_RANGE
from logger.store.names import columns_of, has_row_numbers, links_of, must_have, quoted, table_names
from logger.store.packing import unpack_raw

# Each body after its length (`logger.store.packing`); a text line is shorter.
_MAX_RAW_BYTES: Final = MAX_PARTS * (MAX_BODY_BYTES + 2)
_MAX_TEXT: Final = 2_000
_MAX_JSON: Final = 200_000
# Years 1823 to 2116: what is added to such a moment still fits 64 bits.
_FARTHEST_NS: Final = 1 << 62
_Limits: TypeAlias = tuple[float, float]
_SEQUENCE: Final[_Limits] = (0, TICK_RANGE - 1)
_WHOLE: Final[dict[str, _Limits]] = {
    "sequence": _SEQUENCE,
    "first_sequence": _SEQUENCE,
    "last_sequence": _SEQUENCE,
    "from_sequence": _SEQUENCE,
    "to_sequence": _SEQUENCE,
    "within": (0, TICK_RANGE),
    "flags": (0, 0xFFFF),
    "count": (1, TICK_RANGE),
    "struck_u_ns": (0, _FARTHEST_NS),
    # A monotonic clock.
    "arrival_ns": (0, _FARTHEST_NS),
    "left_count": (0, 1e6),
    "straight_count": (0, 1e6),
    "right_count": (0, 1e6),
    "ball": (0, 1),
    "accepted": (0, 1),
}
# Far beyond any club and any swing: what is inside divides and multiplies to something finite.
_REAL: Final[dict[str, _Limits]] = {
    "length_mm": (1, 5_000),
    "lie_deg": (1, 179),
    "loft_deg": (0, 89),
    "bounce_deg": (-89, 89),
    "camber_mm": (1, 100_000),
    "camber_u_mm": (0, 100_000),
    "sole_length_mm": (1, 1_000),
    "machine_increment_deg": (0.001, 45),
    "u_mm": (0, 1e4),
    "stance_u_mm": (0, 1e4),
    "sole_middle_u_mm": (0, 1e4),
    "load": (-1e12, 1e12),
    "span_us": (0, 1e13),
}
_ANY_REAL: Final[_Limits] = (-1e6, 1e6)
_WORDS: Final[dict[tuple[str, str], tuple[str, ...]]] = {
    ("players", "hand"): ("right", "left"),
    ("sessions", "hand"): ("right", "left"),
    ("boards", "form"): ("binary", "text"),
    ("records", "kind"): ("reading", "strike", "button"),
    ("strikes", "fitter_choice"): ("use", "aside"),
    ("marks", "fitter_choice"): ("use", "aside"),
}


@dataclass(frozen=True, slots=True)
class UnfitRow:
    """A row that cannot be."""

    table: str
    number: int
    """Its row number; 0 in a table whose rows are their own names."""
    reason: str


def unfit_rows(
    connection: sqlite3.Connection, looked: Callable[[int], None] = lambda rows: None
) -> list[UnfitRow]:
    """Look at every value of every row; ``looked`` is told how many rows were looked at."""
    found: list[UnfitRow] = []
    looks = [_Looked(connection, name) for name in table_names(connection)]
    done = 0
    with _bytes_for_text(connection):
        for table in looks:
            for one in table.unfit(connection):
                done += 1
                if done % 4096 == 0:
                    looked(done)
                if one is not None:
                    found.append(one)
    return found


def take_out(connection: sqlite3.Connection, rows: Sequence[UnfitRow]) -> int:
    """Delete rows and what hangs on them; return how many went in all.

    Of a record that goes its number is noted as lost, so that nobody waits for it. The caller has
    a transaction open, in which links are not enforced (``PRAGMA defer_foreign_keys``).
    """
    before = connection.total_changes
    connection.execute("PRAGMA defer_foreign_keys = ON")
    for row in rows:
        if row.table == "records":
            _take_out_record(connection, row)
        elif row.number:
            connection.execute(f"DELETE FROM {quoted(row.table)} WHERE rowid = ?", (row.number,))
        else:
            _take_out_unnumbered(connection, row.table)
    while _mend_links(connection):
        pass
    return connection.total_changes - before


def _take_out_record(connection: sqlite3.Connection, row: UnfitRow) -> None:
    named = connection.execute(
        "DELETE FROM records WHERE rowid = ? RETURNING boot, sequence, session", (row.number,)
    ).fetchone()
    if named is None or not isinstance(named[1], int) or not 0 <= named[1] < TICK_RANGE:
        return
    boot, sequence, session = named
    connection.execute(
        "DELETE FROM strikes WHERE boot = ? AND ? BETWEEN first_sequence AND last_sequence",
        (boot, sequence),
    )
    connection.execute(
        "INSERT INTO losses (boot, session, from_sequence, to_sequence, count, reason,"
        " noted_utc_ns) SELECT boots.id, sessions.id, ?, ?, 1, ?, first_seen_utc_ns FROM boots"
        " LEFT JOIN sessions ON sessions.id = ? WHERE boots.id = ? ON CONFLICT DO NOTHING",
        (sequence, sequence, f"set aside: {row.reason}", session, boot),
    )


def _take_out_unnumbered(connection: sqlite3.Connection, table: str) -> None:
    """Delete all unfit rows of a table whose rows are their own names."""
    names = list(columns_of(connection, table))
    look = _checks(connection, table)
    with _bytes_for_text(connection):
        rows = connection.execute(
            f"SELECT {', '.join(map(quoted, names))} FROM {quoted(table)}"
        ).fetchall()
    for values in rows:
        if _reason(look, values):
            # A text is compared as the bytes that it is.
            same = " AND ".join(
                f"CAST({quoted(name)} AS BLOB) IS CAST(? AS BLOB)" for name in names
            )
            connection.execute(f"DELETE FROM {quoted(table)} WHERE {same}", values)


def _mend_links(connection: sqlite3.Connection) -> bool:
    """Drop rows whose links lead nowhere, or the link where it may be missing."""
    before = connection.total_changes
    for table in table_names(connection):
        must = must_have(connection, table)
        for _, _, parent, column, target, *_ in connection.execute(
            f"PRAGMA foreign_key_list({quoted(table)})"
        ).fetchall():
            place, key = quoted(column), quoted(target or "id")
            lost = (
                f"{place} IS NOT NULL AND NOT EXISTS (SELECT 1 FROM {quoted(parent)} AS parent"
                f" WHERE parent.{key} = {quoted(table)}.{place})"
            )
            connection.execute(
                f"DELETE FROM {quoted(table)} WHERE {lost}"
                if column in must
                else f"UPDATE {quoted(table)} SET {place} = NULL WHERE {lost}"
            )
    return connection.total_changes > before


_Look: TypeAlias = "tuple[str, Callable[[object], str], bool]"


class _Looked:
    """One table as it is looked through."""

    def __init__(self, connection: sqlite3.Connection, table: str) -> None:
        self._table = table
        self._names = list(columns_of(connection, table))
        self._look = _checks(connection, table)
        number = "rowid" if has_row_numbers(connection, table) else "0"
        # A blob that is too long is not even read.
        said = [
            f"CASE WHEN LENGTH({quoted(name)}) > {_MAX_RAW_BYTES} THEN NULL ELSE {quoted(name)} END"
            if name == "raw"
            else quoted(name)
            for name in self._names
        ]
        self._sql = f"SELECT {number}, {', '.join(said)} FROM {quoted(table)}"

    def unfit(self, connection: sqlite3.Connection) -> Iterator[UnfitRow | None]:
        """Give each row that cannot be, and None for each that can."""
        table = self._table
        for row, *values in connection.execute(self._sql):
            reason = _reason(self._look, values)
            if not reason and table in ("records", "clashes"):
                row_said = dict(zip(self._names, values, strict=True))
                # What was kept aside is kept because it is odd.
                reason = _raw_fault(row_said, whole=table == "records")
            yield UnfitRow(table, int(row), reason) if reason else None


def _reason(look: Sequence[_Look], values: Sequence[object]) -> str:
    for (name, check, may_miss), value in zip(look, values, strict=True):
        if value is None:
            if not may_miss:
                return f"{name} is missing or too long"
            continue
        fault = check(value)
        if fault:
            return f"{name} {fault}"
    return ""


def _checks(connection: sqlite3.Connection, table: str) -> list[_Look]:
    must = must_have(connection, table)
    links = links_of(connection, table)
    return [
        (name, _check_of(table, name, kind, linked=name in links), name not in must)
        for name, kind in columns_of(connection, table).items()
    ]


def _check_of(table: str, name: str, kind: str, *, linked: bool) -> Callable[[object], str]:
    if kind == "INTEGER":
        limits = _WHOLE.get(name)
        if name.endswith("_utc_ns"):
            limits = (-_FARTHEST_NS, _FARTHEST_NS)
        return lambda value: _number_fault(value, None if linked else limits, whole=True)
    if kind == "REAL":
        return lambda value: _number_fault(value, _REAL.get(name, _ANY_REAL), whole=False)
    if kind == "BLOB":
        return lambda value: "" if isinstance(value, bytes) else "is not bytes"
    if (table, name) == ("boots", "hello"):
        return _hello_fault
    if (table, name) == ("calibrations", "content"):
        return _content_fault
    if table == "act_parts" and name in ("value", "was"):
        return _json_fault
    words = _WORDS.get((table, name))
    if words is not None:
        return lambda value: (
            "" if _text(value) in words else f"is none of {', '.join(map(str, words))}"
        )
    return _text_fault


def _number_fault(value: object, limits: _Limits | None, *, whole: bool) -> str:
    if not isinstance(value, int if whole else (int, float)):
        return "is not a whole number" if whole else "is not a number"
    assert isinstance(value, int | float)
    if not math.isfinite(value):
        return "is not a finite number"
    if limits is not None and not limits[0] <= value <= limits[1]:
        return f"is {value}, must be {limits[0]:.12g} to {limits[1]:.12g}"
    return ""


def _text(value: object) -> str | None:
    try:
        return value.decode() if isinstance(value, bytes) else None
    except UnicodeDecodeError:
        return None


def _text_fault(value: object, most: int = _MAX_TEXT) -> str:
    said = _text(value)
    if said is None or "\0" in said:
        return "is not a text"
    return f"has {len(said)} letters, at most {most} can be" if len(said) > most else ""


def _hello_fault(value: object) -> str:
    try:
        hello_from_json(_text(value))
    except ValueError as error:
        return f"cannot be: {error}"
    return ""


def _content_fault(value: object) -> str:
    fault = _text_fault(value, _MAX_JSON)
    if fault:
        return fault
    try:
        good = isinstance(json.loads(_text(value) or ""), dict)
    except (ValueError, RecursionError):
        good = False
    return "" if good else "cannot be read"


def _json_fault(value: object) -> str:
    fault = _text_fault(value, _MAX_JSON)
    if fault:
        return fault
    try:
        json.loads(_text(value) or "")
    except (ValueError, RecursionError):
        return "is not JSON"
    return ""


def _raw_fault(row: dict[str, object], *, whole: bool) -> str:
    raw, kind, sequence = row["raw"], _text(row["kind"]), row["sequence"]
    assert isinstance(raw, bytes)
    try:
        bodies = unpack_raw(raw)
        if whole:
            check_raw(bodies, kind, sequence)
    except (StoreError, ValueError) as error:
        return f"raw cannot be read: {error}"
    return ""


@contextmanager
def _bytes_for_text(connection: sqlite3.Connection) -> Iterator[None]:
    """Read texts as bytes: what is no text must not end the looking."""
    before = connection.text_factory
    connection.text_factory = bytes
    try:
        yield
    finally:
        connection.text_factory = before
