"""Names from elsewhere: nothing in them reaches a terminal as an order, a file name or a formula.

Sequences: ECMA-48 (control functions), and the Unicode bidirectional controls of "Trojan Source"
(CVE-2021-42574). Formulas: OWASP, "CSV Injection".
"""

import csv
import gzip
import io
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.live import Live
from rich.table import Table
from rich.text import Text

from logger.cli import main
from logger.cli.terminal.safe_text import fit
from logger.cli.terminal.screen import FitConsole
from logger.store.migrations import STEPS
from logger.store.store import Store

VECTORS = Path(__file__).parents[1] / "vectors" / "db"
# Clear the screen, set the title, answer back, turn the direction of text, go back and overwrite.
HOSTILE = [
    "\x1b[2J\x1b[H", "\x1b]0;owned\x07", "\x1b]52;c;cm0gLXJm\x1b\\", "\x9b31m", "a\rb",
    "a\x08\x08b", "\u202egnp.exe", "\u2066x\u2069", "\x7f", "\x00", "\u2028", "\x1bP$q\x1b\\",
]  # fmt: skip
PATHS = ["../../etc/passwd", "/etc/passwd", "..\\..\\x", "C:\\x", "a/b", "CON", ".", "x\x00y"]
FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "  =cmd|' /C calc'!A0", "＝1"]
MARKUP = ["<script>alert(1)</script>", "</td><img src=x onerror=alert(1)>", "[red]x[/]", "&amp;"]


def is_fit(text):
    return all(each.isprintable() or each in "\n\t " or each in "\xa0\u2009\u202f" for each in text)


@given(st.text(st.characters(codec=None)))
def test_what_is_fit_is_shown_and_nothing_else(text):
    shown = fit(text)
    assert is_fit(
        "".join(c for c in shown if c not in "\u3000\u1680" and not "\u2000" <= c <= "\u205f")
    )
    assert len(shown) == len(text)
    assert all(a == b for a, b in zip(text, shown, strict=True) if a.isprintable())


@pytest.mark.parametrize("text", HOSTILE)
def test_a_console_obeys_no_name(text):
    out = io.StringIO()
    console = FitConsole(file=out, force_terminal=True, width=80, markup=False, emoji=False)
    table = Table(text, title=Text(text))
    table.add_row(text)
    with Live(Text(f"up: {text}"), console=console, auto_refresh=False) as live:
        live.update(table, refresh=True)
        console.print(f"board {text}")
        console.print(table)
    written = out.getvalue()
    # Rich's own codes: colours and moves, each ESC [ numbers letter.
    import re

    rest = re.sub(r"\x1b\[\??[0-9;]*[A-Za-z]", "", written)
    assert is_fit(rest.replace("\r", ""))
    for order in ("\x1b[2J", "\x1b]", "\x1bP", "\x9b"):
        assert order not in written


@pytest.fixture
def hostile_file(tmp_path):
    """A data file that another program filled with names: ours would not take them in."""

    def make(name):
        path = tmp_path / "lies.db"
        path.write_bytes(gzip.decompress((VECTORS / f"schema-{len(STEPS) - 1}.db.gz").read_bytes()))
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("UPDATE players SET name = ?, note = ?", (name, name))
            connection.execute("UPDATE sets SET name = ?", (name,))
            connection.execute("UPDATE clubs SET label = label || ?", (name,))
            connection.execute("UPDATE boards SET name = name || ?", (name,))
            connection.execute("UPDATE notes SET text = ?", (name,))
            connection.execute("UPDATE sessions SET surface = ?, note = ?", (name, name))
            connection.execute(
                "UPDATE strikes SET rule_reason = ?, fitter_reason = ?", (name, name)
            )
            connection.execute("UPDATE agreed_boards SET name = ?", (name,))
            connection.execute("UPDATE losses SET reason = ?", (name,))
            connection.commit()
        Store.open(path).close()
        return path

    return make


COMMANDS = [
    ("sessions",), ("strikes",), ("clubs",), ("sheet",), ("set", "list"), ("history",), ("check",),
    ("boards", "--no-ble"), ("set", "show", "nobody"), ("gradation",), ("bounce",), ("learned",),
]  # fmt: skip


def test_no_command_lets_a_name_through(hostile_file, capsys):
    name = "".join(HOSTILE)
    path = hostile_file(name)
    for command in COMMANDS:
        main([*command, "--db", str(path)])
        told = capsys.readouterr()
        for text in (told.out, told.err):
            assert is_fit(text), command
    other = path.with_name("other.db")
    other.write_bytes(path.read_bytes())
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("UPDATE players SET note = ?", (name[::-1],))
        connection.commit()
    assert main(["merge", str(other), "--db", str(path)]) == 0
    assert is_fit(capsys.readouterr().out)


def test_no_name_becomes_a_file_name(hostile_file, tmp_path, monkeypatch, capsys):
    path = hostile_file("".join(PATHS))
    where = tmp_path / "deep" / "er"
    where.mkdir(parents=True)
    monkeypatch.chdir(where)
    before = {each for each in tmp_path.rglob("*") if not each.name.startswith("lies.db")}
    assert main(["report", "--db", str(path)]) == 0
    assert main(["backup", str(where), "--keep", "1", "--db", str(path)]) == 0
    new = {each for each in tmp_path.rglob("*") if not each.name.startswith("lies.db")} - before
    names = sorted(each.relative_to(where).as_posix() for each in new)
    assert [n.split("-20")[0] for n in names] == ["lieboard-session-1.html", "lies"]
    capsys.readouterr()


def test_no_export_has_a_formula_or_a_tag(hostile_file, tmp_path, capsys):
    for name in FORMULAS[::3]:
        path = hostile_file(name)
        assert main(["report", "--csv", "-", "--db", str(path)]) == 0
        rows = list(csv.reader(io.StringIO(capsys.readouterr().out, newline="")))
        assert len(rows) == 6
        for row in rows[1:]:
            for cell in row:
                number = cell.replace(".", "").replace("-", "").replace("e", "").isdigit()
                assert number or not cell.lstrip(" ").startswith(tuple("=+-@\t\r\n＝＋－＠")), cell
    path = hostile_file("".join(MARKUP))
    page = tmp_path / "page.html"
    assert main(["report", "-o", str(page), "--db", str(path)]) == 0
    text = page.read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert "<img src=x" not in text
    assert "&lt;script&gt;" in text


def test_every_csv_that_is_written_goes_through_the_same_cells():
    """Whoever writes CSV does it by `logger.session.results.export`, which keeps formulas out."""
    root = Path(__file__).parents[2]
    writers = {
        path.relative_to(root).as_posix()
        for folder in ("logger", "analysis")
        for path in (root / folder).rglob("*.py")
        if "csv.writer" in path.read_text(encoding="utf-8")
        or "csv.DictWriter" in path.read_text(encoding="utf-8")
    }
    assert writers == {"logger/session/results/export.py"}


def test_an_error_shows_what_was_typed_and_obeys_none_of_it():
    done = subprocess.run(
        [sys.executable, "-m", "logger", "log", "x\x1b[2J\u202e", "--db", "/nowhere/x\x1b[2J.db"],
        capture_output=True, check=False, stdin=subprocess.DEVNULL, timeout=60,
    )  # fmt: skip
    assert done.returncode == 4
    assert b"\x1b" not in done.stderr
