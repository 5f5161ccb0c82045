"""Files that each earlier version's own code wrote are upgraded with all that is in them.

The files are real: ``tests/vectors/make_db_vectors.py`` says how each was made.
"""

import gzip
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.session.evidence.evidence import session_picture
from logger.session.logging.fitting import FittingSession
from logger.store.migrations import STEPS
from logger.store.store import Store

FOLDER = Path(__file__).parents[1] / "vectors" / "db"
# schema-4b: version 4 of a development version.
VERSIONS = {
    path.name.split(".")[0]: int(re.sub(r"\D", "", path.name.split(".")[0]))
    for path in sorted(FOLDER.glob("schema-*.db.gz"))
}


def everything(path):
    """Schema version, and rows of every table by column, read by SQLite alone."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        tables = {}
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT GLOB 'sqlite*'"
        ).fetchall():
            cursor = connection.execute(f'SELECT * FROM "{name}"')
            columns = [column[0] for column in cursor.description]
            tables[name] = [dict(zip(columns, row, strict=True)) for row in cursor]
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchone() is None
        return version, tables


@pytest.fixture(params=VERSIONS)
def older(request, tmp_path):
    path = tmp_path / "lies.db"
    path.write_bytes(gzip.decompress((FOLDER / f"{request.param}.db.gz").read_bytes()))
    return path, VERSIONS[request.param]


def test_there_is_a_file_of_every_version_before_this_one():
    assert set(range(1, len(STEPS))) <= set(VERSIONS.values())


def test_an_upgraded_file_has_the_schema_of_a_new_one(older, tmp_path):
    def schema(path):
        Store.open(path).close()
        with closing(sqlite3.connect(path)) as connection:
            sql = "SELECT type, name FROM sqlite_schema ORDER BY type, name"
            names = set(connection.execute(sql))
            tables = [name for kind, name in names if kind == "table"]
            return names, {
                table: set(connection.execute(f"PRAGMA table_info('{table}')").fetchall())
                for table in tables
            }

    assert schema(older[0]) == schema(tmp_path / "new.db")


def test_an_upgrade_keeps_all_content(older):
    path, version = older
    was_version, before = everything(path)
    assert was_version == version
    assert all(before[t] for t in ("records", "strikes", "marks", "clashes", "losses", "bends"))
    Store.open(path).close()
    now_version, after = everything(path)
    assert now_version == len(STEPS)
    # Which steps are in was written down twice.
    before.pop("_sqlite_migrations", None)
    for table, rows in before.items():
        assert len(after[table]) >= len(rows)
        columns = list(rows[0]) if rows else []
        kept = [{name: row[name] for name in columns} for row in after[table]]
        assert [row for row in rows if row not in kept] == [], table
    with Store.open(path) as store:
        # What it is for: the session is read, and worked out again to the same strikes.
        session = store.sessions.all()[0]
        strikes = store.strikes.contacts(session.id)
        picture = session_picture(store, session)
        assert [one.club.label for one in picture.clubs] == ["6i", "7i", "PW"]
        FittingSession(store, session.id).rebuild(1)
        assert store.strikes.contacts(session.id) == strikes
        used = [c.set_aside for c in strikes if c.source == "board"]
        assert used == ["fitter", None, None, None]
        assert store.clubs.spec_of(3).lie_deg == 64.0
        # A press that was done is not done again.
        with store.sessions.press(1, 3) as is_first:
            assert not is_first


def test_a_copy_is_kept_from_before_the_upgrade(older):
    path, version = older
    if version == len(STEPS):
        # The file of this version: nothing is upgraded, and nothing copied.
        Store.open(path).close()
        assert list(path.parent.iterdir()) == [path]
        return
    before = everything(path)
    Store.open(path).close()
    copy = path.with_name(f"lies.db.schema-{version}")
    assert everything(copy) == before
    # Put back and upgraded again: the first copy stays, and another is made.
    was = copy.read_bytes()
    shutil.copy(copy, path)
    Store.open(path).close()
    assert everything(path.with_name(f"lies.db.schema-{version}.1")) == before
    assert copy.read_bytes() == was


def test_no_upgrade_without_room_for_the_copy(older, monkeypatch):
    path, version = older
    _, before = everything(path)

    def full(source, target):
        raise StoreError(f"{target}: the disk is full")

    monkeypatch.setattr("logger.store.opening.copy_database", full)
    if version < len(STEPS):
        with pytest.raises(StoreError, match=r"a copy is made.*disk is full.*nothing was changed"):
            Store.open(path)
    assert everything(path) == (version, before)


KILLED = """
import os, signal, sys
from pathlib import Path
from logger.store.migrations import STEPS
from logger.store.store import Store
def kill(db):
    # So that pages of the upgrade are on the disk before the transaction ends.
    db.execute("PRAGMA cache_size = 1")
    db.execute("CREATE TABLE big (content)")
    for _ in range(50):
        db.execute("INSERT INTO big VALUES (zeroblob(20000))")
    os.kill(os.getpid(), signal.SIGKILL)
Store.open(Path(sys.argv[1]), steps=(*STEPS, ("9999_kill", kill)))
"""


@pytest.mark.parametrize("name", ["schema-1", f"schema-{len(STEPS) - 1}"])
def test_killed_in_the_middle_it_is_still_of_the_old_version(name, tmp_path):
    path = tmp_path / "lies.db"
    path.write_bytes(gzip.decompress((FOLDER / f"{name}.db.gz").read_bytes()))
    before = everything(path)
    done = subprocess.run([sys.executable, "-c", KILLED, path], timeout=60, check=False)
    assert done.returncode == -9
    assert everything(path) == before
    with Store.open(path) as store:
        assert len(store.strikes.contacts(1, source="board")) == 4
    assert everything(path)[0] == len(STEPS)
