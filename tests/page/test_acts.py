"""What viewers who may act can do: seen in the data file, and by those who look on."""

import pytest

from logger.page.acts import RunActor, perform
from logger.page.server import PageServer, PageSettings
from logger.session.corrections.acts import Said, add_note
from logger.store.store import Store


@pytest.fixture
def page(bay, serve):
    bay.set_of().begin().strike(1.0, 2.0)
    return serve()


def test_take_back_and_bring_in(page, bay):
    viewer = page.view()
    viewer.strikes()
    assert page.act({"act": "take_back"}) == (200, "took back: strike 2 (+2.0 mm)")
    (told,) = viewer.strikes().message["strikes"]
    assert (told["id"], told["used"], told["by_hand"]) == (2, False, True)
    assert bay.contact(2).reason == told["reason"] == "taken back (page)"
    assert page.act({"act": "bring_in", "strike": 2}) == (200, "counts: strike 2 (+2.0 mm)")
    assert viewer.strikes().message["strikes"][0]["used"]
    assert bay.contact(2).used


def test_set_aside_with_a_reason(page, bay):
    page.act({"act": "set_aside", "strike": 1, "reason": "heard\x1b[31m the\nshaft"})
    # Nothing that could steer the terminal which lists it.
    assert bay.contact(1).reason == "heard [31m the shaft"
    page.act({"act": "set_aside", "strike": 2})
    assert bay.contact(2).reason == "fitter's choice"


def test_a_mark_has_a_negative_number(page, bay):
    seven = bay.store.sets.get(1).clubs[1].id
    mark = bay.store.strikes.add_mark(1, seven, struck_utc_ns=1, toe_mm=4.0, u_mm=1.0)
    status, words = page.act({"act": "set_aside", "strike": -mark})
    assert (status, words) == (200, f"set aside: mark {mark} (+4.0 mm)")
    assert not bay.store.strikes.get("mark", mark).used
    assert bay.contact(mark).used


def test_clubs(page, bay):
    viewer = page.view()
    assert page.act({"act": "next_club"}) == (200, "6i is up")
    viewer.state(lambda s: s["current_club"] == "6i")
    assert page.act({"act": "choose_club", "club": "9I"}) == (200, "9i is up")
    assert page.act({"act": "previous_club"}) == (200, "8i is up")
    viewer.state(lambda s: s["current_club"] == "8i")
    assert [t.cause for t in bay.store.sessions.turns(1)] == ["start", "page", "page", "page"]
    # What the logging process, which looks at the file for each strike, files now.
    late = bay.store.sessions.turns(1)[-1].from_utc_ns
    assert bay.session.current_club(late).label == "8i"


def test_a_note(page, bay):
    assert page.act({"act": "note", "text": " wind from the left "})[0] == 200
    assert [note.text for note in bay.store.sessions.notes(1)] == ["wind from the left"]


def test_what_makes_no_sense_changes_nothing(page, bay):
    for act, words in (
        (b"nonsense", "that is no act"),
        (b"[1]", "that is no act"),
        (b"\xff", "that is no act"),
        (b"[" * 5000, "that is no act"),
        ({"act": "end"}, "there is no such act"),
        ({"act": {}}, "there is no such act"),
        ({"act": "set_aside"}, "say which strike"),
        ({"act": "set_aside", "strike": True}, "say which strike"),
        ({"act": "set_aside", "strike": 10**30}, "say which strike"),
        ({"act": "set_aside", "strike": 99}, "no strike 99 in session 1"),
        ({"act": "set_aside", "strike": 1, "reason": "x" * 501}, "at most 500"),
        ({"act": "set_aside", "strike": 1, "reason": 3}, "must be a text"),
        ({"act": "choose_club", "club": "driver"}, "there is no club driver"),
        ({"act": "choose_club"}, "club is missing"),
        ({"act": "note", "text": " \n "}, "text is missing"),
    ):
        status, said = page.act(act)
        assert status == 400, act
        assert words in said
    assert [c.used for c in bay.store.strikes.contacts(1)] == [True, True]
    assert len(bay.store.sessions.turns(1)) == 1


