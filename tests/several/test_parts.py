"""The parts that several boards need: one transaction for many, claims, a file of bays."""

import asyncio
import sqlite3

import pytest

from logger.collector.recording import BoardIdentity
from logger.errors import ConfigError, LinkError, StoreError, UsageError
from logger.links.open import same_port
from logger.session.logging.bays import BoardClaims
from logger.session.logging.bays_file import read_bays
from logger.session.logging.store_thread import StoreThread
from logger.store.store import Store


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "a.db", busy_s=0.2) as made:
        yield made


@pytest.fixture
def thread(store):
    made = StoreThread(store)
    yield made
    made.close()


def boots(store):
    with sqlite3.connect(f"file:{store.path}?mode=ro", uri=True) as file:
        found = [key for (key,) in file.execute("SELECT boot_key FROM boots ORDER BY 1")]
    file.close()
    return found


def remember(store, key):
    store.boards.remember_boot(board_key="b", boot_key=key, name="b", hello=None, seen_utc_ns=0)


class TestStoreThread:
    async def test_what_waits_together_is_one_transaction(self, store, thread):
        ends = []
        store.file.connection.set_trace_callback(
            lambda sql: ends.append(sql) if sql == "COMMIT" else 0
        )
        held = asyncio.Event()
        loop = asyncio.get_running_loop()

        def hold():
            loop.call_soon_threadsafe(held.set)
            # Long enough that all that is asked for next waits behind it.
            store.file.lock.acquire(timeout=1)
            store.file.lock.release()

        store.file.lock.acquire()
        try:
            first = asyncio.ensure_future(thread.call(hold))
            jobs = [asyncio.ensure_future(thread.call(remember, store, f"{n}")) for n in range(9)]
            await asyncio.sleep(0.05)
        finally:
            store.file.lock.release()
        await asyncio.gather(first, *jobs)
        assert boots(store) == [f"{n}" for n in range(9)]
        assert len(ends) <= 2

    async def test_what_fails_is_undone_alone(self, store, thread):
        def half():
            remember(store, "half")
            raise UsageError("no")

        done = await asyncio.gather(
            thread.call(remember, store, "before"),
            thread.call(half),
            thread.call(remember, store, "after"),
            return_exceptions=True,
        )
        assert isinstance(done[1], UsageError)
        assert boots(store) == ["after", "before"]

    async def test_of_two_things_the_first_stays_if_the_second_fails(self, store, thread):
        """A record that nobody can work on is on the disk all the same."""

        def fail():
            remember(store, "second")
            raise UsageError("no")

        with pytest.raises(UsageError):
            await thread.both(lambda: remember(store, "first"), fail)
        assert boots(store) == ["first"]
        # And the second is not tried without the first.
        with pytest.raises(UsageError):
            await thread.both(fail, lambda: remember(store, "third"))
        assert boots(store) == ["first"]
        assert await thread.both(lambda: remember(store, "fourth"), lambda: 4) == 4
        assert boots(store) == ["first", "fourth"]

    async def test_a_file_that_refuses_is_told_to_all_who_wait_and_asked_no_more(
        self, store, thread
    ):
        other = sqlite3.connect(store.path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        try:
            done = await asyncio.gather(
                *(thread.call(remember, store, f"{n}") for n in range(20)), return_exceptions=True
            )
        finally:
            other.close()
        assert {type(one) for one in done} == {StoreError}
        with pytest.raises(StoreError, match="another program is writing"):
            await thread.call(remember, store, "later")
        assert boots(store) == []

    async def test_a_disk_that_rolls_everything_back_is_told_to_those_before_too(
        self, store, thread
    ):
        """SQLITE_FULL may undo the whole transaction (https://www.sqlite.org/lang_transaction.html,
        section 3): nobody may believe that their part of it is on the disk."""

        def full():
            store.file.connection.execute("ROLLBACK")
            raise StoreError("the disk is full")

        store.file.lock.acquire()
        try:
            jobs = [
                asyncio.ensure_future(thread.call(remember, store, "before")),
                asyncio.ensure_future(thread.call(full)),
                asyncio.ensure_future(thread.call(remember, store, "after")),
            ]
            await asyncio.sleep(0.05)
        finally:
            store.file.lock.release()
        done = await asyncio.gather(*jobs, return_exceptions=True)
        assert [str(one) for one in done] == ["the disk is full"] * 3
        assert boots(store) == []


def identity(key, *, hello=True):
    return BoardIdentity(key, "1", f"board {key}", object() if hello else None)


class TestClaims:
    def test_a_board_is_one_bays(self):
        claims = BoardClaims()
        claims.take("one", identity("a"))
        claims.take("one", identity("a"))
        with pytest.raises(UsageError, match="two and one are the same board, board a"):
            claims.take("two", identity("a"))

    def test_sketches_of_one_name_are_told_how_to_differ(self):
        claims = BoardClaims()
        claims.take("one", identity("text:a", hello=False))
        with pytest.raises(UsageError, match="give each board a name of its own"):
            claims.take("two", identity("text:a", hello=False))

    def test_swapped_cables_are_waited_out(self):
        claims = BoardClaims()
        claims.take("one", identity("a"))
        claims.take("two", identity("b"))
        with pytest.raises(LinkError, match="Swap the cables back"):
            claims.take("one", identity("b"))
        claims.take("one", identity("a"))

    def test_a_bay_that_ended_gives_its_board_back(self):
        claims = BoardClaims()
        claims.take("one", identity("a"))
        claims.release("one")
        claims.take("two", identity("a"))

    def test_another_board_at_a_bay_sets_the_first_free(self):
        claims = BoardClaims()
        claims.take("one", identity("a"))
        claims.take("one", identity("c"))
        claims.take("two", identity("a"))


def test_one_port_by_two_names(tmp_path):
    (tmp_path / "ttyUSB0").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB0")
    assert same_port(str(tmp_path / "by-id"), str(tmp_path / "ttyUSB0"))
    assert same_port("ble://North", "BLE://north/")
    assert not same_port("socket://a:1", "socket://a:2")
    assert not same_port("ble://a", "/dev/a")


class TestFileOfBays:
    def test_all_that_a_bay_can_say(self, tmp_path):
        file = tmp_path / "bays.toml"
        file.write_text(
            '[[bay]]\nport = "/dev/ttyACM0"\nplayer = "Mika Tarn"\nset = "irons"\nclub = "7i"\n'
            'stance_mm = 4\nleft = true\nball = false\nbaud = 9600\ntrigger = 50\ncapture = "c"\n'
            '[[bay]]\nname = "window"\nport = "ble://north"\n'
        )
        first, second = read_bays(file)
        assert (first.name, first.port, first.player) == ("bay 1", "/dev/ttyACM0", "Mika Tarn")
        assert (first.set_name, first.club, first.baud, first.trigger) == ("irons", "7i", 9600, 50)
        assert first.circumstances.stance_mm == 4
        assert first.circumstances.hand == "left"
        assert not first.circumstances.ball
        assert (second.name, second.port) == ("window", "ble://north")

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("", "no bays"),
            ("[[bay]]\n", "bay 1: has no port"),
            ("[[bay]]\nport = 3\n", "bay 1: port = 3: give text in quotes"),
            ('[[bay]]\nport = "a"\nball = 1\n', "bay 1: ball = 1: give true or false"),
            ('[[bay]]\nport = "a"\nbaud = true\n', "bay 1: baud = True: give a whole number"),
            ('[[bay]]\nport = "a"\nplayr = "x"\n', "bay 1: there is no playr"),
            ('[bay]\nport = "a"\n', "no bays"),
            ('shop = 1\n[[bay]]\nport = "a"\n', "shop: only"),
            ("[[bay\n", "bays.toml"),
        ],
    )
    def test_what_is_wrong_is_named(self, tmp_path, text, words):
        file = tmp_path / "bays.toml"
        file.write_text(text)
        with pytest.raises(ConfigError, match=str(file)) as caught:
            read_bays(file)
        assert words in str(caught.value)

    def test_a_file_that_is_not_there(self, tmp_path):
        with pytest.raises(ConfigError, match="cannot be read"):
            read_bays(tmp_path / "none.toml")
