"""Places and files that cannot be used: one line that says what to do, and nothing is touched."""

import os
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.store.store import Store


def refusal(path, **how):
    with pytest.raises(StoreError) as caught:
        Store.open(path, **how)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert len(text.splitlines()) == 1
    return text


@pytest.mark.parametrize("read_only", [False, True])
def test_what_is_not_a_database(tmp_path, read_only):
    text = tmp_path / "text.db"
    text.write_text("club,lie\n7i,62\n" * 100)
    assert "not a lieboard data file" in refusal(text, read_only=read_only)
    assert text.read_text() == "club,lie\n7i,62\n" * 100
    short = tmp_path / "short.db"
    short.write_text("hello")
    assert "not a lieboard data file" in refusal(short, read_only=read_only)
    assert "this is a folder" in refusal(tmp_path, read_only=read_only)
    assert "there is no folder" in refusal(tmp_path / "no" / "lies.db", read_only=read_only)
    assert sorted(each.name for each in tmp_path.iterdir()) == ["short.db", "text.db"]


def test_a_file_that_is_not_there_is_not_made_for_reading(path):
    assert "no such data file" in refusal(path, read_only=True)
    assert not path.exists()


def test_names_that_mean_something_in_an_address(tmp_path):
    path = tmp_path / "50% of #1?mode=memory & co.db"
    Store.open(path).close()
    assert path.exists()
    with Store.open(path, read_only=True) as store:
        assert store.sets.players() == []


def test_a_damaged_file_is_named(path, store, boot, timed):
    store.records.add(boot, [timed(n) for n in range(2000)])
    store.close()
    content = bytearray(path.read_bytes())
    # spoil every page but the first
    for at in range(4096, len(content), 4096):
        content[at : at + 64] = b"\xa5" * 64
    path.write_bytes(content)
    with pytest.raises(StoreError, match="damaged: keep a copy"), Store.open(path) as spoilt:
        list(spoilt.records.read())


def test_reading_only(path, store, boot, session, timed):
    store.records.add(boot, [timed(0)])
    with Store.open(path, read_only=True) as reader:
        assert [record.sequence for record in reader.records.read()] == [0]
        # what is written meanwhile is seen
        store.records.add(boot, [timed(1)])
        assert [record.sequence for record in reader.records.read()] == [0, 1]
        for write in (
            lambda: reader.records.add(boot, [timed(2)]),
            lambda: reader.sessions.end(session, ended_utc_ns=1),
            lambda: reader.strikes.take_back_last(session),
        ):
            with pytest.raises(StoreError, match="for reading only"):
                write()


def test_a_closed_store_says_so(store, path):
    store.close()
    store.close()
    with pytest.raises(StoreError, match="closed"):
        store.sets.players()


@pytest.fixture
def open_folder():
    """Make a folder into which another user may look (those of pytest are closed)."""
    folder = Path(tempfile.mkdtemp(prefix="lies-"))
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


# Root may write anywhere, so the child becomes nobody (after its imports, which may be root's).
AS_NOBODY = """
import os, sys
from pathlib import Path
import sqlite_utils, sqlite_utils.migrations
from logger.errors import StoreError
from logger.store.store import Store
if os.geteuid() == 0:
    os.setuid(65534)
try:
    with Store.open(Path(sys.argv[1]), read_only=sys.argv[2] == "read") as store:
        print([player.name for player in store.sets.players()])
        print([record.sequence for record in store.records.read()])
except StoreError as exc:
    print(exc)
"""


@pytest.fixture
def as_nobody(child):
    def run(path, how):
        out, err = child(AS_NOBODY, path, how).communicate(timeout=30)
        assert err == ""
        return out

    return run


@pytest.fixture
def kept_file(open_folder, set_file):
    path = open_folder / "lies.db"
    with Store.open(path) as store:
        store.sets.import_file(set_file, at_utc_ns=0)
    return path


def test_a_read_only_file(kept_file, as_nobody):
    kept_file.chmod(0o444)
    before = kept_file.read_bytes()
    if os.geteuid() != 0:
        kept_file.parent.chmod(0o755)
    assert "this file is read-only: mend its permissions" in as_nobody(kept_file, "write")
    assert kept_file.read_bytes() == before


def test_a_read_only_folder(kept_file, as_nobody):
    kept_file.chmod(0o666)
    kept_file.parent.chmod(0o555)
    assert "you may not write in the folder" in as_nobody(kept_file, "write")
    assert "you may not write in the folder" in as_nobody(kept_file.parent / "new.db", "write")
    # but what is in it can be read
    assert as_nobody(kept_file, "read") == "['Robin Ashdown']\n[]\n"
    assert [each.name for each in kept_file.parent.iterdir()] == [kept_file.name]


def test_a_file_that_may_not_be_read(kept_file, as_nobody):
    kept_file.chmod(0o000)
    assert "you may not read this file" in as_nobody(kept_file, "read")
    kept_file.chmod(0o600)


def test_a_read_only_copy_with_unfinished_business_is_not_read_short(kept_file, as_nobody):
    """Rows that are only in the -wal file must not be passed over in silence."""
    with closing(sqlite3.connect(kept_file)) as busy:
        busy.execute("PRAGMA wal_autocheckpoint = 0")
        busy.execute("INSERT INTO players (name, hand) VALUES ('Late Comer', 'left')")
        busy.commit()
        folder = kept_file.parent / "copy"
        folder.mkdir()
        for end in ("", "-wal"):
            shutil.copy(f"{kept_file}{end}", folder)
            # Data files are for their owner only.
            (folder / f"{kept_file.name}{end}").chmod(0o444)
    folder.chmod(0o555)
    out = as_nobody(folder / kept_file.name, "read")
    folder.chmod(0o755)
    assert "Late Comer" in out or "cannot be opened" in out
