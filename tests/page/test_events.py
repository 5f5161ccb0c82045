"""What viewers are told, and when: real sockets, a file that another connection writes."""

import contextlib
import itertools
import select
import socket
import sqlite3
import threading
import time

from logger.page.messages import event
from logger.protocol.sequence import Hole


def test_a_strike_comes_before_the_numbers_that_count_it(bay, serve):
    bay.set_of().begin().strike(3.0, 4.0)
    viewer = serve().view()
    first = viewer.strikes()
    assert first.message["reset"]
    assert [s["toe_mm"] for s in first.message["strikes"]] == [3.0, 4.0]
    before = viewer.state(lambda s: s["clubs"])
    (new,) = bay.strike(5.0)
    told = viewer.next()
    assert (told.kind, told.message["reset"]) == ("strikes", False)
    assert told.message["strikes"] == [
        {
            "id": new, "source": "board", "club": "7i", "number": 3, "toe_mm": 5.0,
            "at_utc": "2025-06-15T15:06:43.000Z", "trail_mm": None, "used": True, "reason": None,
            "by_hand": False, "doubt": None,
        }
    ]  # fmt: skip
    after = viewer.state(lambda s: s["clubs"] and s["clubs"][1]["used"] == 3)
    assert after["clubs"][1]["contact"]["mean_mm"] > before["clubs"][1]["contact"]["mean_mm"]
    assert after["revision"] > told.id > before["revision"]


def test_the_whole_state(bay, serve):
    bay.set_of(hand="left").begin()
    bay.hit_all(_6i=6.0, _7i=7.0, _8i=8.0, _9i=9.0)
    bay.store.strikes.set_aside(bay.contact(1), "not mine")
    state = serve().view().state(lambda s: s["clubs"])
    assert state["session"] == {
        "number": 1, "player": "Ada Lindqvist", "set_name": "irons", "hand": "left",
        "started_utc": "2025-06-15T15:06:40.000Z", "open": True,
    }  # fmt: skip
    assert [c["name"] for c in state["clubs"]] == ["6i", "7i", "8i", "9i"]
    assert [c["pivot"] for c in state["clubs"]] == [False, True, False, False]
    nine = state["clubs"][3]
    assert nine["length_mm"] == 921.9
    assert nine["sole"]["length_mm"] == 78.0
    assert not nine["sole"]["camber_measured"]
    assert state["current_club"] == "9i"
    assert state["may_act"]
    assert (state["clubs"][0]["used"], state["clubs"][0]["set_aside"]) == (5, 1)
    assert state["next"]["why"]
    assert len(state["line"]["points"]) == 4
    assert state["line"]["points"] == sorted(state["line"]["points"])


def test_a_set_on_its_line_lies_on_it(bay, serve):
    """Each club touches 2 mm further out than the next longer one: so does the line."""
    bay.set_of().begin()
    bay.hit_all(_6i=2.0, _7i=4.0, _8i=6.0, _9i=8.0)
    state = serve().view().state(lambda s: s["clubs"])
    line = dict(map(tuple, state["line"]["points"]))
    for club in state["clubs"]:
        contact = club["contact"]
        assert contact["low_mm"] < contact["mean_mm"] < contact["high_mm"]
        assert abs(line[club["length_mm"]] - contact["mean_mm"]) < 0.7
        assert club["outlier"] < 0.5
        assert club["level_by"] == "address only"
    # The address mark alone: part of the common 5 mm is taken for the player's delivery.
    errors = [club["lie_error"]["deg"] for club in state["clubs"]]
    assert errors == sorted(errors, reverse=True)
    assert errors[3] < 0


def test_a_mishit_is_named_once_the_others_show_it(bay, serve):
    bay.set_of().begin().strike(0.0, 0.5, -0.5, 1.0, -1.0, 0.2, 0.4)
    viewer = serve().view()
    viewer.state(lambda s: s["clubs"])
    (wild,) = bay.strike(32.0)
    assert viewer.strikes().message["strikes"][0]["doubt"] is None
    (told,) = viewer.strikes().message["strikes"]
    assert (told["id"], told["used"], told["toe_mm"]) == (wild, True, 32.0)
    assert told["doubt"].endswith("a mishit")
    club = viewer.state(lambda s: s["clubs"][1]["set_aside"])["clubs"][1]
    assert (club["used"], club["set_aside"]) == (7, 1)
    assert abs(club["contact"]["mean_mm"]) < 1


