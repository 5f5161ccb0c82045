"""How a board is doing, told through the data file to whoever looks on from another program."""

from __future__ import annotations

import time
from dataclasses import replace

from logger.collector.reconnect import Reach, ReachState
from logger.collector.recording import BoardReport
from logger.protocol.records import Status
from logger.protocol.sequence import Hole
from logger.session.logging.board_news import NewsKeeper, Told, news_after
from logger.store.rows import BoardNews

SECOND = 10**9
STATUS = Status(
    ticks=1, supply_mv=3712, temperature_c=None, noise_counts=None, trigger_level=40, kept=3,
    dropped=0, bad_frames=0, oldest_kept=0, next_sequence=3,
)  # fmt: skip
GOOD = BoardNews("shed", "up", "", 3712, 3, 1)


def utc_now():
    return time.clock_gettime_ns(time.CLOCK_REALTIME)


def with_a_board(bay):
    """Begin a session in which a board lost a record; return the board's name."""
    bay.set_of().begin().strike(1.0)
    bay.session.lost(bay._boot, [Hole(7, 7)], "never came", bay.session.row.started_utc_ns)
    (own,) = bay.store.boards.all()
    return own.name


def test_whoever_looks_on_sees_link_and_battery(bay, serve):
    own = with_a_board(bay)
    session = bay.session.row.id
    bay.store.live.note_news(session, replace(GOOD, name=own), told_utc_ns=utc_now())
    viewer = serve().view()
    (board,) = viewer.state(lambda s: s["boards"])["boards"]
    assert (board["board"], board["link"], board["battery_volts"]) == (own, "up", 3.712)
    assert (board["kept"], board["link_words"]) == (3, "1 waiting on the board")
    gone = BoardNews(own, "out of reach", "next try in 2 s")
    bay.store.live.note_news(session, gone, told_utc_ns=utc_now())
    told = viewer.state(lambda s: s["boards"][0]["link"] == "out of reach")
    assert told["boards"][0]["link_words"] == "next try in 2 s"


def test_old_news_do_not_hold(bay, serve):
    own = with_a_board(bay)
    old = utc_now() - 600 * SECOND
    bay.store.live.note_news(bay.session.row.id, replace(GOOD, name=own), told_utc_ns=old)
    (board,) = serve().view().state(lambda s: s["boards"])["boards"]
    assert (board["link"], board["battery_volts"]) == ("unknown", None)
    assert board["link_words"] == "the program that logs it has said nothing for a while"


def test_a_board_without_a_record_is_shown_by_what_was_told(bay, serve):
    bay.set_of().begin()
    bay.store.live.note_news(bay.session.row.id, GOOD, told_utc_ns=utc_now())
    (board,) = serve().view().state(lambda s: s["boards"])["boards"]
    assert (board["board"], board["link"], board["lost"]) == ("shed", "up", 0)


def test_an_ended_session_has_no_news(bay, serve):
    with_a_board(bay)
    bay.store.live.note_news(bay.session.row.id, GOOD, told_utc_ns=utc_now())
    bay.store.sessions.end(bay.session.row.id, ended_utc_ns=bay.session.row.started_utc_ns + SECOND)
    (board,) = serve(session=1).view().state(lambda s: s["boards"])["boards"]
    assert (board["link"], board["battery_volts"]) == ("ended", None)


def test_what_a_run_tells_becomes_news():
    news = news_after(BoardNews(), Reach(ReachState.CONNECTED))
    news = news_after(news, BoardReport(STATUS, waiting=1))
    assert replace(news, name="shed") == GOOD
    news = news_after(news, Reach(ReachState.OUT_OF_REACH, 1, next_try_s=1.4))
    assert (news.link, news.link_words, news.supply_mv) == ("out of reach", "next try in 1 s", 3712)
    assert news_after(news, "anything else") is news


def test_news_are_written_at_once_or_now_and_then():
    keeper = NewsKeeper()
    assert keeper.due(0) == BoardNews()
    assert keeper.due(1 * SECOND) is None
    keeper.hear(Reach(ReachState.CONNECTED))
    assert keeper.due(1 * SECOND).link == "up"
    # Something that changes with each status is not worth a trip to the disk each time.
    times = []
    for second in range(2, 30):
        keeper.hear(BoardReport(replace(STATUS, supply_mv=3700 + second), waiting=0))
        if keeper.due(second * SECOND) is not None:
            times.append(second)
    assert times == [6, 11, 16, 21, 26]
    # Nothing new: only that it still runs.
    assert [second for second in range(30, 60) if keeper.due(second * SECOND)] == [31, 41, 51]
    assert keeper.due(52 * SECOND, at_end=True).link == "ended"


def test_a_link_that_comes_and_goes_is_not_written_each_time():
    keeper = NewsKeeper()
    states = [ReachState.CONNECTED, ReachState.OUT_OF_REACH]
    written = 0
    for tenth in range(100):
        keeper.hear(Reach(states[tenth % 2]))
        written += keeper.due(tenth * SECOND // 10) is not None
    assert 10 <= written <= 21


def test_news_that_stay_the_same_grow_old():
    told = Told()
    assert not told.silent(0)
    found = (GOOD, 5_000 * SECOND)
    assert told.look(1, found, 100 * SECOND, 5_001 * SECOND) == GOOD
    assert not told.silent(110 * SECOND)
    assert told.silent(140 * SECOND)
    # Told anew, by a computer whose clock was set back an hour meanwhile.
    told.look(1, (GOOD, 1_400 * SECOND), 141 * SECOND, 1_400 * SECOND)
    assert not told.silent(160 * SECOND)
    # Another session, nobody has told of.
    assert told.look(2, None, 161 * SECOND, 1_420 * SECOND) is None
    assert not told.silent(1000 * SECOND)
    # One whose program is long gone.
    told.look(3, found, 1001 * SECOND, 9_000 * SECOND)
    assert told.silent(1001 * SECOND)
