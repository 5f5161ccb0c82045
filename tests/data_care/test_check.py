"""What ``lieboard check`` finds in files that were spoilt on purpose, and that it finds no more."""

import gzip
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.cli import main
from logger.session.logging.rework import check_file
from logger.store.migrations import STEPS

VECTORS = Path(__file__).parents[1] / "vectors" / "db"
# A file with real records of a board, made by an earlier version; 2026-01-01 is after all in it.
NOW = 1_767_225_600 * 10**9


@pytest.fixture
def good(tmp_path):
    path = tmp_path / "lies.db"
    name = f"schema-{len(STEPS) - 1}.db.gz"
    path.write_bytes(gzip.decompress((VECTORS / name).read_bytes()))
    path.chmod(0o600)
    return path


@pytest.fixture
def spoil(good):
    def run(*statements):
        with closing(sqlite3.connect(good)) as connection:
            for statement in statements:
                connection.execute(statement)
            connection.commit()
        return {one.code: one for one in check_file(good, NOW)}

    return run


def test_a_good_file_has_nothing_wrong(good):
    before = good.read_bytes()
    found = check_file(good, NOW)
    # Other bytes under a number that was taken: it was made so.
    assert [(one.code, one.wrong) for one in found] == [("clash", False)]
    assert good.read_bytes() == before
    assert [each.name for each in good.parent.iterdir()] == [good.name]


@pytest.mark.parametrize(
    ("statement", "code", "said"),
    [
        ("UPDATE marks SET club = 4711", "link", "1 rows of marks name rows of clubs"),
        ("DELETE FROM records WHERE sequence = 2", "hole", "bench, start 00000007: records 2 are"),
        ("DELETE FROM losses", None, ""),
        ("UPDATE records SET sequence = 20 WHERE sequence = 4", "hole", "records 4, 7 to 19 are"),
        ("UPDATE records SET raw = x'0500FF' WHERE sequence = 1", "unfit", "ends in the middle"),
        ("DELETE FROM records WHERE sequence = 4", "strike-without-record", "no raw record"),
        ("UPDATE strikes SET toe_mm = 40 WHERE first_sequence = 1", "rebuild", "becomes"),
        ("DELETE FROM strikes WHERE first_sequence = 2", "rebuild", "was not filed"),
        (
            "UPDATE strikes SET method_version = 'contact 0' WHERE first_sequence = 1",
            "rebuild", "method_version contact 0 becomes contact 1",
        ),
        ("UPDATE boots SET hello = '{' WHERE hello IS NOT NULL", "unfit", "hello cannot be"),
        (
            "UPDATE calibrations SET from_utc_ns = from_utc_ns + 86400000000000 * 999",
            "future", "1 rows of calibrations are dated in the future",
        ),
        ("UPDATE notes SET written_utc_ns = 1000", "past", "notes are dated before 2015"),
        (
            "INSERT INTO losses (boot, from_sequence, to_sequence, count, reason, noted_utc_ns)"
            " VALUES (1, 1, 1, 1, 'r', 1750000000000000000)",
            "lost-and-there", "noted as lost as well",
        ),
    ],
)  # fmt: skip
def test_what_is_wrong_is_found_and_said(spoil, statement, code, said):
    found = spoil(statement)
    if code is None:
        assert not any(one.wrong for one in found.values())
        return
    assert said in found[code].what
    assert found[code].wrong
    assert found[code].do


def test_from_the_command_line(good, spoil, capsys):
    assert main(["check", "--db", str(good)]) == 0
    assert "note" in capsys.readouterr().out
    spoil("UPDATE strikes SET toe_mm = 40 WHERE first_sequence = 1")
    assert main(["check", "--json", "--db", str(good)]) == 4
    told = json.loads(capsys.readouterr().out)
    assert told["wrong"] is True
    assert {"code", "wrong", "what", "do"} == set(told["findings"][0])
    assert main(["check", "--quick", "--db", str(good)]) == 0
    assert main(["check", "--quick", "--mend", "--db", str(good)]) == 2
    # Mended, and nobody's word is undone.
    capsys.readouterr()
    assert main(["check", "--mend", "--db", str(good)]) == 0
    with closing(sqlite3.connect(good)) as connection:
        words = connection.execute(
            "SELECT fitter_choice, fitter_reason FROM strikes ORDER BY first_sequence"
        ).fetchall()
    assert words[:2] == [("aside", "taken back (key)"), ("use", "it was good")]


def test_what_cannot_be_worked_out_again_is_left_alone(spoil, good):
    spoil("DELETE FROM records WHERE sequence = 4")
    assert main(["check", "--mend", "--db", str(good)]) == 4
    with closing(sqlite3.connect(good)) as connection:
        assert connection.execute("SELECT COUNT(*) FROM strikes").fetchone() == (4,)


def test_a_file_that_others_can_read_is_said(good):
    good.chmod(0o644)
    found = {one.code: one for one in check_file(good, NOW)}
    assert not found["others"].wrong
    assert "can read the file" in found["others"].what
    good.chmod(0o622)
    assert "can change" in {one.code: one for one in check_file(good, NOW)}["others"].what