def test_whoever_only_reads_the_file_says_what_it_cannot_know(bay, serve):
    bay.set_of().begin().strike(1.0)
    bay.session.lost(bay._boot, [Hole(7, 8)], "never came", bay.session.row.started_utc_ns)
    (board,) = serve().view().state(lambda s: s["boards"])["boards"]
    assert (board["link"], board["lost"]) == ("unknown", 2)
    assert board["link_words"] == "no program that logs has told of its link and battery"
    assert (board["battery_volts"], board["battery_percent"], board["kept"]) == (None, None, None)


def test_toe_deep_tends_to_the_side_of_the_hand(bay, serve):
    bay.set_of(hand="left").begin()
    # Marks: the level is known, so that it is clear where the sole touched.
    seven = bay.store.sets.get(1).clubs[1].id
    for i in range(12):
        bay.store.strikes.add_mark(
            1,
            seven,
            struck_utc_ns=bay.session.row.started_utc_ns + i,
            toe_mm=15.0 + i % 3,
            u_mm=0.5,
        )
    viewer = serve().view()
    assert [s["id"] for s in viewer.strikes().message["strikes"]] == [-i for i in range(1, 13)]
    club = viewer.state(lambda s: s["clubs"])["clubs"][1]
    assert (club["touched"], club["tends"]) == ("toe-deep", "ball tends left")


def test_what_was_missed_is_made_up_for(bay, serve):
    bay.set_of().begin().strike(1.0)
    page = serve()
    viewer = page.view()
    viewer.state(lambda s: s["clubs"])
    last_seen = viewer.last_id
    viewer.close()
    missed = bay.strike(2.0, 3.0, 4.0)
    watching = page.view()
    watching.state(lambda s: s["clubs"] and s["clubs"][1]["used"] == 4)
    again = page.view(last_id=last_seen)
    told = []
    while len(told) < 3:
        event = again.next()
        if event.kind == "strikes":
            assert not event.message["reset"]
            told += [s["id"] for s in event.message["strikes"]]
    assert told == missed
    # Nothing missed: only the state, which is always told.
    assert page.view(last_id=watching.last_id).next().kind == "state"


def test_a_revision_of_another_server_means_everything_anew(bay, serve):
    bay.set_of().begin().strike(1.0)
    first = serve()
    old = first.view().strikes().id
    first.server.stop()
    second = serve()
    for last_id in (old, 3, 2**63):
        told = second.view(last_id=last_id).next()
        assert (told.kind, told.message["reset"]) == ("strikes", True)
        assert len(told.message["strikes"]) == 1


def test_set_aside_elsewhere_is_told(bay, serve):
    (strike,) = bay.set_of().begin().strike(1.0)
    viewer = serve().view()
    viewer.strikes()
    bay.store.strikes.set_aside(bay.contact(strike), "heard the shaft")
    changed = viewer.strikes().message
    assert not changed["reset"]
    (one,) = changed["strikes"]
    assert (one["used"], one["reason"], one["by_hand"]) == (False, "heard the shaft", True)


def test_a_strike_that_is_none_after_all_is_forgotten(bay, serve):
    bay.set_of().begin().strike(1.0, 2.0)
    viewer = serve().view()
    viewer.strikes()
    bay.forget(2)
    anew = viewer.strikes().message
    assert anew["reset"]
    assert [s["toe_mm"] for s in anew["strikes"]] == [1.0]


def test_everybody_is_told_the_same(bay, serve):
    bay.set_of().begin()
    page = serve()
    viewers = [page.view() for _ in range(4)]
    for viewer in viewers:
        viewer.strikes()
    bay.strike(1.0, 2.0, 3.0)
    for viewer in viewers:
        told = []
        while len(told) < 3:
            told += [s["toe_mm"] for s in viewer.strikes().message["strikes"]]
        assert told == [1.0, 2.0, 3.0]


