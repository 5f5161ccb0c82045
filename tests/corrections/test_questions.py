"""What is asked at a terminal, answered at a real one."""

import os
import sys

import pexpect
import pytest

from logger.hostclock import HostClock
from logger.store.store import Store

CLUB = """player = "{player}"
hand = "{hand}"
set = "irons"
pivot = "7i"
[[club]]
label = "7i"
length_mm = 940
lie_deg = {lie}
{rest}
"""


@pytest.fixture
def typed(tmp_path):
    """Run a command at a terminal, answer what it asks in this order; all that it said."""
    begun = []

    def run(arguments, *answers, code=0):
        at = pexpect.spawn(
            sys.executable,
            ["-m", "logger", *map(str, arguments)],
            env={**os.environ, "LIEBOARD_DB": str(tmp_path / "own.db"), "TERM": "xterm",
                 "NO_COLOR": "1"},
            dimensions=(40, 160), encoding="utf-8", timeout=60,
        )  # fmt: skip
        begun.append(at)
        said = ""
        for question, answer in answers:
            at.expect_exact(question)
            said += at.before + question
            at.send(answer)
        at.expect(pexpect.EOF)
        at.close()
        assert at.exitstatus == code, said + at.before
        return " ".join((said + at.before).split())

    yield run
    for one in begun:
        one.close(force=True)


@pytest.fixture
def own(tmp_path):
    """Read the data file."""

    def read(work):
        with Store.open(tmp_path / "own.db", read_only=True) as store:
            return work(store)

    return read


@pytest.fixture
def file(tmp_path):
    def write(lie=62.0, hand="right", rest='material = "forged"', player="Robin Ashdown"):
        path = tmp_path / "set.toml"
        path.write_text(CLUB.format(lie=lie, hand=hand, rest=rest, player=player))
        return path

    return write


def lies(store, moment):
    return store.sets.get(1, at_utc_ns=moment).clubs[0].spec.lie_deg


def test_a_missing_material_is_asked_for(typed, own, file):
    typed(["set", "import", file(rest="")], ("made of", "cast\r"))
    assert own(lambda store: store.sets.get(1).clubs[0].spec.head_material) == "cast"


@pytest.mark.parametrize(
    ("answer", "before", "now"), [("c", 61.0, 61.0), ("d", 62.0, 61.0), ("a", 62.0, 62.0)]
)
def test_a_difference_is_a_correction_or_a_change_or_left(typed, own, file, answer, before, now):
    typed(["set", "import", file()])
    imported = own(lambda store: store.acts.all())
    then = HostClock().utc_ns()
    typed(["set", "import", file(lie=61.0)], ("Which", answer + "\r"))
    assert own(lambda store: lies(store, then)) == before
    assert own(lambda store: lies(store, None)) == now
    if answer != "a":
        assert len(own(lambda store: store.acts.all())) > len(imported)
        typed(["undo"])
    # Taken back, or never taken.
    assert own(lambda store: (lies(store, then), lies(store, None))) == (62.0, 62.0)


def test_a_player_of_this_name_with_another_hand_is_asked_about(typed, own, file):
    typed(["set", "import", file()])
    said = typed(["set", "import", file(hand="left")], ("same player? [y/N]", "n\r"), code=2)
    assert "nothing was taken" in said
    assert own(lambda store: store.sets.get(1).player.hand) == "right"


def test_a_mark_asks_for_its_session(typed, own, file):
    typed(["set", "import", file()])
    typed(["mark", "7i", "3"], ("mm, or Enter", "0\r"))
    typed(["mark", "7i", "4"], ("Does it belong to session 1 (Robin Ashdown, irons", "\r"))
    typed(["mark", "7i", "5"], ("Does it belong", "n\r"), ("mm, or Enter", "\r"))
    assert own(lambda store: [len(store.strikes.contacts(n)) for n in (1, 2)]) == [2, 1]


def test_an_open_session_goes_on_or_another_begins(typed, own, file, unused_tcp_port):
    typed(["set", "import", file()])
    typed(["mark", "7i", "3", "--stance", "12"])
    log = ["log", f"socket://127.0.0.1:{unused_tcp_port}", "--wait"]
    resumes = "Enter goes on, n begins a new one: "
    said = typed(log, (resumes, "maybe\r"), (resumes, "\r"), ("next club", "\x03"), code=130)
    assert (
        "Resumed: session 1, Robin Ashdown, irons, right-handed, feet 12 mm lower than the board "
        "± 1.5 mm, 1 strike."
    ) in said
    assert len(own(lambda store: store.sessions.all())) == 1
    # Another one rests on another stance, which is asked for.
    typed(log, (resumes, "n\r"), ("mm, or Enter", "5\r"), ("next club", "q"))
    assert own(lambda store: [row.stance_mm for row in store.sessions.all()]) == [12.0, 5.0]
    assert own(lambda store: [row.ended_utc_ns is None for row in store.sessions.all()]) == [
        True,
        False,
    ]
