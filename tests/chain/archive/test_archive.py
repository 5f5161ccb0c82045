"""An archive holds what its data files hold: nothing lost, nothing twice, the latest word counts.

The same questions go to the data file and to the archive; DuckDB, Arrow and SQLite add up by
themselves, so they check each other.
"""

import math
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pyarrow as arrow
import pyarrow.parquet as parquet
import pytest

from logger.archive import layout
from logger.archive.layout import INDEX, places_of, read_index
from logger.archive.summary import Summaries
from logger.archive.unpack import unpacked
from logger.archive.work import session_rows, tasks_of, work_all
from logger.archive.write import compact_archive, write_archive
from logger.errors import StoreError, UsageError
from logger.store.copies.take_in import Origin
from logger.store.store import Store


def live_rows(folder, table="strikes"):
    """Rows that count, by Arrow alone, as the format's description says."""
    index = read_index(folder)
    copies = set(index.column("copy").to_pylist())
    parts = [parquet.ParquetFile(p.path(folder, table)).read() for p in places_of(index)]
    whole = arrow.concat_tables(parts, promote_options="default")
    return [row for row in whole.to_pylist() if row["copy"] in copies]


def keys(rows):
    return sorted(
        (r["player"], r["started_utc_ns"], r["source"], r["board"] or "", r["boot"] or "",
         r["first_sequence"] or 0, r["within"] or 0, r["used"], r["reason"] or "", r["toe_mm"],
         r["number"])
        for r in rows
    )  # fmt: skip


def keys_in_file(store):
    found = []
    for stamp in store.copies.stamps():
        for c in store.strikes.contacts(stamp.session):
            board = store.boards.of_boot(c.boot).board_key if c.boot else ""
            boot = store.file.one("SELECT boot_key FROM boots WHERE id = ?", (c.boot,))
            found.append(
                (stamp.name.player, stamp.name.started_utc_ns, c.source, board,
                 boot[0] if boot else "", c.first_sequence or 0, 0, c.used, c.reason or "",
                 c.toe_mm, c.number)
            )  # fmt: skip
    return sorted(found)


def files(folder):
    return sorted(str(p.relative_to(folder)) for p in folder.glob("*/*/*/*"))


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "archive"


@pytest.fixture
def archive(bay, folder):
    write_archive(bay.store, folder, shop="North Gate")
    return folder


def test_an_archive_holds_what_the_data_file_holds(bay, folder):
    done = write_archive(bay.store, folder, shop="North Gate")
    assert (done.sessions, done.contacts, done.records) == (3, 31, 30)
    assert keys(live_rows(folder)) == keys_in_file(bay.store)
    raw = {(r["board"], r["boot"], r["sequence"]): r["raw"] for r in live_rows(folder, "records")}
    stored = {(r.board, r.boot, r.sequence): r.raw
              for r in bay.store.copies.records_stored_after(0, at_most=99)}  # fmt: skip
    assert raw == stored
    # The first session began an hour before the month's end (UTC); the place is percent-encoded.
    assert {Path(f).parts[1] for f in files(folder)} == {"month=2026-01", "month=2026-02"}
    assert all("shop=North%20Gate" in f for f in files(folder))


def test_a_run_with_nothing_new_writes_nothing(bay, archive):
    before = {f: (archive / f).stat().st_mtime_ns for f in [*files(archive), INDEX]}
    done = write_archive(bay.store, archive, shop="North Gate")
    assert (done.sessions, done.files) == (0, 0)
    assert {f: (archive / f).stat().st_mtime_ns for f in [*files(archive), INDEX]} == before


def test_only_what_is_new_is_written_and_late_words_get_through(bay, archive, start_ns, day_ns):
    bay.begin(bay.store.sets.find("Bo Sanna"), start_ns + 40 * day_ns, whole_scans=False)
    bay.swing("7i", 3)
    done = write_archive(bay.store, archive, shop="North Gate")
    assert (done.sessions, done.contacts) == (1, 3)
    # An open session goes on, and an old one is looked at again: words of weeks later.
    bay.swing("7i", 2)
    first = bay.store.copies.stamps()[0].session
    contacts = bay.store.strikes.contacts(first, source="board")
    bay.store.strikes.bring_back(contacts[1])
    bay.store.strikes.set_aside(contacts[5], "heard it ring")
    done = write_archive(bay.store, archive, shop="North Gate")
    assert (done.sessions, done.contacts) == (2, 5 + 13)
    assert keys(live_rows(archive)) == keys_in_file(bay.store)