def test_the_club_that_is_up_is_told_at_once(bay, serve):
    bay.set_of().begin().strike(1.0, 2.0)
    viewer = serve().view()
    viewer.state(lambda s: s["clubs"])
    bay.session.choose_club("9i", bay.session.row.started_utc_ns + 10**12)
    state = viewer.until(lambda e: e.kind == "state").message
    assert state["current_club"] == "9i"


def test_a_page_without_a_session_waits_for_one(bay, serve):
    viewer = serve().view()
    assert viewer.strikes().message == {"reset": True, "strikes": []}
    state = viewer.state()
    assert (state["session"], state["clubs"]) == (None, [])
    assert "lieboard log" in state["hints"][0]
    bay.set_of().begin()
    began = viewer.state(lambda s: s["current_club"] == "7i")
    assert began["session"]["player"] == "Ada Lindqvist"
    assert began["hints"][0] == "no strike yet: swing with 7i"


def test_the_page_goes_on_to_the_next_session(bay, serve):
    bay.set_of().begin().strike(1.0)
    viewer = serve().view()
    viewer.strikes()
    bay.store.sessions.end(1, ended_utc_ns=bay.session.row.started_utc_ns + 10**12)
    assert not viewer.state(lambda s: not s["session"]["open"])["session"]["open"]
    bay.begin(bay.session.row.started_utc_ns + 10**13)
    anew = viewer.strikes().message
    assert anew == {"reset": True, "strikes": []}
    assert viewer.state(lambda s: s["session"]["number"] == 2)["session"]["open"]


def test_one_session_asked_for_stays(bay, serve):
    bay.set_of().begin().strike(1.0)
    bay.begin(bay.session.row.started_utc_ns + 10**13)
    assert serve(session=1).state()["state"]["session"]["number"] == 1


def test_a_quiet_line_is_alive(bay, serve):
    bay.set_of().begin()
    viewer = serve(beat_s=0.05).view()
    viewer.state()
    lines = [viewer.answer.readline() for _ in range(6)]
    assert lines.count(b":\n") >= 2


def test_who_does_not_read_is_let_go_and_nobody_else(bay, serve):
    bay.set_of().begin().strike(*[1.0] * 100)
    page = serve(stall_s=0.5)
    reading = page.view()
    reading.strikes()
    told = threading.Event()

    def read_on():
        while (event := reading.next()) is not None:
            if event.kind == "strikes" and event.message["strikes"][-1]["reason"] == "end":
                told.set()
                return

    reader = threading.Thread(target=read_on)
    with (
        socket.socket() as stuck,
        contextlib.closing(sqlite3.connect(bay.path, isolation_level=None)) as writing,
    ):
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stuck.settimeout(30)
        stuck.connect(("127.0.0.1", page.port))
        stuck.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % page.port)
        assert stuck.recv(1) == b"H"
        reader.start()
        until = time.monotonic() + 60
        # Each time all strikes change: some 100 kB that the one reads and the other does not.
        for turn in itertools.count():
            say_of_all(writing, f"{turn} " + "x" * 1000)
            if _is_cut(stuck) or time.monotonic() > until:
                break
            time.sleep(0.02)
        say_of_all(writing, "end")
        assert _is_cut(stuck)
    assert told.wait(30)
    reader.join()


def say_of_all(writing, reason):
    writing.execute("UPDATE strikes SET fitter_choice = 'aside', fitter_reason = ?", (reason,))


def _is_cut(line):
    """Whether the other side has closed: looks without reading."""
    poll = select.poll()
    poll.register(line, select.POLLHUP | select.POLLERR | select.POLLRDHUP)
    return bool(poll.poll(0))


def test_an_event_is_framed_as_the_standard_says():
    """WHATWG HTML, 9.2.6: field, colon, space; LF; an empty line ends the event."""
    assert event("state", b'{"a":1}', 7) == b'id: 7\nevent: state\ndata: {"a":1}\n\n'
    assert event("gone", b"{}") == b"event: gone\ndata: {}\n\n"
