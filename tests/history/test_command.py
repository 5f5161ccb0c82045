"""``lieboard history`` on data files written by the store itself."""

import numpy as np
import pytest

from logger.cli import main

STEADY = np.tile([0.4, 0.2, 0.6, 0.0, 0.1, -0.3, 0.2], (7, 1))


def said_of(label, out):
    (line,) = [line for line in out.splitlines() if line.startswith(f"  {label}: ")]
    return line


def test_one_bent_club_is_named_with_its_date(weeks, capsys, tmp_path):
    lies = STEADY.copy()
    lies[4:, 2] += 2.5
    db = weeks(lies, counts=[10, 8, 4, 12, 8, 9, 10])
    page = tmp_path / "past.html"
    assert main(["history", "--db", str(db), "-o", str(page)]) == 0
    out = capsys.readouterr().out
    assert "changed between 2024-01-22 and 2024-01-29: +" in said_of("6i", out)
    assert all("changed between" not in said_of(label, out) for label in ("4i", "5i", "8i", "PW"))
    assert "All clubs together not shown to have moved since last time." in out
    text = page.read_text(encoding="utf-8")
    # All clubs together and seven clubs.
    assert text.count("<svg") == 8
    assert "<script" not in text


def test_the_players_change_is_no_clubs(weeks, capsys):
    lies = STEADY.copy()
    lies[6] += 2.5
    assert main(["history", "--db", str(weeks(lies, counts=[12] * 7))]) == 0
    out = capsys.readouterr().out
    assert "All clubs together moved since last time: +2" in out
    assert all("moved since last time: " not in said_of(x, out) for x in ("4i", "6i", "9i"))


def test_a_bend_that_did_what_it_should(weeks, capsys):
    lies = STEADY.copy()
    lies[3:, 1] -= 2.0
    bends = [(1, 3, -2.0), (5, 3, -2.0)]
    assert main(["history", "--db", str(weeks(lies, counts=[15] * 7, bends=bends))]) == 0
    out = capsys.readouterr().out
    assert "bent −2.0° before 2024-01-22: the swings show −" in said_of("5i", out)
    assert said_of("5i", out).endswith("as measured")
    assert "NOT what was measured" in said_of("9i", out)


@pytest.mark.parametrize("sessions", [0, 1])
def test_too_little_for_a_past(weeks, capsys, sessions):
    db = weeks(STEADY[:sessions])
    assert main(["history", "--db", str(db)]) == 2
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert ("no session yet" if sessions == 0 else "history begins with the second") in err


def test_a_player_nobody_knows(weeks, capsys):
    assert main(["history", "--db", str(weeks(STEADY[:2])), "--player", "Nobody"]) == 4
    assert "players: Robin Ashdown" in capsys.readouterr().err
    assert main(["history", "--db", str(weeks(STEADY[:2])), "--set", "Nothing"]) == 2
    assert "Weekend irons (Robin Ashdown)" in capsys.readouterr().err


def test_names_are_text_in_table_and_page(weeks, capsys, tmp_path):
    db = weeks(STEADY[:2], name="[red]<b>Ash</b> & Son")
    page = tmp_path / "past.html"
    assert main(["history", "--db", str(db), "-o", str(page)]) == 0
    assert "[red]<b>Ash</b> & Son: Weekend irons" in capsys.readouterr().out
    assert "<h1>[red]&lt;b&gt;Ash&lt;/b&gt; &amp; Son:" in page.read_text(encoding="utf-8")
