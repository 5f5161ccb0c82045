"""The archive as a person runs it, and what it says when a library is missing."""

import sys

import pyarrow.parquet as parquet
import pytest

from logger.archive.work import RESULT_COLUMNS
from logger.cli import main


def test_write_summary_work_compact(bay, tmp_path, capsys):
    folder, out = str(tmp_path / "archive"), tmp_path / "clubs.parquet"
    db = ["--db", str(bay.path)]
    assert main(["archive", "write", folder, "--shop", "North Gate", *db]) == 0
    assert main(["archive", "write", folder, "--shop", "North Gate", *db]) == 0
    assert main(["archive", "compact", folder]) == 0
    said = capsys.readouterr().out
    assert said == "3 sessions, 31 contacts, 30 raw records\nnothing new\nnothing to put together\n"
    assert main(["archive", "summary", folder, "--by", "player,club"]) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if "Bo Sanna" in line]
    assert [line.split("│")[2].strip() for line in lines] == ["7i", "8i"]
    assert [line.split("│")[4].strip() for line in lines] == ["5", "5"]
    asked = ["--workers", "0", "--player", "Bo Sanna", "-o", str(out)]
    assert main(["archive", "work", folder, *asked]) == 0
    assert capsys.readouterr().out.startswith("1 sessions, 2 clubs: 2 ")
    table = parquet.read_table(out)
    assert table.schema.names == [name for name, _, _ in RESULT_COLUMNS]
    assert table.column("club").to_pylist() == ["7i", "8i"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["summary", "{0}"], "there is no archive here"),
        (["compact", "{0}"], "there is no archive here"),
        (["work", "{0}", "-o", "x.csv"], "ends in .parquet"),
        (["write", "{0}", "--shop", " "], "--shop needs a name"),
        (["write", "{0}"], "--shop NAME"),
    ],
)
def test_what_cannot_be_done_is_one_line(bay, tmp_path, capsys, monkeypatch, arguments, message):
    monkeypatch.setenv("LIEBOARD_DB", str(bay.path))
    folder = tmp_path / "none"
    assert main(["archive", *(a.format(folder) for a in arguments)]) == 2
    err = capsys.readouterr().err
    assert message in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("library", "command", "part"),
    [
        ("pyarrow", "archive write {0} --shop x", "archive"),
        ("duckdb", "archive summary {0}", "archive"),
        ("distributed", "archive work {0} --workers 1", "archive"),
        ("aiomqtt", "shop forward --shop x --bay y --user z --broker localhost", "shop"),
    ],
)
def test_a_missing_library_is_one_line(bay, tmp_path, monkeypatch, capsys, library, command, part):
    monkeypatch.setenv("LIEBOARD_DB", str(bay.path))
    monkeypatch.setenv("LIEBOARD_SHOP_PASSWORD", "x")
    folder = str(tmp_path / "archive")
    if library in ("duckdb", "distributed"):
        assert main(["archive", "write", folder, "--shop", "x"]) == 0
        capsys.readouterr()
    # Python then says that there is no such module, as it does where it is not installed.
    monkeypatch.setitem(sys.modules, library, None)
    assert main([word.format(folder) for word in command.split()]) == 2
    assert capsys.readouterr().err == (
        f"lieboard: this needs the library {library}, which is not installed: "
        f"pip install 'lieboard[{part}]'\n"
    )
