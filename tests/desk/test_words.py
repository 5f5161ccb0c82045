"""What the desk says: no command where nobody has a terminal."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.desk.shell.words import at_the_desk

ROOT = Path(__file__).parents[2]
# What a view may show comes from here; a command's own files speak to a terminal.
FOLDERS = ("logger/session", "logger/store", "logger/bench", "logger/links", "logger/collector")
A_COMMAND = re.compile(r"lieboard [a-z]")


def sentences(file: Path) -> Iterator[str]:
    """Texts that a program of ours may show, with X for what is put in."""
    tree = ast.parse(file.read_text("utf-8"))
    bare = {id(one.value) for one in ast.walk(tree) if isinstance(one, ast.Expr)}
    within = {
        id(part) for one in ast.walk(tree) if isinstance(one, ast.JoinedStr) for part in one.values
    }
    for one in ast.walk(tree):
        if isinstance(one, ast.JoinedStr):
            yield "".join(
                str(part.value) if isinstance(part, ast.Constant) else "1" for part in one.values
            )
        elif isinstance(one, ast.Constant) and id(one) not in bare | within:
            yield str(one.value)


def test_every_command_that_a_sentence_names_has_a_place_at_the_desk():
    found = [
        text
        for folder in FOLDERS
        for file in sorted((ROOT / folder).rglob("*.py"))
        for text in sentences(file)
        # Names of threads and formats are no commands.
        if A_COMMAND.search(text) and len(text) > 30 and "lieboard data file" not in text
    ]
    assert len(found) > 15
    assert [text for text in found if A_COMMAND.search(at_the_desk(text))] == []


@pytest.mark.parametrize(
    ("said", "here"),
    [
        (
            "word 7 is no bend: 'lieboard words' lists them",
            "word 7 is no bend: “Changes” lists them",
        ),
        ("'lieboard session restore 12' brings it back", "“Changes” brings it back"),
        ("run 'lieboard check' on both files", "run “Data” on both files"),
        ("forgotten? lieboard strikes move 24-31 6i --session 3", "forgotten? “Strikes”"),
        ("this is not a lieboard data file", "this is not a lieboard data file"),
    ],
)
def test_a_command_becomes_the_view_that_does_it(said, here):
    assert at_the_desk(said) == here
