"""Raw records and what was lost of them: nothing lost, nothing twice."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from typing import Any, TypeAlias

from logger.protocol.records import Button, Reading, Record, Strike
from logger.store.core import DataFile, Part, Value
from logger.store.packing import pack_raw, unpack_raw
from logger.store.rows import LossRow, RecordToStore, StoredRecord

_log = logging.getLogger(__name__)

_KINDS: dict[type[Record], str] = {Reading: "reading", Strike: "strike", Button: "button"}
# Rows read under one hold of the lock: a long reading must not keep the collector waiting.
_PAGE_ROWS = 500

# Many in one statement: SQLite is given the interpreter's lock once for all of them, and in a busy
# program it takes long to get that back (tests/benchmarks/load.py).
_ROWS_AT_ONCE = 32
_INSERT_RECORDS = [
    "INSERT INTO records (boot, sequence, kind, raw, flags, arrival_ns, struck_utc_ns, struck_u_ns,"
    " session) VALUES " + ", ".join(["(?, ?, ?, ?, ?, ?, ?, ?, ?)"] * rows)
    for rows in range(_ROWS_AT_ONCE + 1)
]
"""For each number of rows."""
_RecordTuple: TypeAlias = tuple[int, int, str, bytes, int, int, int | None, int | None, int | None]


def _tuple_of(boot: int, item: RecordToStore, session: int | None) -> _RecordTuple:
    record = item.raw.record
    return (
        boot,
        item.sequence,
        _KINDS[type(record)],
        pack_raw(item.raw.raw),
        int(record.flags),
        item.raw.arrival_ns,
        item.struck_utc_ns,
        item.struck_u_ns,
        session,
    )


def _insert(connection: sqlite3.Connection, rows: Sequence[_RecordTuple]) -> None:
    connection.execute(_INSERT_RECORDS[len(rows)], list(chain.from_iterable(rows)))


def _compared(
    connection: sqlite3.Connection, boot: int, rows: Sequence[_RecordTuple]
) -> tuple[list[_RecordTuple], list[_RecordTuple]]:
    """Return the rows that are new, and those with other bytes than are there."""
    sequences = [row[1] for row in rows]
    there: dict[int, bytes] = dict(
        connection.execute(
            "SELECT sequence, raw FROM records WHERE boot = ? AND sequence BETWEEN ? AND ?"
            " ORDER BY sequence",
            (boot, min(sequences), max(sequences)),
        )
    )
    new: list[_RecordTuple] = []
    clashing: list[_RecordTuple] = []
    for row in rows:
        raw = there.get(row[1])
        if raw is None:
            there[row[1]] = row[3]
            new.append(row)
        elif raw != row[3]:
            clashing.append(row)
    return new, clashing


def _stored_record(*, raw: bytes, **columns: Any) -> StoredRecord:  # noqa: ANN401
    return StoredRecord(raw=unpack_raw(raw), **columns)


class Records(Part):
    """The part of the store that keeps what boards sent."""

    def __init__(self, file: DataFile) -> None:
        super().__init__(file)
        # Boot -> last contiguous sequence found. Records and losses are never deleted, so it can
        # only rise, whoever else writes.
        self._contiguous: dict[int, int] = {}

    def add(
        self, boot: int, records: Iterable[RecordToStore], *, session: int | None = None
    ) -> list[int]:
        """Store records; they are on the disk when this returns.

        Returns
        -------
        list of int
            Sequence numbers that were new, in the order given. A record that is there already
            is taken without harm; if its bytes differ from those there, it is kept in the table
            ``clashes``.

        Raises
        ------
        StoreError
            None of them was stored then.
        """
        rows = [_tuple_of(boot, item, session) for item in records]
        if not rows:
            return []
        sequences = [row[1] for row in rows]
        with self._file.writing() as connection:
            if len(rows) <= _ROWS_AT_ONCE:
                # One statement: either all of them are new, or nothing was done.
                with contextlib.suppress(sqlite3.IntegrityError):
                    _insert(connection, rows)
                    return sequences
            new, clashing = _compared(connection, boot, rows)
            for start in range(0, len(new), _ROWS_AT_ONCE):
                _insert(connection, new[start : start + _ROWS_AT_ONCE])
            if clashing:
                connection.executemany(
                    "INSERT OR IGNORE INTO clashes (boot, sequence, kind, raw, struck_utc_ns)"
                    " VALUES (?, ?, ?, ?, ?)",
                    [(*row[:4], row[6]) for row in clashing],
                )
        for row in clashing:
            _log.warning(
                "record %d of boot %d came again with other bytes: kept aside", row[1], boot
            )
        return [row[1] for row in new]

    def last_contiguous(self, boot: int) -> int | None:
        """Highest sequence up to which nothing is missing; None if 0 itself is.

        Every number up to and including it is stored, or noted as lost for good (`add_loss`).
        """
        with self._file.lock:
            last = self._contiguous.get(boot, -1)
            spans = self._covered(boot, last)
            for first, end in spans:
                if first > last + 1:
                    break
                last = max(last, end)
            self._contiguous[boot] = last
        return None if last < 0 else last

    def last_of(self, session: int, boot: int) -> int | None:
        """Highest sequence of a boot in a session; None if it has no record there."""
        row = self._file.one(
            "SELECT MAX(sequence) FROM records WHERE session = ? AND boot = ?", (session, boot)
        )
        return None if row is None else row[0]

    def sequences_after(self, boot: int, sequence: int) -> frozenset[int]:
        """Return the stored numbers above ``sequence``."""
        return frozenset(
            self._file.select(
                lambda sequence: int(sequence),
                "SELECT sequence FROM records WHERE boot = ? AND sequence > ? ORDER BY sequence",
                (boot, sequence),
            )
        )

    def _covered(self, boot: int, after: int) -> list[tuple[int, int]]:
        """Find the runs of sequences stored or lost that reach beyond ``after``, in order."""
        return self._file.select(
            lambda first, end: (first, end),
            # Numbers in a run keep the same distance from their rank.
            "SELECT MIN(sequence) AS first, MAX(sequence) AS 'end' FROM ("
            "  SELECT sequence, sequence - ROW_NUMBER() OVER (ORDER BY sequence) AS run"
            "  FROM records WHERE boot = :boot AND sequence > :after) GROUP BY run"
            " UNION ALL"
            " SELECT from_sequence, to_sequence FROM losses"
            "  WHERE boot = :boot AND to_sequence > :after"
            " ORDER BY 1, 2",
            {"boot": boot, "after": after},
        )

    def read(
        self, *, boot: int | None = None, session: int | None = None, from_sequence: int = 0
    ) -> Iterator[StoredRecord]:
        """Give records by boot and sequence: of a boot, of a session, or of both.

        Read page by page: what is added while it runs may or may not be among them.
        """
        conditions = ["(boot, sequence) >= (?, ?)"]
        fixed: list[Value] = []
        for column, value in (("boot", boot), ("session", session)):
            if value is not None:
                conditions.append(f"{column} = ?")
                fixed.append(value)
        sql = (
            "SELECT id, boot, sequence, kind, raw, flags, arrival_ns,"
            f" struck_utc_ns, struck_u_ns, session FROM records WHERE {' AND '.join(conditions)}"
            " AND sequence >= ? ORDER BY boot, sequence LIMIT ?"
        )
        start = (0, 0)
        while True:
            values = (*start, *fixed, from_sequence, _PAGE_ROWS)
            page = self._file.select(_stored_record, sql, values)
            yield from page
            if len(page) < _PAGE_ROWS:
                return
            start = (page[-1].boot, page[-1].sequence + 1)

    def scans(
        self, boot: int, sequences: Sequence[int], *, session: int
    ) -> dict[int, tuple[bytes, ...]]:
        """Return the bytes of these records, by sequence: those that are scans of this session."""
        found: dict[int, tuple[bytes, ...]] = {}
        for start in range(0, len(sequences), _PAGE_ROWS):
            page = sequences[start : start + _PAGE_ROWS]
            rows = self._file.select(
                lambda sequence, raw: (int(sequence), unpack_raw(raw)),
                "SELECT sequence, raw FROM records WHERE boot = ? AND session = ?"
                f" AND kind = 'strike' AND sequence IN ({', '.join('?' * len(page))})"
                " ORDER BY sequence",
                (boot, session, *page),
            )
            found.update(rows)
        return found

    def add_loss(
        self,
        boot: int,
        *,
        count: int,
        reason: str,
        noted_utc_ns: int,
        from_sequence: int | None = None,
        to_sequence: int | None = None,
        session: int | None = None,
        club: int | None = None,
    ) -> bool:
        """Note records that are lost for good; False if this very span was noted before.

        ``from_sequence`` and ``to_sequence`` (inclusive) are None when only their number is known.
        """
        with self._file.writing() as connection:
            cursor = connection.execute(
                "INSERT INTO losses (boot, session, club, from_sequence, to_sequence, count,"
                " reason, noted_utc_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
                " ON CONFLICT (boot, from_sequence, to_sequence) DO NOTHING",
                (boot, session, club, from_sequence, to_sequence, count, reason, noted_utc_ns),
            )
            return cursor.rowcount == 1

    def losses(self, *, boot: int | None = None, session: int | None = None) -> list[LossRow]:
        """Losses of a boot, of a session, or all, in the order they were noted."""
        return self._file.select(
            LossRow,
            "SELECT id, boot, session, club, from_sequence, to_sequence, count, reason,"
            " noted_utc_ns FROM losses WHERE boot IS COALESCE(?, boot)"
            " AND (? IS NULL OR session = ?) ORDER BY noted_utc_ns, id",
            (boot, session, session),
        )
