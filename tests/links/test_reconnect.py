"""Connection after connection over real sockets and terminals, with pauses that take no time."""

from __future__ import annotations

import asyncio
import random

import pytest

from logger.collector.reconnect import Pauses, Reach, ReachState, Reconnector
from logger.errors import (
    LinkClosedError,
    LinkOpenError,
    LinkTimeoutError,
    ProtocolError,
    StoreError,
    UsageError,
)
from logger.links.open import link_from_url


class Heard(list):
    """What the listener was told, by state."""

    @property
    def states(self):
        return [reach.state for reach in self]


class Naps:
    """Pauses that only note how long they would be."""

    def __init__(self, at_most):
        self.taken = []
        self._at_most = at_most

    async def __call__(self, seconds):
        self.taken.append(seconds)
        if len(self.taken) >= self._at_most:
            raise asyncio.CancelledError
        await asyncio.sleep(0)


async def _read_until_gone(link):
    while True:
        await link.read()


class TestPauses:
    def test_grow_up_to_a_cap(self):
        pauses = Pauses(first_s=1, growth=2, longest_s=10, jitter=0)
        rng = random.Random(0)
        assert [pauses.after(n, rng) for n in (1, 2, 3, 4, 5, 6, 5000)] == [1, 2, 4, 8, 10, 10, 10]

    def test_jitter_shortens_by_at_most_its_part(self):
        pauses = Pauses(first_s=1, growth=1, longest_s=1, jitter=0.25)
        rng = random.Random(1)
        many = [pauses.after(1, rng) for _ in range(1000)]
        assert min(many) >= 0.75
        assert max(many) <= 1
        # A uniform part: mean 0.875 with standard error 0.25 / sqrt(12 * 1000).
        assert sum(many) / 1000 == pytest.approx(0.875, abs=5 * 0.0023)

    @pytest.mark.parametrize(
        "wrong", [{"first_s": 0}, {"growth": 0.5}, {"jitter": 1}, {"first_s": 9, "longest_s": 1}]
    )
    def test_that_cannot_be(self, wrong):
        with pytest.raises(ValueError, match="pauses"):
            Pauses(**wrong)


class TestOutOfReach:
    async def test_the_first_attempt_tells_of_a_wrong_port(self, free_tcp_port):
        heard = Heard()
        reconnector = Reconnector(
            lambda: link_from_url(f"socket://127.0.0.1:{free_tcp_port}"),
            _read_until_gone,
            listener=heard.append,
        )
        with pytest.raises(LinkOpenError, match="nothing listens"):
            await reconnector.run()
        assert heard.states == [ReachState.CONNECTING, ReachState.STOPPED]
        assert isinstance(heard[-1].last_error, LinkOpenError)
        assert reconnector.reach == heard[-1]

    async def test_patient_tries_again_and_says_when(self, free_tcp_port):
        heard, naps = Heard(), Naps(at_most=5)
        reconnector = Reconnector(
            lambda: link_from_url(f"socket://127.0.0.1:{free_tcp_port}"),
            _read_until_gone,
            listener=heard.append,
            pauses=Pauses(first_s=1, growth=2, longest_s=6, jitter=0.5),
            patient=True,
            rng=random.Random(11),
            sleep=naps,
        )
        with pytest.raises(asyncio.CancelledError):
            await reconnector.run()
        same = random.Random(11)
        assert naps.taken == [grown * (1 - 0.5 * same.random()) for grown in (1, 2, 4, 6, 6)]
        waiting = [reach for reach in heard if reach.state is ReachState.OUT_OF_REACH]
        assert [reach.attempts for reach in waiting] == [1, 2, 3, 4, 5]
        assert [reach.next_try_s for reach in waiting] == naps.taken
        assert all("nothing listens" in str(reach.last_error) for reach in waiting)
        assert heard.states[-1] is ReachState.STOPPED


class TestComingBack:
    async def test_a_board_that_is_plugged_in_again(self, tcp_end):
        words, heard = [], Heard()

        async def run_connection(link):
            while True:
                words.append((await link.read()).data)

        async def board():
            for word in (b"one", b"two", b"three"):
                await tcp_end.send(word)
                await tcp_end.hang_up()
                tcp_end._here.get_nowait()

        reconnector = Reconnector(
            lambda: link_from_url(tcp_end.url),
            run_connection,
            listener=heard.append,
            sleep=Naps(at_most=3),
        )
        with pytest.raises(asyncio.CancelledError):
            await asyncio.gather(reconnector.run(), board())
        assert words == [b"one", b"two", b"three"]
        assert heard.states == [
            ReachState.CONNECTING, ReachState.CONNECTED, ReachState.OUT_OF_REACH,
        ] * 3 + [ReachState.STOPPED]  # fmt: skip

    async def test_a_connection_that_lived_starts_the_pauses_anew(self):
        now_ns, naps = 0, Naps(at_most=5)
        lives_s = iter([1, 1, 9, 10, 1])

        async def run_connection(link):
            nonlocal now_ns
            now_ns += next(lives_s) * 10**9
            raise LinkClosedError("gone")

        reconnector = Reconnector(
            lambda: link_from_url("loop://"),
            run_connection,
            pauses=Pauses(first_s=1, growth=2, longest_s=60, jitter=0, lived_s=10),
            sleep=naps,
            now_ns=lambda: now_ns,
        )
        with pytest.raises(asyncio.CancelledError):
            await reconnector.run()
        assert naps.taken == [1, 2, 4, 1, 2]

    async def test_an_unplugged_terminal_that_stays_away(self, pty_end):
        heard = Heard()

        async def run_connection(link):
            await pty_end.hang_up()
            await _read_until_gone(link)

        reconnector = Reconnector(
            pty_end.make_link, run_connection, listener=heard.append, sleep=Naps(at_most=3)
        )
        # It opened once, so that it is missing now is no reason to give up.
        with pytest.raises(asyncio.CancelledError):
            await reconnector.run()
        errors = [str(r.last_error) for r in heard if r.state is ReachState.OUT_OF_REACH]
        assert "unplugged" in errors[0]
        assert "no port" in errors[1]


