"""What begins a session, what does not, and what leaves no trace."""

import pytest

from logger.cli import main
from logger.errors import UsageError
from logger.hostclock import HostClock
from logger.protocol.sequence import Hole
from logger.session.corrections.acts import Said, add_note
from logger.session.logging.fitting import club_of
from logger.session.logging.opening import Circumstances, open_session
from logger.store.store import Store


@pytest.fixture
def file(desk, at_ns):
    """A data file with one ended session."""
    desk.session.end(at_ns(10.0))
    return desk.store.path


def sessions(file):
    with Store.open(file, read_only=True) as store:
        return [row.id for row in store.sessions.all()]


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("mark", "9x", "4"), 2),
        (("mark", "7i", "4", "--audits", "99"), 2),
        (("log", "socket://127.0.0.1:1"), 3),
        (("log", "pigeon://roof"), 2),
        (("log", "/dev/null", "--club", "9x"), 2),
        (("log", "/dev/null", "--trigger", "70000"), 2),
        (("log", "/dev/null", "--trigger", "-1"), 2),
    ],
)
def test_what_fails_at_once_leaves_no_session(file, arguments, code, capsys):
    assert main([*arguments, "--db", str(file)]) == code
    assert sessions(file) == [1]
    assert "Traceback" not in capsys.readouterr().err


def test_a_session_with_something_in_it_is_never_removed(desk, at_ns):
    boot = desk.boot()
    desk.session.store_records(boot, [desk.button(0, 1.0, 1)])
    assert not desk.store.sessions.remove_empty(desk.session.row.id)
    desk.session.end(at_ns(10.0))
    for keep in (
        lambda session: add_note(session.store, session.row.id, "windy", Said(at_ns(20.0), "log")),
        lambda session: desk.store.strikes.add_mark(
            session.row.id, session.order[0].id, struck_utc_ns=at_ns(20.0), toe_mm=1.0, u_mm=1.0
        ),
        lambda session: session.lost(boot, [Hole(3, 4)], "memory full", at_ns(20.0)),
    ):
        session = open_session(
            desk.store, player=None, set_name=None, now_utc_ns=at_ns(20.0), always_new=True
        )
        keep(session)
        assert not desk.store.sessions.remove_empty(session.row.id)
    assert len(desk.store.sessions.all()) == 4


def test_a_mark_moves_no_club_under_the_board(file, capsys):
    """While a board is logged in another window its strikes stay with the club that is up."""
    assert main(["mark", "8i", "4", "--db", str(file)]) == 0
    with Store.open(file, read_only=True) as store:
        (first,) = store.sessions.turns(2)
        assert store.clubs.get(first.club).label == "7i"
        (mark,) = store.strikes.contacts(2)
        assert store.clubs.get(mark.club).label == "8i"


def test_a_mark_audits_a_strike_of_its_own_club(desk, capsys):
    boot = desk.boot()
    desk.take(boot, desk.strike(0, 1.0))
    (strike,) = desk.contacts()
    session = desk.session
    own, other = (club_of(session.set, label) for label in ("7I", "8i"))
    assert session.audited(strike.id, own) == strike
    with pytest.raises(UsageError, match="stands under 7i"):
        session.audited(strike.id, other)
    with pytest.raises(UsageError, match="no strike 99"):
        session.audited(99, own)


@pytest.mark.parametrize("length", ["-3h", "+3t", "-3t", "h", "3hh"])
def test_a_sign_and_a_side_contradict_each_other(file, length, capsys):
    assert main(["mark", "7i", length, "--db", str(file)]) == 2
    assert length in capsys.readouterr().err


@pytest.mark.parametrize("number", ["0", "-1", "99999999999999999999"])
def test_a_number_that_no_session_has(file, number, capsys):
    assert main(["clubs", "--session", number, "--db", str(file)]) == 2
    assert "--session" in capsys.readouterr().err


@pytest.mark.parametrize(
    "other", [("--stance", "10"), ("--sole-middle", "3"), ("--left",)], ids=lambda o: o[0]
)
def test_a_session_that_goes_on_keeps_what_was_agreed(desk, at_ns, other, capsys):
    """Otherwise it would be taken without a word, and change nothing."""
    desk.store.sessions.end(desk.session.row.id, ended_utc_ns=at_ns(1.0))
    open_session(
        desk.store, player=None, set_name=None, now_utc_ns=HostClock().utc_ns(),
        circumstances=Circumstances(stance_mm=0.0),
    )  # fmt: skip
    file = str(desk.store.path)
    assert main(["log", "socket://127.0.0.1:1", *other, "--db", file]) == 2
    assert "session 2 goes on" in capsys.readouterr().err
    assert main(["log", "socket://127.0.0.1:1", "--stance", "0", "--db", file]) == 3
    assert main(["log", "socket://127.0.0.1:1", *other, "--new", "--db", file]) == 3
    assert sessions(desk.store.path) == [1, 2]