def test_two_shops_and_a_gathered_file_in_one_archive(bay, archive, tmp_path):
    with Store.open(tmp_path / "gathered.db") as gathered:
        copy, _ = bay.store.copies.make(bay.store.copies.stamps()[0].session)
        gathered.copies.take_in(copy, origin=Origin("South Gate", "bay 2"), edition=1)
        write_archive(gathered, archive, shop=None)
    with Summaries(archive) as summaries:
        found = {row.group: row.used + row.set_aside for row in summaries.by(["shop", "bay"])}
    assert found == {("North Gate", None): 31, ("South Gate", "bay 2"): 13}


def test_whose_sessions_they_are_must_be_said(bay, folder):
    with pytest.raises(UsageError, match="--shop NAME"):
        write_archive(bay.store, folder, shop=None)


def test_a_data_file_that_was_put_back_is_archived_as_it_is_now(bay, archive, tmp_path, bay_at):
    backup = tmp_path / "backup.db"
    bay.store.file.connection.execute("VACUUM INTO ?", (str(backup),))
    first = bay.store.copies.stamps()[0].session
    bay.store.strikes.set_aside(bay.store.strikes.contacts(first)[3], "thin")
    write_archive(bay.store, archive, shop="North Gate")
    restored = bay_at(backup).store
    # As many changes as were undone: a mere count of changes would now say that nothing changed.
    restored.strikes.set_aside(restored.strikes.contacts(first)[6], "fat")
    write_archive(restored, archive, shop="North Gate")
    assert keys(live_rows(archive)) == keys_in_file(restored)


def test_compacting_changes_no_answer_and_drops_what_was_superseded(bay, archive):
    first = bay.store.copies.stamps()[1].session
    for contact in bay.store.strikes.contacts(first, source="board")[3:6]:
        bay.store.strikes.set_aside(contact, "thin")
        write_archive(bay.store, archive, shop="North Gate")
    before = keys(live_rows(archive))
    named = {p.path(archive, "strikes") for p in places_of(read_index(archive))}
    assert compact_archive(archive) > 1
    assert keys(live_rows(archive)) == before
    # What was read just before is still there; the next run clears it away.
    assert len(named) == 3
    assert all(path.exists() for path in named)
    assert compact_archive(archive) == 0
    assert len(files(archive)) == 2 * len(layout.TABLES)
    whole = [parquet.ParquetFile(archive / f).read() for f in files(archive) if "strikes" in f]
    assert sum(table.num_rows for table in whole) == 31
    # And it goes on from there.
    bay.store.strikes.bring_back(bay.store.strikes.contacts(first, source="board")[3])
    write_archive(bay.store, archive, shop="North Gate")
    assert keys(live_rows(archive)) == keys_in_file(bay.store)


def test_parts_written_before_contacts_had_numbers_are_put_together_too(bay, archive):
    bay.store.strikes.set_aside(bay.store.strikes.contacts(1, source="board")[3], "thin")
    for path in [archive / f for f in files(archive) if "strikes" in f]:
        parquet.write_table(parquet.ParquetFile(path).read().drop_columns(["number"]), path)
    write_archive(bay.store, archive, shop="North Gate")
    bay.store.strikes.set_aside(bay.store.strikes.contacts(3, source="board")[0], "thin")
    write_archive(bay.store, archive, shop="North Gate")
    assert compact_archive(archive) > 1
    rows = live_rows(archive)
    unnumbered = [{**key, "number": 0} for key in rows]
    assert [k[:-1] for k in keys(unnumbered)] == [k[:-1] for k in keys_in_file(bay.store)]
    assert {row["number"] is None for row in rows} == {True, False}
    with Summaries(archive) as summaries:
        assert sum(r.used + r.set_aside for r in summaries.by(["player"])) == 31


KILLED = """
import os, signal, sys
from pathlib import Path
from logger.archive import layout, write
from logger.store.store import Store
left = int(sys.argv[3])
real = write.write_file
def counted(path, table):
    global left
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    left -= 1
    real(path, table)
write.write_file = counted
write._AT_A_TIME_CONTACTS = 10
with Store.open(Path(sys.argv[1]), read_only=True) as store:
    write.write_archive(store, Path(sys.argv[2]), shop="North Gate")
"""


@pytest.mark.parametrize("after_files", [2, 5])
def test_killed_in_the_middle_nothing_is_lost_or_twice(bay, folder, after_files):
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(bay.path), str(folder), str(after_files)], check=False
    )
    assert done.returncode == -signal.SIGKILL
    if (folder / INDEX).exists():
        # What counts already is whole sessions.
        assert set(keys(live_rows(folder))) <= set(keys_in_file(bay.store))
    write_archive(bay.store, folder, shop="North Gate")
    assert keys(live_rows(folder)) == keys_in_file(bay.store)
    named = {p.path(folder, t) for p in places_of(read_index(folder)) for t in layout.TABLES}
    assert {folder / f for f in files(folder)} == named


def test_one_writer_at_a_time(bay, folder):
    with layout.writing(folder), pytest.raises(StoreError, match="another program writes"):
        write_archive(bay.store, folder, shop="North Gate")


