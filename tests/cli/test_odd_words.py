"""What a person typed is shown as it stands, and stops no screen."""

import io
import re
from dataclasses import replace

import pytest
from rich.console import Console

from logger.cli.common import output
from logger.cli.log.book import LogBook
from logger.cli.log.screen import screen
from logger.setfiles.clubs import ClubSpec
from logger.store.rows import ClubRow, StrikeRow

CLUB = ClubRow(id=1, set=1, label="[7i]", position=0, spec=ClubSpec())
STRIKE = StrikeRow(
    source="board", id=4, session=1, club=1, boot=1, first_sequence=0, last_sequence=0,
    struck_utc_ns=0, kind="strike", toe_mm=3.0, toe_u_mm=None, board_mm=3.0, trail_mm=None,
    load=500.0, span_us=900.0, flags=0, method_version="contact 1", audits=None,
    rule_reason=None, fitter_choice=None, fitter_reason=None, set_aside=None,
    number=7,
)  # fmt: skip


def drawn(book, width=100, height=40):
    console = Console(file=io.StringIO(), width=width, height=height, force_terminal=True)
    with console.capture() as caught:
        console.print(screen([book]))
    return caught.get()


@pytest.fixture
def book():
    return LogBook("session 1 · [/] · irons", (CLUB,), up=CLUB)


def test_brackets_in_labels_reasons_and_notes(book):
    aside = replace(
        STRIKE, id=5, fitter_choice="aside", fitter_reason="thin [/red] hit", set_aside="fitter"
    )
    book.contacts = [STRIKE, aside]
    book.say("note [/x] kept")
    text = drawn(book)
    for words in ("[7i]", "thin [/red] hit", "note [/x] kept", "session 1 · [/] · irons"):
        assert words in text


def test_brackets_in_tables(capsys):
    output().print("set aside: thin [/red] hit of [7i]")
    assert capsys.readouterr().out == "set aside: thin [/red] hit of [7i]\n"


def test_a_contact_without_a_place_that_was_brought_in(book):
    book.contacts = [replace(STRIKE, toe_mm=None, board_mm=None, fitter_choice="use")]
    # By the number that all else calls it, which is not its row in the data file.
    assert re.search(r"\b7\b.*has no place", drawn(book))


@pytest.mark.parametrize("height", [40, 24, 12, 6, 3])
def test_what_to_press_stays_in_sight_however_low_the_terminal_is(book, height):
    book.contacts = [replace(STRIKE, id=n) for n in range(30)]
    for text in ("one", "two", "three"):
        book.say(text)
    lines = drawn(book, height=height).rstrip("\n").split("\n")
    assert len(lines) <= height
    assert "next club" in lines[-1]
    if height > 5:
        assert [line for line in lines if "three" in line]
    book.prompt = "note: half a"
    lines = drawn(book, height=height).rstrip("\n").split("\n")
    assert len(lines) <= height
    assert "note: half a" in lines[-1]


def test_a_narrow_terminal_still_says_which_key_ends(book):
    lines = drawn(book, width=30, height=12).rstrip("\n").split("\n")
    assert len(lines) <= 12
    assert "q" in "".join(lines[-4:])
