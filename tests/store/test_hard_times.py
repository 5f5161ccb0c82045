"""Another writer, a full disk, a killed program: what was stored stays stored."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.store.migrations import STEPS
from logger.store.store import Store

HOLD_THE_LOCK = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
connection.execute("INSERT INTO players (name, hand) VALUES ('Slow Writer', 'left')")
print("held", flush=True)
sys.stdin.readline()
connection.execute("COMMIT")
print("done", flush=True)
sys.stdin.readline()
"""

# Writes batches of 5 records for ever and says each time what `records.add` gave back; ends with
# the error, if there is one.
WRITER = """
import sys
from pathlib import Path
from types import SimpleNamespace
from logger.errors import StoreError
from logger.protocol.records import Flag, RawRecord, Reading
from logger.store.store import Store

def item(n):
    raw = RawRecord(Reading(n, n, 0.0, None, None, Flag(0), 0), (bytes([2]) * 500,) * 2, n)
    return SimpleNamespace(sequence=n, raw=raw, struck_utc_ns=n, struck_u_ns=1)

try:
    with Store.open(Path(sys.argv[1])) as store:
        boot = store.boards.remember_boot(
            board_key="b", boot_key="1", name="b", hello=None, seen_utc_ns=0)
        LIMIT
        n = 0
        while True:
            for new in store.records.add(boot, [item(k) for k in range(n, n + 5)]):
                print(new, flush=True)
            n += 5
except StoreError as exc:
    print(exc, flush=True)
"""
LIMITS = {
    # (https://www.sqlite.org/pragma.html#pragma_max_page_count)
    "pages": "store.file.connection.execute('PRAGMA max_page_count = 150')",
    # Every write beyond this length of a file fails, as on a disk that takes no more.
    "file length": "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (600_000, 600_000))",
}


def mounted(folder):
    """Whether this user may mount a small disk there; it is mounted then."""
    mount = shutil.which("mount")
    if mount is None or os.geteuid() != 0:
        return False
    command = [mount, "-t", "tmpfs", "-o", "size=800k", "tmpfs", folder]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


@pytest.fixture
def small_disk():
    """Make a disk of 800 kB if this user may mount one; else an ordinary folder."""
    folder = tempfile.mkdtemp(prefix="small-disk-")
    is_small = mounted(folder)
    yield Path(folder), is_small
    if is_small:
        subprocess.run(["umount", folder], check=True)
    shutil.rmtree(folder)


def stored_whole(path):
    """Sequences in a file that passes SQLite's own check."""
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        rows = connection.execute("SELECT sequence FROM records ORDER BY sequence").fetchall()
        return [row[0] for row in rows]


def test_another_program_holds_the_lock(path, store, boot, timed, child):
    store.records.add(boot, [timed(0)])
    other = child(HOLD_THE_LOCK, path)
    assert other.stdout.readline() == "held\n"
    with Store.open(path, busy_s=0.1) as hasty:
        # opening and reading go on
        assert [record.sequence for record in hasty.records.read(boot=boot)] == [0]
        with pytest.raises(StoreError, match="another program is writing to it: close") as caught:
            hasty.records.add(boot, [timed(1)])
        assert str(caught.value).startswith(str(path))
        other.stdin.write("go\n")
        other.stdin.flush()
        assert other.stdout.readline() == "done\n"
        # what was refused can be stored as soon as the other is done
        assert hasty.records.add(boot, [timed(1)]) == [1]
        assert [player.name for player in hasty.sets.players()] == ["Slow Writer"]


def test_another_program_holds_the_lock_while_we_upgrade(path, store, child):
    store.close()
    other = child(HOLD_THE_LOCK, path)
    assert other.stdout.readline() == "held\n"
    steps = (*STEPS, ("0002_nothing", lambda db: None))
    with pytest.raises(StoreError, match="another program is writing to it"):
        Store.open(path, busy_s=0.1, steps=steps)


def test_a_writer_waits_for_the_lock(path, store, boot, timed, child):
    other = child(HOLD_THE_LOCK, path)
    assert other.stdout.readline() == "held\n"
    other.stdin.write("go\n")
    other.stdin.flush()
    # the store's own patience is 5 s; the other ends at once
    assert store.records.add(boot, [timed(0)]) == [0]


def run_until_full(child, path, limit):
    out, err = child(WRITER.replace("LIMIT", limit), path).communicate(timeout=50)
    assert err == ""
    *told, last = out.splitlines()
    return [int(line) for line in told], last


@pytest.mark.parametrize("limit", list(LIMITS))
def test_the_disk_is_full(path, child, timed, limit):
    told, error = run_until_full(child, path, LIMITS[limit])
    assert error.startswith(f"{path}: the disk ")
    assert "what was stored before is safe" in error
    assert len(told) >= 50
    assert stored_whole(path) == told
    # with room again the next record goes in
    with Store.open(path) as store:
        assert store.records.last_contiguous(1) == told[-1]
        assert store.records.add(1, [timed(told[-1] + 1)]) == [told[-1] + 1]


def test_a_small_disk_is_full(small_disk, child):
    folder, is_small = small_disk
    path = folder / "lies.db"
    told, error = run_until_full(child, path, "" if is_small else LIMITS["file length"])
    assert error.startswith(f"{path}: the disk ")
    assert len(told) >= 20
    # read on the full disk as it is
    with Store.open(path, read_only=True) as store:
        assert [record.sequence for record in store.records.read()] == told
    assert stored_whole(path) == told


def test_no_room_for_a_new_file(tmp_path, child):
    code = (
        "import resource, sys; from pathlib import Path; from logger.store.store import Store;"
        "from logger.errors import StoreError\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))\n"
        "try: Store.open(Path(sys.argv[1]))\n"
        "except StoreError as exc: print(exc)\n"
    )
    out, err = child(code, tmp_path / "lies.db").communicate(timeout=30)
    assert ("the disk" in out, err) == (True, "")
    with Store.open(tmp_path / "lies.db") as store:
        assert store.sets.players() == []


@pytest.mark.parametrize("told_before", [1, 40, 333])
def test_killed_in_the_middle(path, child, told_before):
    writer = child(WRITER.replace("LIMIT", ""), path)
    told = [int(writer.stdout.readline()) for _ in range(told_before)]
    os.kill(writer.pid, signal.SIGKILL)
    # Not communicate: it passes over lines that readline has taken into its buffer.
    rest = writer.stdout.read()
    writer.wait(30)
    # the last line may be cut off
    told += [int(line) for line in rest.splitlines(keepends=True) if line.endswith("\n")]
    stored = stored_whole(path)
    assert writer.returncode == -signal.SIGKILL
    assert stored[: len(told)] == told
    # batches are whole: none of 5 records was torn
    assert len(stored) % 5 == 0
    with Store.open(path) as store:
        assert store.records.last_contiguous(1) == stored[-1]
        assert all(len(record.raw) == 2 for record in store.records.read())


def test_importing_the_store_is_cheap():
    """The libraries that take long are not there before they are needed."""
    code = "import sys, logger.store.store; print('sqlite_utils' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout == "False\n"


def test_a_current_file_is_logged_to_without_them(path, store, boot, session, clubs):
    store.close()
    code = f"""
import sys
from pathlib import Path
{WRITER.split("try:")[0]}
with Store.open(Path({str(path)!r})) as store:
    store.sessions.add_turn({session}, None, from_utc_ns=5, cause="key")
    store.records.add({boot}, [item(0)], session={session})
    store.records.last_contiguous({boot})
    store.strikes.take_back_last({session})
print("sqlite_utils" in sys.modules)
"""
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout == "False\n"
