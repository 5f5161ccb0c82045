"""A backup is whole, or it is not there; and nobody who logs meanwhile notices."""

import sqlite3
import threading
from contextlib import closing

import pytest

from logger.cli import main
from logger.errors import StoreError
from logger.store.copies.backup import back_up, back_up_in_turn
from logger.store.migrations import STEPS
from logger.store.store import Store


@pytest.fixture
def filled(new_file, writer):
    path = new_file("lies.db")
    with Store.open(path) as store:
        w = writer(store)
        w.strikes(w.session(w.set()), w.boot(), range(20))
    return path


def names(folder):
    return sorted(each.name for each in folder.iterdir())


def test_a_backup_holds_what_the_file_holds(filled, content, tmp_path):
    before = filled.read_bytes()
    made = back_up(filled, tmp_path / "copy.db")
    assert content(made.path) == content(filled)
    assert made.facts.rows["records"] == 20
    assert made.facts.schema == len(STEPS)
    assert filled.read_bytes() == before
    # One file, which needs no other beside it, and is used like any other.
    assert names(tmp_path) == ["copy.db", "lies.db"]
    with Store.open(made.path, read_only=True) as store:
        assert len(list(store.records.read())) == 20


def test_a_backup_while_another_writes(filled, writer, content, tmp_path):
    """Every copy is a state that the file was in: as many strikes as records, none in between."""
    stop = threading.Event()
    written = []

    def log():
        with Store.open(filled) as store:
            w = writer(store)
            session = w.session(1, at_s=500)
            boot = w.boot(key="0000000a")
            while not stop.is_set():
                # Records and strikes of ten are one transaction, as seen from outside.
                with store.file.writing():
                    w.strikes(session, boot, range(len(written) * 10, len(written) * 10 + 10))
                written.append(1)

    thread = threading.Thread(target=log)
    thread.start()
    try:
        sizes = []
        for number in range(4):
            at_least = len(written) + 2
            while len(written) < at_least:
                stop.wait(0.01)
            made = back_up(filled, tmp_path / f"{number}.db")
            sizes.append(made.facts.rows["records"])
            held = content(made.path)
            assert len(held["records"]) == len(held["strikes"]) == made.facts.rows["records"]
            assert made.facts.rows["records"] % 10 == 0
    finally:
        stop.set()
        thread.join()
    assert sizes == sorted(set(sizes))
    # The writer waited for nothing and lost nothing.
    assert len(content(filled)["records"]) == 20 + 10 * len(written)


def test_nothing_is_replaced_unless_asked(filled, tmp_path, capsys, content):
    target = tmp_path / "copy.db"
    target.write_bytes(b"my thesis")
    assert main(["backup", str(target), "--db", str(filled)]) == 4
    assert "there is such a file already" in capsys.readouterr().err
    assert target.read_bytes() == b"my thesis"
    assert main(["backup", str(target), "--overwrite", "--db", str(filled)]) == 0
    assert content(target) == content(filled)
    for own in (filled, filled.with_name("lies.db-wal")):
        assert main(["backup", str(own), "--overwrite", "--db", str(filled)]) == 4
    assert main(["backup", str(tmp_path / "no" / "x.db"), "--db", str(filled)]) == 4
    assert main(["backup", str(tmp_path / "y.db"), "--db", str(tmp_path / "none.db")]) == 4
    assert names(tmp_path) == ["copy.db", "lies.db"]


def test_a_copy_that_is_not_whole_is_not_kept(filled, tmp_path, monkeypatch):
    target = tmp_path / "copy.db"
    target.write_bytes(b"yesterday's")

    def bad_disk(path):
        # A byte of the copy turns over on its way to the disk.
        raw = bytearray(path.read_bytes())
        raw[4096 + 8 : 4096 + 40] = b"\xff" * 32
        path.write_bytes(raw)
        return read_back(path)

    from logger.store import copying

    read_back = copying.read_back
    monkeypatch.setattr(copying, "read_back", bad_disk)
    with pytest.raises(StoreError, match="damaged") as said:
        back_up(filled, target, overwrite=True)
    assert "\n" not in str(said.value)
    assert target.read_bytes() == b"yesterday's"
    assert names(tmp_path) == ["copy.db", "lies.db"]


def test_a_damaged_file_gives_no_backup(filled, tmp_path):
    raw = bytearray(filled.read_bytes())
    with closing(sqlite3.connect(filled)) as connection:
        page = connection.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'strikes'"
        ).fetchone()[0]
    raw[(page - 1) * 4096 : (page - 1) * 4096 + 64] = b"\xff" * 64
    filled.write_bytes(raw)
    with pytest.raises(StoreError, match="damaged"):
        back_up(filled, tmp_path / "copy.db")
    assert names(tmp_path) == ["lies.db"]
    assert main(["check", "--db", str(filled)]) == 4


def test_the_latest_few_are_kept(filled, tmp_path):
    folder = tmp_path / "backups"
    folder.mkdir()
    other = folder / "lies-mine.db"
    other.write_bytes(b"not one of these")
    for day in range(1, 6):
        made = back_up_in_turn(filled, folder, utc_stamp=f"2026010{day}T120000Z", keep=3)
    assert [each.name for each in made.removed] == ["lies-20260102T120000Z.db"]
    assert names(folder) == [*(f"lies-2026010{day}T120000Z.db" for day in (3, 4, 5)), other.name]
    # One that fails removes nothing.
    with pytest.raises(StoreError):
        back_up_in_turn(tmp_path / "none.db", folder, utc_stamp="20260106T120000Z", keep=1)
    assert len(names(folder)) == 4


def test_from_the_command_line(filled, tmp_path, capsys):
    # So long that the line does not fit on a wide screen: it is one line all the same.
    folder = tmp_path / ("long" * 50)
    folder.mkdir()
    assert main(["backup", str(folder), "--keep", "2", "--db", str(filled)]) == 0
    said = capsys.readouterr().out
    assert "20 raw records" in said
    assert said.endswith("nothing wrong\n")
    assert said.count("\n") == 1
    assert main(["backup", str(tmp_path / "x"), "--keep", "2", "--db", str(filled)]) == 2
