"""Numbered, forward-only steps of the data file's schema.

``PRAGMA user_version`` counts the steps that are in, and nothing else does; all that are missing go
in together with the new count in one transaction, so a failing step leaves the file as it was.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeAlias

from logger.errors import SchemaVersionError, StoreError
from logger.store.acts_schema import ACT_TABLES, ACT_VIEWS
from logger.store.carry_schema import CARRY_TABLES, CARRY_TRIGGERS
from logger.store.names import table_names
from logger.store.schema import TABLES_1, VIEWS_1

if TYPE_CHECKING:
    from sqlite_utils import Database

Step: TypeAlias = "tuple[str, Callable[[Database], None]]"

# "LIEB" in ASCII: tells our files from everybody else's SQLite files.
APPLICATION_ID = 0x4C494542


def _first_tables(db: Database) -> None:
    db.executescript(TABLES_1)
    db.executescript(VIEWS_1)


def _calibrations(db: Database) -> None:
    db.executescript("""
CREATE TABLE calibrations (
  id INTEGER PRIMARY KEY,
  board INTEGER NOT NULL REFERENCES boards (id),
  kind TEXT NOT NULL,
  -- holds for what is struck from here on, until the next of its kind
  from_utc_ns INTEGER NOT NULL,
  method_version TEXT NOT NULL,
  -- JSON object
  content TEXT NOT NULL
) STRICT;
CREATE INDEX calibrations_by_board ON calibrations (board, kind, from_utc_ns, id);
""")


def _agreed_boards(db: Database) -> None:
    db.executescript("""
-- Boards on the air that the fitter once agreed to use: anybody can advertise one.
CREATE TABLE agreed_boards (
  -- the board id, or the address of a board that does not advertise its id
  key TEXT NOT NULL PRIMARY KEY,
  name TEXT NOT NULL,
  agreed_utc_ns INTEGER NOT NULL
) STRICT;
""")


def _overlays_and_misses(db: Database) -> None:
    db.executescript("""
-- Two clubs laid sole to sole: how far their grip ends stand apart.
CREATE TABLE overlays (
  id INTEGER PRIMARY KEY,
  first_club INTEGER NOT NULL REFERENCES clubs (id),
  second_club INTEGER NOT NULL REFERENCES clubs (id),
  -- from the first shaft to the second, positive = the second stands on the upright side
  offset_mm REAL NOT NULL,
  u_mm REAL NOT NULL,
  read_utc_ns INTEGER NOT NULL,
  CHECK (first_club <> second_club)
) STRICT;

-- Where a club's shots end up on the course, as its player counts them.
CREATE TABLE misses (
  id INTEGER PRIMARY KEY,
  club INTEGER NOT NULL REFERENCES clubs (id),
  left_count INTEGER NOT NULL CHECK (left_count >= 0),
  straight_count INTEGER NOT NULL CHECK (straight_count >= 0),
  right_count INTEGER NOT NULL CHECK (right_count >= 0),
  noted_utc_ns INTEGER NOT NULL
) STRICT;
CREATE INDEX misses_by_club ON misses (club, noted_utc_ns);
""")


def _presses(db: Database) -> None:
    db.executescript("""
-- Presses of the foot switch that were done: worked out again, they are not done again.
CREATE TABLE presses (
  boot INTEGER NOT NULL REFERENCES boots (id),
  sequence INTEGER NOT NULL,
  PRIMARY KEY (boot, sequence)
) STRICT, WITHOUT ROWID;
INSERT INTO presses (boot, sequence)
  WITH named AS (
    SELECT boot, sequence, 'foot switch ' || boot || ':' || sequence AS cause
    FROM records WHERE kind = 'button')
  SELECT boot, sequence FROM named
  WHERE EXISTS (SELECT 1 FROM turns WHERE turns.cause = named.cause)
    OR EXISTS (SELECT 1 FROM contacts
      WHERE contacts.fitter_reason = 'taken back (' || named.cause || ')');
""")


def _carry(db: Database) -> None:
    db.executescript(CARRY_TABLES)
    db.executescript(CARRY_TRIGGERS)


def _agreed_wherever_they_are(db: Database) -> None:
    db.executescript("""
