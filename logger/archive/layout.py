"""Where things lie in an archive, its columns, and the index that says what counts."""

from __future__ import annotations

import datetime
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from logger.errors import StoreError, UsageError
from logger.extras import extra
from logger.session.results.export import STRIKE_COLUMNS
from logger.store.copies.columns import PARTS

SCHEMA: Final = "lieboard archive 1"
TABLES: Final = ("strikes", "sessions", "records")
INDEX: Final = "index.parquet"
_META: Final = b"lieboard"
# Small enough that one player's rows are found without reading everybody's.
_GROUP_ROWS: Final = 4_096

# Name, Arrow type, whether a value may be missing: as in `logger.session.results.export`.
Columns = tuple[tuple[str, str, bool], ...]
INDEX_COLUMNS: Final[Columns] = (
    ("copy", "int64", False),
    ("run", "int32", False),
    ("month", "string", False),
    ("shop", "string", False),
    ("bay", "string", True),
    ("player", "string", False),
    ("set", "string", False),
    ("started_utc_ns", "int64", False),
    ("stamp", "int64", False),
    ("contacts", "int32", False),
    ("records", "int32", False),
)
_ARROW = {"text": "string", "integer": "int64", "real": "float64"}
# Row numbers of one data file mean nothing among many.
_OF_ONE_FILE = ("session", "id")
# Columns that parts written before them do not have.
_SINCE = ("number",)
_SHOWN = tuple(
    (name, kind, missing or name in _SINCE)
    for name, kind, missing in STRIKE_COLUMNS
    if name not in _OF_ONE_FILE
)
_TAKEN = {"club", "kind", "method_version", "load", "span_us", "toe_mm", "board_mm", "trail_mm"}
_NAMED: Columns = tuple(
    (column.name, _ARROW[column.kind], True)
    for part in ("strikes", "marks")
    for column in PARTS[part].columns
    if column.name not in _TAKEN | {"struck_utc_ns", "u_mm"}
)
COLUMNS: Final[dict[str, Columns]] = {
    "strikes": (
        ("copy", "int64", False),
        *(
            (name, "timestamp[ns]" if name == "struck_utc" else kind, missing)
            for name, kind, missing in _SHOWN
        ),
        ("started_utc_ns", "int64", False),
        ("toe_u_mm", "float64", True),
        # The fitter's word is in both parts.
        *dict.fromkeys(_NAMED),
    ),
    "sessions": (("copy", "int64", False), ("content", "string", False)),
    "records": (
        ("copy", "int64", False),
        ("board", "string", False),
        ("boot", "string", False),
        ("sequence", "int64", False),
        ("kind", "string", False),
        ("raw", "binary", False),
        ("flags", "int32", False),
        ("arrival_ns", "int64", False),
        ("struck_utc_ns", "int64", True),
        ("struck_u_ns", "int64", True),
    ),
}


@dataclass(frozen=True, slots=True)
class Place:
    """A part: one file in each of the three tables."""

    month: str
    shop: str
    run: int

    def path(self, folder: Path, table: str) -> Path:
        """Return its file in one table."""
        within = folder / table / f"month={self.month}" / f"shop={quote(self.shop, safe='')}"
        return within / f"part-{self.run:08d}.parquet"


def month_of(utc_ns: int) -> str:
    """Return the month of a moment, UTC."""
    moment = datetime.datetime.fromtimestamp(utc_ns // 10**9, tz=datetime.UTC)
    return f"{moment:%Y-%m}"


def arrow_schema(columns: Columns) -> Any:  # noqa: ANN401 - pyarrow has no types
    """Return columns as Arrow has them."""
    with extra("archive"):
        import pyarrow as arrow
    return arrow.schema(
        [
            arrow.field(
                name,
                arrow.timestamp("ns", "UTC")
                if kind == "timestamp[ns]"
                else arrow.type_for_alias(kind),
                nullable=missing,
            )
            for name, kind, missing in columns
        ],
        metadata={_META: SCHEMA.encode()},
    )


def read_index(folder: Path) -> Any:  # noqa: ANN401 - pyarrow has no types
    """Return the index of an archive as an Arrow table.

    Raises
    ------
    UsageError
        There is no archive, or one of a format that this program does not know.
    """
    with extra("archive"):
        import pyarrow as arrow
        import pyarrow.parquet as parquet
    path = folder / INDEX
    if not path.exists():
        raise UsageError(
            f"{folder}: there is no archive here: write one with 'lieboard archive write'"
        )
    try:
        table = parquet.read_table(path, memory_map=False)
    except (OSError, arrow.ArrowInvalid) as error:
        raise StoreError(f"{path}: it cannot be read ({error}): put a backup of it back") from error
    said = (table.schema.metadata or {}).get(_META, b"").decode(errors="replace")
    if said != SCHEMA:
        raise UsageError(
            f"{folder}: this archive says it is {said or 'of another program'!r}, and this program "
            f"knows {SCHEMA!r}: update this program"
        )
    return table


def empty_index() -> Any:  # noqa: ANN401 - pyarrow has no types
    """Return the index of an archive in which nothing is."""
    return arrow_schema(INDEX_COLUMNS).empty_table()


def write_file(path: Path, table: Any) -> None:  # noqa: ANN401 - pyarrow has no types
    """Write a Parquet file whole or not at all; it is on the disk when this returns."""
    import pyarrow.parquet as parquet

    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    try:
        parquet.write_table(table, part, compression="zstd", row_group_size=_GROUP_ROWS)
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(path)
        if os.name == "posix":
            within = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(within)
            finally:
                os.close(within)
    except OSError as error:
        part.unlink(missing_ok=True)
        why = error.strerror or str(error)
        raise StoreError(
            f"{path}: it cannot be written ({why}): free some space or mend its permissions, then "
            "run this again; what was archived before is safe"
        ) from error


def places_of(index: Any) -> list[Place]:  # noqa: ANN401 - pyarrow has no types
    """Return the parts that an index names, in order."""
    columns = [index.column(name).to_pylist() for name in ("month", "shop", "run")]
    return [Place(*key) for key in sorted(set(zip(*columns, strict=True)))]


def sweep(folder: Path, index: Any) -> int:  # noqa: ANN401 - pyarrow has no types
    """Remove parts that the index does not name; return how many files."""
    named = {place.path(folder, table) for place in places_of(index) for table in TABLES}
    removed = 0
    for table in TABLES:
        for path in (folder / table).glob("month=*/shop=*/*part*"):
            if path not in named:
                path.unlink()
                removed += 1
    return removed


@contextmanager
def writing(folder: Path) -> Iterator[None]:
    """Be the only one who writes; the lock goes with the process, however that ends.

    Raises
    ------
    StoreError
        Somebody else writes just now, or the folder cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = sqlite3.connect(folder / "writer.lock", timeout=0, isolation_level=None)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{folder}: the archive cannot be written there ({error})") from error
    with closing(lock):
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            raise StoreError(
                f"{folder}: another program writes to this archive: wait for it and try again"
            ) from error
        yield
