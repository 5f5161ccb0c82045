"""A session's strikes and report for other programs: CSV, JSON, Parquet.

Contacts, one a row by time struck, the same columns in all three (CSV writes yes, no and nothing
where JSON has true, false and null):

================ ======= =========================================================================
player, set      text    whose session it is
session          integer its number
club             text    label; missing = struck while no club was up
struck_utc       text    ISO 8601, UTC, to the millisecond
source           text    ``board``, or ``mark`` read off the sole
number           integer of the contact in its session, in the order they were struck: the same
                         on every screen, and what every command takes
id               integer with ``source`` it names the contact in this data file
kind             text    what the board's signal was taken for
toe_mm           number  along the sole from its middle, + toe, by the address mark
trail_mm         number  front to back from mid-sole, + trailing edge
board_mm         number  along the strip from its middle
used             truth   whether it counts
set_aside_by     text    ``rule`` or ``fitter``; missing = it counts
reason           text    why it was set aside
load             number  sum of pressure, the board's own unit
span_us          number  length of the contact, microseconds
method_version   text    what worked it out
================ ======= =========================================================================

JSON is one object: ``schema`` (`JSON_SCHEMA`), then the fields of
`analysis.report.content.ReportContent` under their own names, and ``strikes`` with the rows above.
Lengths are mm, angles degrees, intervals objects of ``low``, ``high`` and ``confidence``; null is
not known. A new field does not change ``schema``; another meaning of an old one does.
"""

from __future__ import annotations

import csv
import datetime
import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from analysis.report.content import ReportContent
from logger.errors import UsageError
from logger.store.rows import SessionRow
from logger.store.store import Store

JSON_SCHEMA = "lieboard report 2"

# Name, Arrow type, whether a value may be missing.
STRIKE_COLUMNS: tuple[tuple[str, str, bool], ...] = (
    ("player", "string", False),
    ("set", "string", False),
    ("session", "int64", False),
    ("club", "string", True),
    ("struck_utc", "string", False),
    ("source", "string", False),
    ("number", "int64", False),
    ("id", "int64", False),
    ("kind", "string", False),
    ("toe_mm", "float64", True),
    ("trail_mm", "float64", True),
    ("board_mm", "float64", True),
    ("used", "bool", False),
    ("set_aside_by", "string", True),
    ("reason", "string", True),
    ("load", "float64", True),
    ("span_us", "float64", True),
    ("method_version", "string", False),
)

# What a spreadsheet takes for the beginning of a formula. OWASP, "CSV Injection".
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def strike_values(store: Store, session: SessionRow) -> list[dict[str, Any]]:
    """Every contact of a session under the names of `STRIKE_COLUMNS`, by time struck."""
    own = store.sets.get(session.set)
    contacts = store.strikes.contacts(session.id)
    labels = {
        club: store.clubs.get(club).label for club in {c.club for c in contacts} if club is not None
    }
    return [
        {
            "player": own.player.name,
            "set": own.name,
            "session": session.id,
            "club": None if c.club is None else labels[c.club],
            "struck_utc": _iso(c.struck_utc_ns),
            "source": c.source,
            "number": c.number,
            "id": c.id,
            "kind": c.kind,
            "toe_mm": c.toe_mm,
            "trail_mm": c.trail_mm,
            "board_mm": c.board_mm,
            "used": c.used,
            "set_aside_by": c.set_aside,
            "reason": c.reason,
            "load": c.load,
            "span_us": c.span_us,
            "method_version": c.method_version,
        }
        for c in contacts
    ]


def strikes_csv(strikes: list[dict[str, Any]]) -> str:
    """Contacts as CSV (RFC 4180) with a heading; no text begins like a formula.

    A text that a spreadsheet would work out gets an apostrophe before it. Numbers stay numbers.
    """
    names = [name for name, _, _ in STRIKE_COLUMNS]
    return csv_text([names, *([strike[name] for name in names] for strike in strikes)])


def csv_text(rows: Iterable[Sequence[object]]) -> str:
    """Write rows as CSV; no text in them begins like a formula."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return out.getvalue()


def report_json(report: ReportContent, strikes: list[dict[str, Any]]) -> str:
    """Everything that the report shows, and every contact, as JSON (RFC 8259)."""
    whole = {"schema": JSON_SCHEMA, **asdict(report), "strikes": strikes}
    return json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def strikes_parquet(strikes: list[dict[str, Any]]) -> bytes:
    """Contacts as a Parquet file.

    Raises
    ------
    UsageError
        If the library for it is not installed.
    """
    try:
        import pyarrow as arrow
        import pyarrow.parquet as parquet
    except ImportError as error:
        raise UsageError(
            "Parquet needs the library pyarrow: pip install 'lieboard[parquet]', or use --csv"
        ) from error
    fields = [
        arrow.field(name, arrow.type_for_alias(kind), nullable=missing)
        for name, kind, missing in STRIKE_COLUMNS
    ]
    table = arrow.Table.from_pylist(strikes, schema=arrow.schema(fields))
    sink = arrow.BufferOutputStream()
    parquet.write_table(table, sink)
    return bytes(sink.getvalue().to_pybytes())


def _cell(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and value.lstrip(" ").startswith(_FORMULA):
        return f"'{value}"
    return value


def _iso(utc_ns: int) -> str:
    moment = datetime.datetime.fromtimestamp(utc_ns // 10**9, tz=datetime.UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{utc_ns % 10**9 // 10**6:03d}Z"