-- Boards on a cable are agreed to as well; those used before count as agreed to.
ALTER TABLE agreed_boards ADD COLUMN board_key TEXT;
-- board_key: which board answered at the address that key is; NULL = key names the board itself
INSERT INTO agreed_boards (key, name, agreed_utc_ns)
  SELECT board_key, name, first_seen_utc_ns FROM boards
  WHERE EXISTS (SELECT 1 FROM boots JOIN records ON records.boot = boots.id
    WHERE boots.board = boards.id)
  ON CONFLICT (key) DO NOTHING;
""")


def _board_news(db: Database) -> None:
    db.executescript("""
-- How the board of a session is doing, as the program that logs it told last: of that moment only.
CREATE TABLE board_news (
  session INTEGER PRIMARY KEY REFERENCES sessions (id) ON DELETE CASCADE,
  -- empty until the board has said who it is
  name TEXT NOT NULL,
  -- up, out of reach, ended, unknown
  link TEXT NOT NULL,
  link_words TEXT NOT NULL,
  supply_mv INTEGER,
  -- records that the board holds and the host has not confirmed
  kept INTEGER,
  waiting INTEGER NOT NULL,
  told_utc_ns INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
""")


def _acts(db: Database) -> None:
    db.executescript(ACT_TABLES)
    db.executescript(ACT_VIEWS)


STEPS: tuple[Step, ...] = (
    ("0001_first_tables", _first_tables),
    ("0002_calibrations", _calibrations),
    ("0003_agreed_boards", _agreed_boards),
    ("0004_presses", _presses),
    ("0005_overlays_and_misses", _overlays_and_misses),
    ("0006_carry", _carry),
    ("0007_agreed_wherever_they_are", _agreed_wherever_they_are),
    ("0008_board_news", _board_news),
    ("0009_acts", _acts),
)


def version_of(connection: sqlite3.Connection) -> int:
    """How many steps are in."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def refuse_newer(version: int, latest: int) -> None:
    """Raise `SchemaVersionError` if ``version`` is beyond ``latest``."""
    if version > latest:
        raise SchemaVersionError(
            f"the data file was written by a newer lieboard (its schema is {version}, this program "
            f"knows {latest}): update this program; nothing was changed"
        )


def _missing(connection: sqlite3.Connection, steps: Sequence[Step], version: int) -> Sequence[Step]:
    """Return the steps that are not in a file of this version, in order."""
    if version == 4 and "overlays" in table_names(connection):
        # Development versions before 0.1.0 had steps 4 and 5 the other way round.
        return (steps[3], *steps[5:])
    return steps[version:]


def upgrade(
    connection: sqlite3.Connection,
    steps: Sequence[Step] = STEPS,
    keep_older: Callable[[int], None] | None = None,
) -> None:
    """Put in the steps that are missing, all or none.

    ``connection`` is in autocommit mode and outside a transaction. ``keep_older`` is called with
    the version of a file that has content before anything in it is changed, while no other
    program can write to it; if it raises, nothing is changed.
    """
    # Imported here: it takes 0.4 s (python -X importtime), and a file that is up to date
    # does without it.
    from sqlite_utils import Database

    # A step that rebuilds a table must not set off deletes in others; this has no effect inside
    # a transaction (https://www.sqlite.org/pragma.html#pragma_foreign_keys).
    connection.execute("PRAGMA foreign_keys = OFF")
    try:
        connection.execute("BEGIN IMMEDIATE")
        try:
            # Another program may have upgraded while this one waited for the lock.
            version = version_of(connection)
            refuse_newer(version, len(steps))
            if version < len(steps):
                if version and keep_older is not None:
                    keep_older(version)
                db = Database(connection, execute_plugins=False)
                for _, step in _missing(connection, steps, version):
                    step(db)
                # A second count, which earlier versions kept.
                connection.execute("DROP TABLE IF EXISTS _sqlite_migrations")
                if connection.execute("PRAGMA foreign_key_check").fetchone() is not None:
                    raise StoreError(
                        "the upgrade would break links between tables: nothing was changed; "
                        "keep the file and report this"
                    )
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {len(steps)}")
            connection.execute("COMMIT")
        except BaseException:
            connection.rollback()
            raise
    finally:
        connection.execute("PRAGMA foreign_keys = ON")
