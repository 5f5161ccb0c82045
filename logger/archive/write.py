"""Write what is new in a data file into an archive, and put small parts together."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

from logger.archive.layout import (
    COLUMNS,
    INDEX,
    INDEX_COLUMNS,
    TABLES,
    Place,
    arrow_schema,
    empty_index,
    month_of,
    places_of,
    read_index,
    sweep,
    write_file,
    writing,
)
from logger.errors import UsageError
from logger.extras import extra
from logger.store.copies.columns import COPY_SCHEMA, Row, SessionCopy
from logger.store.copies.make import SessionStamp
from logger.store.store import Store

# How a session is called in an archive: shop, player, set, beginning.
_Name: TypeAlias = tuple[str, str, str, int]
# What is held in memory at once and lost if a run is cut off: the next run does it again.
_AT_A_TIME_CONTACTS = 20_000
_AT_A_TIME_BYTES = 64_000_000


@dataclass(frozen=True, slots=True)
class Written:
    """What a run did."""

    sessions: int
    """Sessions that were new or had changed."""
    contacts: int
    records: int
    files: int


@dataclass(slots=True)
class _Batch:
    """Sessions that go into the archive together."""

    run: int
    index: list[Row]
    rows: dict[Place, dict[str, list[Row]]]
    contacts: int = 0
    size_bytes: int = 0
    records: int = 0


def write_archive(store: Store, folder: Path, *, shop: str | None) -> Written:
    """Write every session that the archive does not have as it is now.

    Parameters
    ----------
    store
        Data file; open for reading is enough.
    folder
        The archive; made if it is not there.
    shop
        Whose sessions these are; those gathered from bays say so themselves.

    Raises
    ------
    UsageError
        A session does not say which shop it is of, and ``shop`` does not either.
    StoreError
        Something could not be read or written. What was there before still counts, and the next
        run goes on.
    """
    with extra("archive"):
        import pyarrow  # noqa: F401 - to fail before anything is made
    if shop is not None and not shop.strip():
        raise UsageError("--shop needs a name")
    done = Written(0, 0, 0, 0)
    with writing(folder):
        index = read_index(folder) if (folder / INDEX).exists() else empty_index()
        sweep(folder, index)
        stamps = store.copies.stamps()
        if shop is None and any(s.shop is None for s in stamps):
            raise UsageError("say whose sessions these are with --shop NAME")
        known = _stamps_in(index)
        todo = [s for s in stamps if known.get(_name(s, shop)) != s.stamp]
        for batch in _batches(store, todo, shop, index):
            index, files = _commit(folder, index, batch)
            done = Written(
                done.sessions + len(batch.index),
                done.contacts + batch.contacts,
                done.records + batch.records,
                done.files + files,
            )
        if not (folder / INDEX).exists():
            write_file(folder / INDEX, index)
    return done


def compact_archive(folder: Path) -> int:
    """Put the copies that count into one part per month and shop; return how many parts were.

    What was superseded is gone from the new parts; the old ones go with the next run.
    """
    with extra("archive"):
        import pyarrow as arrow
        import pyarrow.compute as compute
        import pyarrow.parquet as parquet
    if not (folder / INDEX).exists():
        read_index(folder)
    with writing(folder):
        index = read_index(folder)
        sweep(folder, index)
        parts: dict[tuple[str, str], list[Place]] = defaultdict(list)
        for place in places_of(index):
            parts[place.month, place.shop].append(place)
        run = _next_run(index)
        merged = 0
        runs = index.column("run").to_pylist()
        months, shops = index.column("month").to_pylist(), index.column("shop").to_pylist()
        copies = index.column("copy")
        for (month, shop), places in parts.items():
            here = [
                row for row, key in enumerate(zip(months, shops, strict=True))
                if key == (month, shop)
            ]  # fmt: skip
            live = copies.take(arrow.array(here, arrow.int64()))
            there = sum(
                parquet.read_metadata(place.path(folder, "sessions")).num_rows for place in places
            )
            if len(places) == 1 and there == len(here):
                continue
            for table in TABLES:
                # Older parts lack newer columns.
                old = arrow.concat_tables(
                    [parquet.ParquetFile(place.path(folder, table)).read() for place in places],
                    promote_options="default",
                )
                kept = old.filter(compute.is_in(old.column("copy"), value_set=live))
                write_file(Place(month, shop, run).path(folder, table), _sorted(table, kept))
            for row in here:
                runs[row] = run
            merged += len(places)
        if merged:
            place = index.schema.get_field_index("run")
            column = arrow.array(runs, index.schema.field("run").type)
            index = index.set_column(place, index.schema.field("run"), column)
            write_file(folder / INDEX, index)
    return merged


def _name(stamp: SessionStamp, shop: str | None) -> _Name:
    name = stamp.name
    # Names that differ in small and capital letters only are one name in a data file.
    return (stamp.shop or shop or "", name.player.lower(), name.set.lower(), name.started_utc_ns)


def _names_in(index: Any) -> list[_Name]:  # noqa: ANN401 - pyarrow has no types
    columns = [index.column(n).to_pylist() for n in ("shop", "player", "set", "started_utc_ns")]
    return [(s, p.lower(), own.lower(), at) for s, p, own, at in zip(*columns, strict=True)]


def _stamps_in(index: Any) -> dict[_Name, int]:  # noqa: ANN401 - pyarrow has no types
    return dict(zip(_names_in(index), index.column("stamp").to_pylist(), strict=True))


def _next_run(index: Any) -> int:  # noqa: ANN401 - pyarrow has no types
    return max(index.column("run").to_pylist(), default=0) + 1


def _batches(
    store: Store,
    todo: Iterable[SessionStamp],
    shop: str | None,
    index: Any,  # noqa: ANN401 - pyarrow has no types
) -> Iterator[_Batch]:
    """Read sessions, as many at a time as fit."""
    run, next_copy = _next_run(index), max(index.column("copy").to_pylist(), default=0) + 1
    known = set(_names_in(index))
    batch = _Batch(run, [], {})
    for stamp in todo:
        copy, now = store.copies.make(stamp.session)
        records = store.copies.records_of(stamp.session)
        contacts = len(copy["strikes"]) + len(copy["marks"])
        if not (contacts or records or _name(stamp, shop) in known):
            # Nothing was ever struck; should that change, so will its stamp.
            continue
        whose = stamp.shop or shop or ""
        place = Place(month_of(stamp.name.started_utc_ns), whose, batch.run)
        rows = batch.rows.setdefault(place, {table: [] for table in TABLES})
        rows["strikes"] += [{"copy": next_copy, **row} for row in contact_rows(copy)]
        rows["sessions"].append({"copy": next_copy, "content": _content(copy)})
        names = [name for name, _, _ in COLUMNS["records"] if name != "copy"]
        rows["records"] += [
            {"copy": next_copy, **{name: getattr(record, name) for name in names}}
            for record in records
        ]
        batch.index.append(
            {
                "copy": next_copy,
                "run": batch.run,
                "month": place.month,
                "shop": whose,
                "bay": stamp.bay,
                "player": stamp.name.player,
                "set": stamp.name.set,
                "started_utc_ns": stamp.name.started_utc_ns,
                "stamp": now,
                "contacts": contacts,
                "records": len(records),
            }
        )
        next_copy += 1
        batch.contacts += contacts
        batch.records += len(records)
        batch.size_bytes += sum(len(record.raw) for record in records)
        if batch.contacts >= _AT_A_TIME_CONTACTS or batch.size_bytes >= _AT_A_TIME_BYTES:
            yield batch
            batch = _Batch(batch.run + 1, [], {})
    if batch.index:
        yield batch


def contact_rows(copy: SessionCopy) -> Iterator[Row]:
    """Contacts of a session as rows of the table ``strikes``, by time struck."""
    names = {
        "player": copy["player"][0]["name"],
        "set": copy["set"][0]["name"],
        "started_utc_ns": copy["session"][0]["started_utc_ns"],
    }
    marks = [
        {**mark, "kind": "mark", "method_version": "read by eye", "flags": 0,
         "toe_u_mm": mark["u_mm"], "source": "mark"}
        for mark in copy["marks"]
    ]  # fmt: skip
    contacts = [{**strike, "source": "board"} for strike in copy["strikes"]] + marks
    contacts.sort(key=lambda c: (c["struck_utc_ns"], c["source"]))
    for number, contact in enumerate(contacts, 1):
        choice, rule = contact["fitter_choice"], contact.get("rule_reason")
        aside = {"use": None, "aside": "fitter"}.get(choice, "rule" if rule else None)
        yield {
            **contact,
            **names,
            "number": number,
            "struck_utc": contact["struck_utc_ns"],
            "used": aside is None,
            "set_aside_by": aside,
            "reason": contact["fitter_reason"] if aside == "fitter" else aside and rule,
        }


def _content(copy: SessionCopy) -> str:
    shared = {name: rows for name, rows in copy.items() if name not in ("strikes", "marks")}
    return json.dumps({"schema": COPY_SCHEMA, **shared}, ensure_ascii=False)


def _commit(folder: Path, index: Any, batch: _Batch) -> tuple[Any, int]:  # noqa: ANN401
    """Write the parts, then the index that names them; return that and how many files."""
    import pyarrow as arrow

    for place, tables in batch.rows.items():
        for table, rows in tables.items():
            made = arrow.Table.from_pylist(rows, schema=arrow_schema(COLUMNS[table]))
            write_file(place.path(folder, table), _sorted(table, made))
    added = arrow.Table.from_pylist(batch.index, schema=arrow_schema(INDEX_COLUMNS))
    new = set(_names_in(added))
    kept = [row for row, name in enumerate(_names_in(index)) if name not in new]
    old = index.take(arrow.array(kept, arrow.int64()))
    whole = arrow.concat_tables([old, added])
    write_file(folder / INDEX, whole.sort_by([("player", "ascending"), ("copy", "ascending")]))
    return read_index(folder), len(batch.rows) * len(TABLES) + 1


def _sorted(table: str, rows: Any) -> Any:  # noqa: ANN401 - pyarrow has no types
    """Put one player's contacts beside each other, so that they are found quickly."""
    first = ("player", "set", "started_utc_ns", "struck_utc") if table == "strikes" else ("copy",)
    return rows.sort_by([(name, "ascending") for name in first])
