"""``lieboard report`` as a person runs it."""

import csv
import io
import json
import subprocess
import sys
from dataclasses import fields

import pyarrow.parquet as parquet
import pytest

from analysis.report.content import ReportContent
from logger.cli import main
from logger.session.results import export
from logger.session.results.export import STRIKE_COLUMNS


def error_of(capsys, *arguments):
    """Exit code and the one line that a mistake gives."""
    code = main(["report", *map(str, arguments)])
    (line,) = capsys.readouterr().err.splitlines()
    return code, line


def test_a_file_beside_the_work(db, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["report", "--db", str(db)]) == 0
    assert (tmp_path / "lieboard-session-1.html").read_text().startswith("<!DOCTYPE html>")
    assert main(["report", "--db", str(db), "-o", "Sheet.PDF", "--paper", "Letter"]) == 0
    assert (tmp_path / "Sheet.PDF").read_bytes().startswith(b"%PDF-")
    assert capsys.readouterr().err.splitlines()[-1] == "wrote Sheet.PDF"


def test_csv_is_safe_in_a_spreadsheet(db, capsys, formula_club, player):
    """OWASP, CSV Injection: a cell beginning with = + - @ is worked out. Form: RFC 4180."""
    assert main(["report", "--db", str(db), "--csv", "-"]) == 0
    text = capsys.readouterr().out
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert list(rows[0]) == [name for name, _, _ in STRIKE_COLUMNS]
    assert len(rows) == 10
    assert {row["club"] for row in rows} == {"7i", "'" + formula_club}
    assert rows[0]["player"] == player
    assert rows[6]["toe_mm"] == "-1.0"
    assert [row["used"] for row in rows] == ["yes"] * 9 + ["no"]
    assert (rows[9]["set_aside_by"], rows[9]["reason"]) == ("fitter", "taken back")
    assert rows[0]["struck_utc"] == "2024-01-01T12:00:20.000Z"


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@A1", "\t=1", "\r=1", "  =1", "＝1", '=cmd|" /C calc"!A0']
)
def test_every_beginning_of_a_formula(text):
    strike = {name: None for name, _, _ in STRIKE_COLUMNS} | {"club": text, "toe_mm": -1.5}
    row = next(csv.DictReader(io.StringIO(export.strikes_csv([strike]), newline="")))
    assert row["club"] == "'" + text
    assert row["toe_mm"] == "-1.5"


def test_json_and_parquet_hold_the_same(db, tmp_path, formula_club):
    a, b = tmp_path / "a.json", tmp_path / "b.parquet"
    assert main(["report", "--db", str(db), "--json", str(a), "--parquet", str(b)]) == 0
    whole = json.loads(a.read_text(encoding="utf-8"))
    assert whole["schema"] == "lieboard report 2"
    assert set(whole) == {"schema", "strikes"} | {field.name for field in fields(ReportContent)}
    # Nothing but what was asked for.
    assert sorted(p.suffix for p in tmp_path.iterdir() if "evening" not in p.name) == [
        ".json",
        ".parquet",
    ]
    table = parquet.read_table(b)
    assert table.to_pylist() == whole["strikes"]
    assert str(table.schema.field("toe_mm").type) == "double"
    assert whole["strikes"][7]["club"] == formula_club


def test_the_columns_are_written_down():
    for name, _, _ in STRIKE_COLUMNS:
        assert f"\n{name}" in export.__doc__ or f", {name} " in export.__doc__


def test_a_session_in_which_nobody_swung(empty_session, capsys):
    code, line = error_of(capsys, "--db", empty_session)
    assert code == 2
    assert "session 2 has no strikes under a club yet" in line
    assert "lieboard mark" in line


def test_a_session_nobody_knows(db, capsys):
    code, line = error_of(capsys, "--db", db, "--session", 9)
    assert code == 4
    assert "there is no session 9" in line


def test_a_place_that_cannot_be_written(db, tmp_path, capsys):
    code, line = error_of(capsys, "--db", db, "-o", tmp_path / "none" / "a.html")
    assert code == 2
    assert "cannot be written (No such file or directory)" in line
    folder = tmp_path / "a.html"
    folder.mkdir()
    code, line = error_of(capsys, "--db", db, "-o", folder)
    assert code == 2
    assert "is a folder" in line
    assert not list(tmp_path.glob("*.part"))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["-o", "a.docx"], "ends in .html or .htm or .pdf"),
        (["--csv", "x.txt", "--json", "x.txt"], "each its own"),
        (["--parquet", "-"], "--parquet cannot print"),
    ],
)
def test_names_that_make_no_sense(db, capsys, tmp_path, monkeypatch, given, said):
    monkeypatch.chdir(tmp_path)
    code, line = error_of(capsys, "--db", db, *given)
    assert code == 2
    assert said in line


def test_the_data_file_is_never_written_over(db, capsys):
    before = db.read_bytes()
    code, line = error_of(capsys, "--db", db, "--csv", db)
    assert code == 2
    assert "is the data file" in line
    assert db.read_bytes() == before


def test_no_command_loads_the_drawing_until_it_draws(db):
    """Neither help nor a table waits for it."""
    code = (
        "import sys; from logger.cli import main;"
        f"main(['--help']); main(['report', '--help']); main(['history', '--help']);"
        f"main(['clubs', '--db', {str(db)!r}]);"
        "print(sorted({'matplotlib', 'jinja2', 'fpdf', 'pyarrow', 'PIL'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_strikes_of_a_board(tmp_path, capsys):
    """A simulated board's strikes on a real pseudo-terminal, to the sheet and the columns."""
    db, page, table = (tmp_path / name for name in ("demo.db", "demo.html", "demo.csv"))
    assert main(["demo", "--db", str(db), "--swings", "3"]) == 0
    arguments = ["report", "--db", str(db), "-o", str(page), "--csv", str(table)]
    assert main(arguments) == 0
    rows = list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8"), newline="")))
    used = [row for row in rows if row["used"] == "yes"]
    assert {row["source"] for row in rows} == {"board"}
    text = page.read_text(encoding="utf-8")
    assert text.count("<svg") == 9
    # Each used strike is a filled circle on its club's sole, unless its print stood off.
    dots = text.count('style="fill: #1f6fb8; stroke: #ffffff; stroke-width: 0.5"')
    assert 0.5 * len(used) <= dots <= len(used)
