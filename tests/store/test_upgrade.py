"""Schema steps: all or none, and never on a file that is not ours or too new."""

import gzip
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import SchemaVersionError, StoreError
from logger.store.migrations import APPLICATION_ID, STEPS
from logger.store.store import Store

VECTORS = Path(__file__).parents[1] / "vectors" / "db"


def add_ball_speed(db):
    db.table("strikes").add_column("ball_speed_mps", float)


def rebuild_clubs(db):
    # rebuilds the table that strikes and turns refer to
    db.table("clubs").transform(rename={"position": "place"})


def fail_half_way(db):
    db.table("sessions").add_column("wind_mps", float)
    db.execute("DELETE FROM records")
    db.execute("INSERT INTO no_such_table VALUES (1)")


def orphan_marks(db):
    db.execute("UPDATE marks SET club = 4711")


def columns(path, table):
    with closing(sqlite3.connect(path)) as connection:
        return [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]


def facts(path):
    """Version, application id, schema and content of a file."""
    with closing(sqlite3.connect(path)) as connection:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        application = connection.execute("PRAGMA application_id").fetchone()[0]
        return version, application, list(connection.iterdump())


@pytest.fixture
def old_file(path, store, boot, session, clubs, timed, start_utc_ns):
    """Build a file of schema 1 with something in every table that matters."""
    store.sessions.add_turn(session, clubs["7i"], from_utc_ns=start_utc_ns, cause="start")
    store.records.add(boot, [timed(n) for n in range(20)], session=session)
    store.strikes.add_mark(session, clubs["7i"], struck_utc_ns=start_utc_ns, toe_mm=1.0, u_mm=0.5)
    store.close()
    return path


def test_a_new_file_is_marked_as_ours(path):
    Store.open(path).close()
    version, application, _ = facts(path)
    assert version == len(STEPS)
    # "LIEB" in ASCII, where file(1) and others look: offset 68 of the header
    # (https://www.sqlite.org/fileformat2.html, section 1.3)
    assert application == APPLICATION_ID
    header = path.read_bytes()[:100]
    assert header[:16] == b"SQLite format 3\0"
    assert header[68:72] == b"LIEB"
    assert int.from_bytes(header[60:64], "big") == len(STEPS)


def test_settings_of_a_connection(store):
    # synchronous 2 = FULL (https://www.sqlite.org/pragma.html)
    for name, value in (("journal_mode", "wal"), ("foreign_keys", 1), ("synchronous", 2)):
        assert store.file.one(f"PRAGMA {name}") == (value,)
    assert store.file.one("PRAGMA busy_timeout") == (5000,)


def test_steps_go_in_and_content_stays(old_file):
    steps = (*STEPS, ("0002_ball_speed", add_ball_speed), ("0003_clubs", rebuild_clubs))
    with Store.open(old_file, steps=steps) as store:
        assert len(list(store.records.read())) == 20
        assert store.file.one("PRAGMA foreign_keys") == (1,)
        assert store.file.one("PRAGMA foreign_key_check") is None
        # the marks' and turns' clubs were not deleted when their table was rebuilt
        assert store.file.one("SELECT COUNT(*) FROM turns WHERE club IS NOT NULL") == (1,)
    assert facts(old_file)[0] == len(STEPS) + 2
    assert "ball_speed_mps" in columns(old_file, "strikes")
    assert "place" in columns(old_file, "clubs")
    Store.open(old_file, steps=steps).close()


@pytest.mark.parametrize(
    ("step", "message"),
    [(fail_half_way, "no_such_table"), (orphan_marks, "would break links between tables")],
)
def test_a_step_that_fails_leaves_the_file_as_it_was(old_file, step, message):
    before = facts(old_file)
    steps = (*STEPS, ("0002_ball_speed", add_ball_speed), ("0003_fails", step))
    with pytest.raises(StoreError, match=message) as caught:
        Store.open(old_file, steps=steps)
    assert str(caught.value).startswith(str(old_file))
    assert facts(old_file) == before
    with Store.open(old_file) as store:
        assert len(list(store.records.read())) == 20


def test_a_new_file_whose_first_step_fails_can_be_made_later(path):
    with pytest.raises(StoreError):
        Store.open(path, steps=(*STEPS, ("0002_fails", fail_half_way)))
    with Store.open(path) as store:
        assert store.sets.players() == []


