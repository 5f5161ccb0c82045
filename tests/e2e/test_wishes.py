"""The player's misses as typed in, and the bias proposed from them."""

import pytest


def test_a_bias_is_proposed_and_taken_only_when_asked(lieboard):
    for club, left, right in (("5i", 16, 1), ("6i", 15, 2), ("7i", 12, 3), ("8i", 10, 2)):
        kept = lieboard.run("misses", club, str(left), "10", str(right))
        assert (kept.returncode, kept.stderr) == (0, "")
    shown = lieboard.run("bias")
    assert (shown.returncode, shown.stderr) == (0, "")
    # Misses to the left ask for a bias to the right, growing from the pivot to the longest club.
    assert "m right" in shown.stdout
    before = lieboard.rows("SELECT COUNT(*) FROM club_specs WHERE source = 'misses'")
    assert before == [(0,)]
    taken = lieboard.run("bias", "--take")
    assert "the bend sheet aims for it" in taken.stdout
    wishes = dict(
        lieboard.rows(
            "SELECT label, bias FROM club_specs JOIN clubs ON clubs.id = club"
            " WHERE source = 'misses' AND bias_unit = 'm'"
        )
    )
    assert wishes["5i"] > wishes["6i"] > 0


def test_few_misses_propose_nothing(lieboard):
    lieboard.run("misses", "7i", "3", "9", "1")
    shown = lieboard.run("bias", "--take").stdout
    assert "no bias proposed" in shown
    assert lieboard.rows("SELECT COUNT(*) FROM club_specs WHERE source = 'misses'") == [(0,)]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("bias",), "no misses"),
        (("misses", "2w", "1", "2", "3"), "2w"),
    ],
)
def test_wishes_that_cannot_be(arguments, words, lieboard):
    done = lieboard.run(*arguments)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert words in done.stderr
