"""A week with everyday mistakes, each put right, ends at the numbers of the week without them."""

import json
import re

import pytest

from logger.session.logging.opening import STANCE_U_MM

DAY = 86_400


def clubs_of(lieboard, name, session):
    """Club table as it is printed, without the command that a suggestion names."""
    return lieboard(name, "clubs", "--session", str(session))


def words(lieboard, name):
    """Numbers of the words that hold, by what they say."""
    found = {}
    for line in lieboard(name, "words").splitlines()[1:]:
        if "taken back" not in line:
            found[re.sub(r"^\s*\d+\s+\S+ \S+\s+", "", line).strip()] = line.split()[0]
    return found


def word(lieboard, name, beginning):
    return next(n for said, n in words(lieboard, name).items() if said.startswith(beginning))


def right_week(week, lieboard, set_file):
    """What really happened, told without a mistake."""
    name = "right.db"
    own = week(name, scans=True)
    lieboard(name, "set", "import", set_file())
    lieboard(name, "set", "import", set_file("mika.toml", player="Mika Tarn", hand="left"))
    one = own.begin(1, 0, stance_mm=12.0, stance_u_mm=STANCE_U_MM)
    for club, count, place in (("7i", 6, 3), ("5i", 5, -4), ("6i", 5, 1), ("8i", 6, 4)):
        own.swing(club, count, place)
    own.end()
    two = own.begin(2, DAY, hand="left", ball=False)
    for club, count, place in (("7i", 6, 2), ("6i", 5, -2)):
        own.swing(club, count, place)
    own.end()
    three = own.begin(1, 2 * DAY)
    own.swing("7i", 5, 2)
    own.boot()
    own.at_ns += 300 * 10**9
    own.swing("6i", 5, -1)
    own.end()
    four = own.begin(1, 3 * DAY)
    own.swing("7i", 4, 2)
    own.swing("8i", 4, 2)
    own.end()
    five = own.begin(1, 4 * DAY)
    own.swing("7i", 5, 1)
    own.end()
    own.store.close()
    lieboard(name, "mark", "6i", "3.5", "--session", "5")
    lieboard(name, "mark", "6i", "-2", "--session", "5")
    lieboard(name, "mark", "6i", "2,5", "--session", "5")
    lieboard(name, "bent", "6i", "61.5", "61.0", "--planned", "-0.5", "--player", "Robin")
    lieboard(name, "overlay", "6i", "7i", "8", "--player", "Robin")
    lieboard(name, "misses", "5i", "9", "12", "2", "--player", "Robin")
    lieboard(name, "note", "new grips", "--session", "3")
    return name, (one, two, three, four, five)


def wrong_week(week, lieboard, set_file):
    """The same week with mistakes: numbered as in what puts them right."""
    name = "wrong.db"
    own = week(name, scans=True)
    # 1: no material. 2: a camber typed wrong. 3: a name typed wrong.
    wrong = {"club_7i": {"camber_mm": 250}, "player": "Robin Ashdwn", "material": None}
    lieboard(name, "set", "import", set_file("wrong.toml", **wrong))
    lieboard(name, "set", "import", set_file("mika.toml", player="Mika Tarn", hand="left"))
    # 4: the stance was not asked. 5: "next" forgotten before the 5-iron, and before the 8-iron.
    one = own.begin(1, 0)
    own.swing("7i", 6, 3)
    own.swing(None, 5, -4)
    own.swing("6i", 5, 1)
    own.swing(None, 6, 4)
    own.end()
    # 6: under the wrong player and hand. 7: with a ball.
    two = own.begin(1, DAY)
    # 8: one strike under the wrong club.
    own.swing("7i", 5, 2)
    own.swing("9i", 1, 2)
    own.swing("6i", 5, -2)
    own.end()
    # 9: cut in two.
    three = own.begin(1, 2 * DAY)
    own.swing("7i", 5, 2)
    own.end()
    at_s = (own.at_ns - own.session.row.started_utc_ns) // 10**9 + 300
    own.begin(1, 2 * DAY + at_s)
    own.swing("6i", 5, -1)
    own.end()
    # 10: two sessions in one.
    four = own.begin(1, 3 * DAY)
    own.swing("7i", 4, 2)
    own.swing("8i", 4, 2)
    own.boot()
    own.at_ns += DAY * 10**9 - (own.at_ns - own.session.row.started_utc_ns)
    own.swing("7i", 5, 1)
    own.end()
    own.store.close()
    # 11: a session that was only to try things.
    other = week(name, seed=2, scans=True)
    other.begin(1, 5 * DAY)
    other.swing("7i", 2, 30)
    other.end()
    other.store.close()
    return name, [one, two, three, four]