def test_a_newer_file_is_left_alone(old_file):
    steps = (*STEPS, ("0002_ball_speed", add_ball_speed))
    Store.open(old_file, steps=steps).close()
    before = old_file.read_bytes()
    for read_only in (False, True):
        with pytest.raises(SchemaVersionError, match="newer lieboard") as caught:
            Store.open(old_file, read_only=read_only)
        assert str(caught.value).startswith(f"{old_file}: ")
    assert old_file.read_bytes() == before
    # The copy is from before the upgrade that the other program made.
    kept = f"{old_file.name}.schema-{len(STEPS)}"
    assert sorted(each.name for each in old_file.parent.iterdir()) == [old_file.name, kept]


def test_an_older_file_is_not_upgraded_for_reading(old_file):
    before = old_file.read_bytes()
    with pytest.raises(StoreError, match="open it once for writing"):
        Store.open(old_file, read_only=True, steps=(*STEPS, ("0002_ball_speed", add_ball_speed)))
    assert old_file.read_bytes() == before


def test_another_programs_database_is_left_alone(path):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE players (id INTEGER PRIMARY KEY, shirt TEXT)")
        connection.execute("PRAGMA user_version = 1")
        connection.commit()
    before = path.read_bytes()
    for read_only in (False, True):
        with pytest.raises(StoreError, match="belongs to another program"):
            Store.open(path, read_only=read_only)
    assert path.read_bytes() == before
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_an_empty_database_or_file_becomes_ours(tmp_path):
    (tmp_path / "empty.db").touch()
    with closing(sqlite3.connect(tmp_path / "void.db")) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
    for name in ("empty.db", "void.db"):
        with Store.open(tmp_path / name) as store:
            assert store.sets.players() == []


KILLED_WHILE_MAKING = """
import os, signal, sys
from pathlib import Path
from logger.store.migrations import STEPS
from logger.store.store import Store
def kill(db):
    # so that pages are on the disk before the transaction ends
    db.execute("PRAGMA cache_size = 1")
    db.execute("CREATE TABLE big (content)")
    db.execute("PRAGMA cache_spill = 1")
    for _ in range(50):
        db.execute("INSERT INTO big VALUES (zeroblob(20000))")
    os.kill(os.getpid(), signal.SIGKILL)
Store.open(Path(sys.argv[1]), steps=(*STEPS, ("0002_kill", kill)))
"""


@pytest.mark.parametrize("existing", [False, True])
def test_killed_while_making_or_upgrading(path, child, existing):
    if existing:
        Store.open(path).close()
    process = child(KILLED_WHILE_MAKING, path)
    process.communicate(timeout=30)
    assert process.returncode == -9
    # something of it did reach the disk
    assert sum(each.stat().st_size for each in path.parent.iterdir()) > 500_000
    with Store.open(path) as store:
        assert store.sets.players() == []
        assert store.file.one("PRAGMA integrity_check") == ("ok",)
    assert facts(path)[0] == len(STEPS)
    assert columns(path, "big") == []


OPEN_AND_COUNT = """
import sys
from pathlib import Path
from logger.store.store import Store
sys.stdin.readline()
with Store.open(Path(sys.argv[1]), busy_s=20) as store:
    print(len(store.sets.players()))
"""


def test_two_programs_make_the_same_file_at_once(path, child):
    both = [child(OPEN_AND_COUNT, path) for _ in range(2)]
    for process in both:
        process.stdin.write("go\n")
        process.stdin.flush()
    for process in both:
        out, err = process.communicate(timeout=40)
        assert (out, err) == ("0\n", "")
    assert facts(path)[0] == len(STEPS)


def test_presses_that_were_done_before_they_were_noted_stay_done(path, session_of_schema_3):
    boot = session_of_schema_3
    with Store.open(path) as store:
        done = {}
        for sequence in (3, 4, 1):
            with store.sessions.press(boot, sequence) as is_first:
                done[sequence] = not is_first
        assert done == {3: True, 4: True, 1: False}
        # Once noted, for ever.
        with store.sessions.press(boot, 1) as is_first:
            assert not is_first
        with pytest.raises(RuntimeError), store.sessions.press(boot, 7):
            raise RuntimeError
        with store.sessions.press(boot, 7) as is_first:
            assert is_first


@pytest.fixture
def session_of_schema_3(path):
    """A file by the code of schema 3: a press changed the club, one took back, one did nothing."""
    path.write_bytes(gzip.decompress((VECTORS / "schema-3.db.gz").read_bytes()))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE records SET kind = 'button' WHERE sequence IN (1, 4)")
        connection.execute("UPDATE marks SET fitter_reason = 'taken back (foot switch 1:4)'")
    return 1
