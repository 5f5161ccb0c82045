"""Overlays and gradation as a person types them in."""

import gzip
from pathlib import Path

import pytest

OLD_FILE = Path(__file__).parents[1] / "vectors" / "db" / "schema-3.db.gz"


def test_a_set_that_grades_evenly_says_so(lieboard):
    shown = lieboard.run("gradation")
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "Steps" in shown.stdout


def test_half_a_grip_over_a_7_iron_is_about_0_8_degrees(lieboard):
    """Half a grip's width, about 13 mm, over a 7-iron: common practice, no source; atan(13 / L)."""
    kept = lieboard.run("overlay", "6i", "7i", "0.5", "--widths")
    assert (kept.returncode, kept.stderr) == (0, "")
    assert "7i is 0.8° ± 0.2° more upright than 6i" in kept.stdout
    flat = lieboard.run("overlay", "8i", "9i", "-13")
    assert "9i is 0.8° ± 0.2° flatter than 8i" in flat.stdout


def test_an_overlay_that_contradicts_the_gauge_is_named(lieboard):
    # 6i and 7i differ by half a degree on the gauge; 60 mm are 3.7 degrees.
    for _ in range(3):
        assert lieboard.run("overlay", "6i", "7i", "60").returncode == 0
    shown = lieboard.run("gradation").stdout
    assert "overlay of 6i and 7i" in shown or "measured lie of" in shown


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("overlay", "6i", "7i", "900"), 1, "300 mm"),
        (("overlay", "6i", "6i", "10"), 2, "two clubs"),
        (("overlay", "6i", "2w", "10"), 2, "2w"),
        (("overlay", "6i", "7i", "10", "--u", "0"), 2, "--u"),
    ],
)
def test_an_overlay_that_cannot_be_is_one_clear_line(arguments, code, words, lieboard):
    done = lieboard.run(*arguments)
    assert (done.returncode, done.stderr.count("\n")) == (code, 1)
    assert words in done.stderr


def test_a_file_of_an_older_version_is_upgraded_by_looking_at_it(lieboard):
    # A file as the third version of the schema left it.
    lieboard.db.write_bytes(gzip.decompress(OLD_FILE.read_bytes()))
    assert lieboard.rows("PRAGMA user_version") == [(3,)]
    shown = lieboard.run("gradation")
    assert (shown.returncode, shown.stderr) == (0, "")
    assert lieboard.rows("PRAGMA user_version")[0][0] > 3
    assert lieboard.rows("SELECT COUNT(*) FROM overlays") == [(0,)]