def test_too_much_is_refused(page):
    assert page.act(b'{"act":"note","text":"' + b"x" * 9000 + b'"}')[0] == 413


def test_a_strike_of_another_session_is_out_of_reach(page, bay):
    bay.begin(bay.session.row.started_utc_ns + 10**15)
    page.view().state(lambda s: s["session"]["number"] == 2)
    assert page.act({"act": "set_aside", "strike": 1})[0] == 400
    assert bay.contact(1).used


def test_an_ended_session_has_no_club_up(page, bay):
    bay.store.sessions.end(1, ended_utc_ns=bay.session.row.started_utc_ns + 10**12)
    status, words = page.act({"act": "next_club"})
    assert (status, words) == (400, "session 1 has ended: no club is up")
    # What was struck in it may still be judged.
    assert page.act({"act": "set_aside", "strike": 1})[0] == 200


def test_nothing_to_act_on(bay, serve):
    assert serve().act({"act": "take_back"}) == (400, "there is no session to act on")


def test_a_page_that_only_shows(bay, serve):
    bay.set_of().begin().strike(1.0)
    page = serve(acting=False)
    assert not page.state()["state"]["may_act"]
    assert page.act({"act": "take_back"})[0] == 403


def test_a_file_that_cannot_be_written_is_said(bay, serve):
    bay.set_of().begin().strike(1.0)
    page = serve()
    bay.store.close()
    status, words = page.act({"act": "take_back"})
    assert status == 503
    assert str(bay.path) in words
    bay.store = Store.open(bay.path)


def test_two_who_write_get_on(bay, serve):
    """The page's acts and another program's writes on one file, at the same time."""
    bay.set_of().begin().strike(*[1.0] * 5)
    page = serve()
    with Store.open(bay.path) as other:
        for strike in range(1, 6):
            assert page.act({"act": "set_aside", "strike": strike})[0] == 200
            add_note(other, 1, f"meanwhile {strike}", Said(strike, "log"))
        assert [c.used for c in other.strikes.contacts(1)] == [False] * 5
        assert len(bay.store.sessions.notes(1)) == 5


def test_a_clock_that_is_behind_does_not_hide_the_club(bay):
    """Two programs' clocks may differ: the club that is chosen last is up."""
    bay.set_of().begin()
    perform(bay.session, {"act": "choose_club", "club": "9i"}, lambda: 0)
    assert bay.store.sessions.turns(1)[-1].club == bay.store.sets.get(1).clubs[3].id


async def test_acts_before_and_after_the_logging(bay):
    """The page is up before the logging has begun, and may be asked after it has ended."""
    from logger.errors import UsageError

    bay.set_of().begin()
    actor = RunActor(bay.session)
    with pytest.raises(UsageError, match="not begun"):
        await actor.do(1, {"act": "next_club"})

    async def ended(*_):
        raise RuntimeError("the store's thread has ended")

    actor.attach(ended, lambda: 0)
    with pytest.raises(UsageError, match="has ended"):
        await actor.do(1, {"act": "next_club"})


def test_told_before_it_runs_and_after_it_ended(bay):
    """The logging may tell the page anything at any time and is never held up."""
    from logger.collector.reconnect import Reach, ReachState

    bay.set_of().begin().strike(1.0)
    with PageServer(PageSettings(0)) as server:
        server.hear(Reach(ReachState.CONNECTED))
        server.start(bay.path, session=1, actor=None, told=True)
        server.wait_ready()
        server.hear(Reach(ReachState.OUT_OF_REACH, 1, 4.0))
    for _ in range(2000):
        server.hear(Reach(ReachState.STOPPED))
    assert server.failure is None