class TestTheEnd:
    @pytest.mark.parametrize("fatal", [ProtocolError, StoreError, UsageError, ZeroDivisionError])
    async def test_what_trying_again_cannot_mend(self, fatal, link_threads):
        heard = Heard()

        async def run_connection(link):
            raise fatal("no use")

        reconnector = Reconnector(
            lambda: link_from_url("loop://"), run_connection, listener=heard.append, patient=True
        )
        with pytest.raises(fatal, match="no use"):
            await reconnector.run()
        assert heard.states == [
            ReachState.CONNECTING, ReachState.CONNECTED, ReachState.STOPPED,
        ]  # fmt: skip
        assert link_threads() == []

    async def test_out_of_a_group_the_first_fatal_one_counts(self):
        async def run_connection(link):
            raise ExceptionGroup(
                "tasks",
                [
                    LinkClosedError("gone"),
                    ExceptionGroup("more", [StoreError("disk full"), ProtocolError("later")]),
                ],
            )

        with pytest.raises(StoreError, match="disk full"):
            await Reconnector(lambda: link_from_url("loop://"), run_connection).run()

    async def test_a_group_of_link_errors_is_a_link_error(self):
        naps = Naps(at_most=2)

        async def run_connection(link):
            raise ExceptionGroup("tasks", [LinkTimeoutError("silent"), LinkClosedError("gone")])

        heard = Heard()
        with pytest.raises(asyncio.CancelledError):
            await Reconnector(
                lambda: link_from_url("loop://"), run_connection, listener=heard.append, sleep=naps
            ).run()
        assert len(naps.taken) == 2
        assert str(heard[-1].last_error) == "silent"

    async def test_a_group_with_a_fault_of_ours_stays_as_it_is(self):
        async def run_connection(link):
            raise ExceptionGroup("tasks", [LinkClosedError("gone"), KeyError("bug")])

        with pytest.raises(ExceptionGroup, match="tasks"):
            await Reconnector(lambda: link_from_url("loop://"), run_connection).run()

    async def test_a_url_that_cannot_be(self):
        heard = Heard()
        reconnector = Reconnector(
            lambda: link_from_url("pigeon://x"), _read_until_gone, listener=heard.append,
            patient=True,
        )  # fmt: skip
        with pytest.raises(UsageError):
            await reconnector.run()
        assert heard.states == [ReachState.CONNECTING, ReachState.STOPPED]

    async def test_done_is_done(self):
        async def run_connection(link):
            await link.write(b"x")

        reconnector = Reconnector(lambda: link_from_url("loop://"), run_connection)
        assert reconnector.reach == Reach(ReachState.STOPPED)
        await reconnector.run()
        assert reconnector.reach == Reach(ReachState.STOPPED)

    async def test_once(self):
        async def run_connection(link):
            raise LinkClosedError("end of the capture")

        with pytest.raises(LinkClosedError, match="end of the capture"):
            await Reconnector(lambda: link_from_url("loop://"), run_connection, once=True).run()

    async def test_cancelled_while_connected(self, tcp_end, link_threads):
        heard = Heard()
        connected = asyncio.Event()

        async def run_connection(link):
            connected.set()
            await _read_until_gone(link)

        reconnector = Reconnector(
            lambda: link_from_url(tcp_end.url), run_connection, listener=heard.append
        )
        running = asyncio.create_task(reconnector.run())
        await connected.wait()
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
        assert link_threads() == []
        assert heard.states[-1] is ReachState.STOPPED

    async def test_cancelled_while_it_waits(self, free_tcp_port):
        waiting = asyncio.Event()
        reconnector = Reconnector(
            lambda: link_from_url(f"socket://127.0.0.1:{free_tcp_port}"),
            _read_until_gone,
            listener=lambda r: r.state is ReachState.OUT_OF_REACH and waiting.set(),
            pauses=Pauses(first_s=3600, longest_s=3600),
            patient=True,
        )
        running = asyncio.create_task(reconnector.run())
        await waiting.wait()
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
        assert reconnector.reach.state is ReachState.STOPPED