def test_a_full_disk_leaves_what_was_there(bay, archive, monkeypatch):
    before = keys(live_rows(archive))
    bay.store.strikes.set_aside(bay.store.strikes.contacts(1)[3], "thin")

    def full(*_arguments, **_named):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(parquet, "write_table", full)
    with pytest.raises(StoreError, match=r"No space left on device.*free some space"):
        write_archive(bay.store, archive, shop="North Gate")
    assert keys(live_rows(archive)) == before


def test_an_archive_of_another_format_is_refused(archive):
    index = read_index(archive)
    newer = index.replace_schema_metadata({b"lieboard": b"lieboard archive 2"})
    parquet.write_table(newer, archive / INDEX)
    with pytest.raises(UsageError, match="lieboard archive 2"):
        Summaries(archive)
    (archive / INDEX).write_bytes(b"PAR1 no")
    with pytest.raises(StoreError, match="cannot be read"):
        read_index(archive)


def test_summaries_are_those_of_the_data_file(bay, archive):
    found = {}
    with Summaries(archive) as summaries:
        for row in summaries.by(["player", "session", "club", "source"]):
            found[row.group] = row
    view = bay.store.file.select(
        dict,
        "SELECT player, sessions.started_utc_ns, club, source, used, set_aside, mean_toe_mm,"
        " least_toe_mm, greatest_toe_mm FROM club_summary"
        " JOIN sessions ON sessions.id = club_summary.session WHERE used + set_aside > 0",
    )
    assert len(view) == len(found)
    for one in view:
        row = found[one["player"], one["started_utc_ns"], one["club"], one["source"]]
        assert (row.used, row.set_aside) == (one["used"], one["set_aside"])
        assert row.mean_toe_mm == pytest.approx(one["mean_toe_mm"], rel=1e-12)
        assert (row.least_toe_mm, row.greatest_toe_mm) == (
            one["least_toe_mm"], one["greatest_toe_mm"],
        )  # fmt: skip


def test_summaries_by_other_ways(bay, archive):
    with Summaries(archive) as summaries:
        months = {r.group: (r.sessions, r.used) for r in summaries.by(["month"])}
        ada = summaries.by(["club"], player="ada lindqvist", month="2026-01")
        nobody = summaries.by(["club"], player="Cy")
        with pytest.raises(UsageError, match="--by colour"):
            summaries.by(["colour"])
    assert months == {("2026-01",): (1, 12), ("2026-02",): (2, 18)}
    assert [r.group for r in ada] == [("6i",), ("7i",), ("8i",)]
    assert nobody == []
    # One club by hand.
    toes = [c.toe_mm for c in bay.store.strikes.contacts(1) if c.used and c.toe_mm is not None
            and bay.store.clubs.get(c.club).label == "6i"]  # fmt: skip
    middle = math.fsum(toes) / len(toes)
    sd = math.sqrt(math.fsum((t - middle) ** 2 for t in toes) / (len(toes) - 1))
    assert ada[0].sd_toe_mm == pytest.approx(sd, rel=1e-12)
    assert ada[0].u_toe_mm == pytest.approx(sd / math.sqrt(len(toes)), rel=1e-12)


def results_of_file(store):
    return [
        {"player": s.name.player, "started_utc_ns": s.name.started_utc_ns, **row}
        for s in store.copies.stamps()
        for row in session_rows(store, s.session)
    ]


def by_club(rows):
    names = ("month", "shop", "bay", "set")
    return {
        (r["player"], r["started_utc_ns"], r["club"]): {
            n: v for n, v in r.items() if n not in names
        }
        for r in rows
    }


# Each worker is a process that imports all of scipy: long on a machine that others use.
@pytest.mark.timeout(400)
def test_dask_works_out_the_same_as_one_machine(bay, archive):
    alone = by_club(results_of_file(bay.store))
    assert len(alone) == 3 + 2 + 2
    assert all(r["lie_error_deg"] is not None for r in alone.values())
    tasks = [replace(t, names=(n,)) for t in tasks_of(archive) for n in t.names]
    assert len(tasks) == 3
    for found in (work_all(tasks), work_all(tasks, workers=2)):
        # To the last bits: workers may add up in another order.
        assert by_club(found).keys() == alone.keys()
        for key, row in by_club(found).items():
            for name, value in alone[key].items():
                if isinstance(value, float):
                    value = pytest.approx(value, rel=1e-7, abs=1e-9)
                assert row[name] == value, (key, name)


def test_a_damaged_part_says_so(archive):
    task = tasks_of(archive, player="Bo Sanna")[0]
    with pytest.raises(StoreError, match="copy 99 is missing"):
        unpacked(archive, task.place, [99])
    assert tasks_of(archive, player="Cy") == []
