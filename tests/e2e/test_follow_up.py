"""A bend, and the session after it; soles read front to back."""

import contextlib
import sqlite3


def marks(lieboard, values, *trail):
    for toe in values:
        done = lieboard.run("mark", "7i", toe, *trail)
        assert done.returncode == 0, done.stderr


def test_a_bend_is_held_against_the_session_after(lieboard):
    # A radius of 300 mm moves the contact by 5.24 mm per degree: R * pi / 180.
    marks(lieboard, ("-10", "-11", "-10.5", "-10"))
    assert lieboard.run("learned").returncode == 2
    assert lieboard.run("bent", "7i", "62", "60.5").returncode == 0
    assert "hit it in a new session" in lieboard.run("learned").stdout
    # The next session begins: as after a day.
    with contextlib.closing(sqlite3.connect(lieboard.db)) as file, file:
        file.execute("UPDATE sessions SET ended_utc_ns = started_utc_ns + 1000000000")
    marks(lieboard, ("-2.5", "-3", "-2", "-3"))
    told = lieboard.run("learned")
    assert (told.returncode, told.stderr) == (0, "")
    assert told.stdout.startswith("7i: ")


def test_pulls_between_the_same_swings_are_one_bend(lieboard):
    """Held alone against what all of them moved, each would surprise: 10.5 mm where 2.6 is due."""
    marks(lieboard, ("-10", "-11", "-10.5", "-10"))
    for before, after in (("62", "61.5"), ("61.5", "61"), ("61", "60.5"), ("60.5", "60")):
        assert lieboard.run("bent", "7i", before, after).returncode == 0
    with contextlib.closing(sqlite3.connect(lieboard.db)) as file, file:
        file.execute("UPDATE sessions SET ended_utc_ns = started_utc_ns + 1000000000")
    marks(lieboard, ("0", "-0.5", "0.5", "0"))
    told = lieboard.run("learned").stdout
    assert "one degree moves the contact of this head" in told
    assert "measure lie and loft again" not in told


def test_bounce_from_marks(lieboard):
    marks(lieboard, ("1", "0", "-1", "1"), "5l")
    told = lieboard.run("bounce")
    assert (told.returncode, told.stderr) == (0, "")
    seven = next(line for line in told.stdout.splitlines() if line.startswith("7i"))
    assert "leading edge" in seven or "too little" in seven
    assert "4i: not hit" in told.stdout
