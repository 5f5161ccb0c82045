"""What no board and no person can have said is named and left out; a merge can be taken back."""

import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from logger.cli import main
from logger.session.logging.rework import check_file, merge_file
from logger.store.store import Store

NOW = 1_767_225_600 * 10**9
HELLO_OF = "UPDATE boots SET hello = json_set(hello, '$.{}', {})"
# Each is done to a file by a program that is not ours; then the words that name it.
SPOILT = [
    (HELLO_OF.format("full_scale", 0), "full_scale is 0, must be at least 1"),
    (HELLO_OF.format("pitch_um", 0), "pitch_um is 0, must be at least 1"),
    (HELLO_OF.format("cells", -1), "cells is -1, must be 1 to 64"),
    (HELLO_OF.format("surprise", 1), "has not the fields of a hello"),
    (HELLO_OF.format("tick_hz", "'fast'"), "tick_hz is not a whole number"),
    ("UPDATE boots SET hello = 'no JSON'", "it is not JSON"),
    ("UPDATE boots SET hello = '[1, 2]'", "has not the fields of a hello"),
    (
        "UPDATE records SET raw = zeroblob(50000000) WHERE sequence = 1",
        "raw is missing or too long",
    ),
    ("UPDATE records SET raw = x'0500FF' WHERE sequence = 1", "ends in the middle"),
    ("UPDATE records SET kind = 'strike' WHERE sequence = 1", "it is a reading and stands under"),
    ("UPDATE records SET sequence = -5 WHERE sequence = 1", "sequence is -5"),
    ("UPDATE records SET sequence = 99 WHERE sequence = 1", "it says that it is number 1"),
    ("UPDATE strikes SET toe_mm = 9e999", "toe_mm is not a finite number"),
    ("UPDATE club_specs SET camber_mm = 0", "camber_mm is 0.0, must be 1"),
    ("UPDATE players SET note = CAST(x'FF80' AS TEXT)", "note is not a text"),
    ("UPDATE players SET name = printf('%.*c', 5000, 'x') WHERE id = 2", "has 5000 letters"),
    ("UPDATE sessions SET started_utc_ns = 9223372036854775807", "started_utc_ns is"),
    ("UPDATE calibrations SET content = '[]'", "content cannot be read"),
]


@pytest.fixture
def two(pair, writer, start_ns):
    """Our file, and another with a board's start and two strikes of its own."""
    for number, path in enumerate(pair):
        with Store.open(path) as store:
            w = writer(store)
            own = w.set(player=f"Player {number}")
            boot = w.boot(key=f"{number + 1:08x}", at_s=5)
            session = w.session(own, at_s=10 + number)
            store.calibrations.add(1, "other", {"g": 1}, from_utc_ns=start_ns, method_version="1")
            w.strikes(session, boot, [0, 1])
    return pair


def spoil(path, statement):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(statement)
        connection.commit()


def run(*arguments, db):
    return subprocess.run(
        [sys.executable, "-m", "logger", *arguments, "--db", str(db)],
        capture_output=True, text=True, env={**os.environ, "PYTHONWARNINGS": "error"}, timeout=60,
    )  # fmt: skip


@pytest.mark.parametrize(("statement", "words"), SPOILT)
def test_it_is_named_left_out_and_nothing_breaks(two, content, statement, words, capsys):
    own, other = two
    spoil(other, statement)
    before = content(own)
    report = merge_file(own, other)
    assert words in " ".join(row.reason for row in report.left_out)
    after = content(own)
    for table, rows in before.items():
        assert not [row for row in rows if row not in after[table]], table
    # What was taken in can be read by all that reads.
    assert [one.what for one in check_file(own, NOW) if one.code == "unfit"] == []
    for command in ("sessions", "strikes", "clubs"):
        main([command, "--db", str(own)])
        assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize(("statement", "words"), SPOILT)
def test_check_names_it_and_takes_it_out_on_demand(two, statement, words, capsys):
    _, path = two
    spoil(path, statement)
    assert main(["check", "--quick", "--db", str(path)]) == 4
    assert words in capsys.readouterr().out
    main(["check", "--quick", "--set-aside", "--json", "--db", str(path)])
    told = json.loads(capsys.readouterr().out)
    assert "unfit" not in {one["code"] for one in told["findings"]}
    # The file as it was is kept.
    copy = path.with_name(path.name + ".before-set-aside-1")
    with closing(sqlite3.connect(copy)) as kept, closing(sqlite3.connect(path)) as now:
        count = "SELECT COUNT(*) FROM records"
        assert kept.execute(count).fetchone() == (6,)
        assert now.execute(count).fetchone()[0] <= 6


def test_commands_say_in_one_line_that_a_stored_hello_cannot_be(two):
    _, path = two
    spoil(path, HELLO_OF.format("full_scale", 0))
    done = run("report", "--json", "-", db=path)
    assert "Traceback" not in done.stderr
    assert done.stderr.count("\n") <= 1


def test_a_merge_can_be_taken_back_and_nothing_of_it_is_lost(two, content):
    own, other = two
    before = content(own)
    done = run("merge", str(other), db=own)
    assert done.returncode == 0, done.stderr
    assert "lieboard merge --take-back" in done.stdout
    merged = content(own)
    assert merged != before
    done = run("merge", "--take-back", db=own)
    assert done.returncode == 0, done.stderr
    assert content(own) == before
    assert content(own.with_name(own.name + ".taken-back-1")) == merged
    done = run("merge", "--take-back", db=own)
    assert done.returncode == 4
    assert "there is no copy" in done.stderr


def test_nothing_is_taken_back_while_another_program_has_the_file(two, content):
    own, other = two
    assert run("merge", str(other), db=own).returncode == 0
    merged = content(own)
    with closing(sqlite3.connect(own)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT COUNT(*) FROM records").fetchone()
        done = run("merge", "--take-back", db=own)
    assert done.returncode == 4
    assert "another program" in done.stderr
    assert content(own) == merged


def test_a_merge_that_brings_nothing_leaves_no_copy(two):
    own, other = two
    merge_file(own, other)
    merge_file(own, other)
    copies = [one.name for one in own.parent.iterdir() if "before-merge" in one.name]
    assert copies == [f"{own.name}.before-merge-1"]