def put_right(lieboard, name, set_file, ids):
    def does(*arguments):
        return lieboard(name, *arguments)

    one, two, three, four = map(str, ids)
    does("player", "rename", "Robin Ashdwn", "Robin Ashdown")
    does("set", "import", set_file(), "--correct")
    does("session", "change", one, "--stance", "12")
    assert "17- 8i" not in does("strikes", "--session", one)
    does("strikes", "move", "7-11", "5i", "17-", "8i", "--session", one)
    does("session", "change", two, "--player", "Mika", "--no-ball")
    does("strikes", "move", "6", "7i", "--session", two)
    does("session", "join", three, "4")
    does("session", "split", four, "9")
    sessions = does("sessions").splitlines()
    five = sessions[-2].split()[0]
    tried = sessions[-1].split()[0]
    does("session", "delete", tried)
    # 12: the wrong session deleted, too.
    does("session", "delete", five)
    does("session", "restore", five)
    # 13: a mark on the wrong side. 14: a mark that should not be there.
    does("mark", "6i", "3.5", "--session", five)
    does("mark", "6i", "2", "--session", five)
    does("mark", "6i", "-2", "--session", five, "--instead-of", word(lieboard, name, "6i  mark +2"))
    does("mark", "7i", "11", "--session", five)
    does("words", "back", word(lieboard, name, "7i  mark +11"))
    does("mark", "6i", "2,5", "--session", five)
    # 15: a bend typed twice, an overlay and a count typed wrong, and a note in the wrong session.
    does("bent", "6i", "61.5", "61.0", "--planned", "-0.5", "--player", "Robin")
    does("bent", "6i", "61.5", "61.0", "--planned", "-0.5", "--player", "Robin")
    does("undo")
    does("overlay", "6i", "7i", "80", "--player", "Robin")
    number = word(lieboard, name, "6i 7i  overlay +80")
    does("overlay", "6i", "7i", "8", "--player", "Robin", "--instead-of", number)
    does("misses", "5i", "2", "12", "9", "--player", "Robin")
    does("undo")
    does("misses", "5i", "9", "12", "2", "--player", "Robin")
    does("note", "new grips", "--session", one)
    does("undo")
    does("note", "new grips", "--session", three)
    return one, two, three, four, five


@pytest.mark.timeout(240)
def test_a_week_with_fifteen_mistakes_ends_as_the_week_without(week, lieboard, set_file, report):
    right, ids = right_week(week, lieboard, set_file)
    wrong, begun = wrong_week(week, lieboard, set_file)
    before = [report(wrong, session) for session in begun]
    own = put_right(lieboard, wrong, set_file, begun)
    for was, there, session in zip([*before, None], ids, own, strict=True):
        wanted, found = report(right, there), report(wrong, session)
        # Split sessions end and begin with a strike.
        for one in (wanted, found) if session in own[-2:] else ():
            one["facts"] = [fact for fact in one["facts"] if fact[0] not in ("started", "ended")]
            del one["date"]
        for key in sorted(wanted, reverse=True):
            assert found[key] == wanted[key], (session, key)
        assert found == wanted
        assert found != was
        assert clubs_of(lieboard, wrong, session) == clubs_of(lieboard, right, there)
    for command in ("gradation", "bias", "learned"):
        told = [lieboard(name, command, "--player", "Robin") for name in (right, wrong)]
        assert told[0] == told[1]
    # Undone to the last, it is the week with the mistakes again.
    for _ in range(holding(lieboard, wrong)):
        lieboard(wrong, "undo")
    lieboard(wrong, "undo", fails="there is nothing to undo")
    lieboard(wrong, "check")
    assert [report(wrong, session) for session in begun] == before


def holding(lieboard, name):
    """How many acts hold that could be undone."""
    acts = json.loads(lieboard(name, "changes", "--json"))
    return sum(act["takes_back"] is None and not act["taken_back"] for act in acts)
