"""What the commands say when there is nothing to show: one line, and an exit code."""

import pytest

from logger.cli import main


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("watch", "--db", "/nowhere/none.db"), 4, "lieboard log PORT"),
        (("watch", "--session", "7"), 4, "no session 7"),
        (("watch", "--let-in"), 2, "add --share"),
        (("log", "/dev/null", "--share"), 2, "add --page"),
    ],
)
def test_what_cannot_be_shown_is_said_in_one_line(bay, capsys, monkeypatch, arguments, code, words):
    bay.set_of()
    monkeypatch.setenv("LIEBOARD_DB", str(bay.path))
    assert main(arguments) == code
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert words in said


def test_the_help_names_what_is_needed(capsys):
    assert main(["watch", "--help"]) == 0
    said = capsys.readouterr().out
    assert "Example: lieboard watch" in said
    for option in ("--session", "--port", "--share", "--let-in"):
        assert option in said
