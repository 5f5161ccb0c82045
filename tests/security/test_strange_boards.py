"""A board that nobody agreed to, on real lines: nothing is asked of it, confirmed to it or kept."""

import json
import os
import sys
import urllib.request

import pexpect
import pytest

from logger.store.store import Store
from simulators.own_process import BoardProcess

BOARD = "4c4200005a110001"


@pytest.fixture
def lieboard(tmp_path, warm_commands):
    db = tmp_path / "data.db"

    def run(*arguments):
        return warm_commands.run(*arguments, "--db", str(db), environment=dict(os.environ))

    run.db = db
    set_file = tmp_path / "set.toml"
    set_file.write_text('player="Ada"\nhand="right"\nset="irons"\n[[club]]\nlabel="7i"\n')
    assert run("set", "import", str(set_file)).returncode == 0
    return run


@pytest.fixture
def strange(tmp_path):
    """A simulated board with strikes that it keeps until they are confirmed."""
    running = []

    def start(*line):
        running.append(BoardProcess(*line, truth=tmp_path / "truth"))
        return running[-1]

    yield start
    for process in running:
        process.close()


def test_it_keeps_everything_until_it_is_agreed_to(lieboard, strange):
    board = strange("--pty", "--pace", "0.3")
    for _ in range(3):
        board.ask('strike {"club": "7i"}')
    for command in (("log", board.url), ("board", "check", board.url, "--press", "0")):
        done = lieboard(*command)
        assert done.returncode == 3
        assert done.stderr.count("\n") == 1
        assert f"is board {BOARD} (" in done.stderr
        assert f"lieboard boards --accept {board.url}" in done.stderr
    with Store.open(lieboard.db) as store:
        assert (store.boards.all(), store.sessions.all(), list(store.records.read())) == (
            [],
            [],
            [],
        )
        assert store.agreed.all() == []
    done = lieboard("boards", "--accept", board.url)
    assert f"({BOARD}) at {board.url} may be used from now on" in done.stdout
    with Store.open(lieboard.db) as store:
        assert list(store.records.read()) == []
    logging = pexpect.spawn(
        sys.executable, ["-m", "logger", "log", board.url, "--db", str(lieboard.db), "--stance",
        "0"], timeout=40, dimensions=(40, 120),
    )  # fmt: skip
    # All that it kept meanwhile.
    for _ in range(400):
        with Store.open(lieboard.db, read_only=True) as store:
            if len(list(store.records.read())) >= 3:
                break
        logging.expect(pexpect.TIMEOUT, timeout=0.1)
    logging.send("q")
    logging.expect(pexpect.EOF)
    logging.close()
    with Store.open(lieboard.db) as store:
        kept = [record.sequence for record in store.records.read()]
        # From the very first: none was taken for confirmed before.
        assert kept == list(range(len(kept)))
        assert len(kept) >= 3
        assert store.records.losses() == []
    told = json.loads(lieboard("boards", "--no-ble", "--json").stdout)
    assert [one["key"] for one in told["agreed"]] == [BOARD]
    assert lieboard("boards", "--forget", BOARD).returncode == 0
    assert lieboard("log", board.url).returncode == 3


@pytest.mark.parametrize("answer", ["y", "n"])
def test_at_a_terminal_it_is_asked_about_once(lieboard, strange, answer):
    board = strange("--tcp", "0")
    talk = pexpect.spawn(
        sys.executable, ["-m", "logger", "log", board.url, "--db", str(lieboard.db), "--stance",
        "0", "--page", "--page-port", "0"], timeout=40, dimensions=(40, 120),
    )  # fmt: skip
    talk.expect(rf"Board {BOARD} \(.*\) was never used here. Is it yours\?")
    talk.sendline(answer)
    if answer == "y":
        # The page that was asked for too, although the first try ended with the question.
        talk.expect(r"page: http://127.0.0.1:(\d+)/")
        port = int(talk.match[1])
        talk.expect("connected")
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=30) as page:
            assert page.status == 200
        talk.send("q")
    talk.expect(pexpect.EOF)
    talk.close()
    assert talk.exitstatus == (0 if answer == "y" else 2)
    with Store.open(lieboard.db) as store:
        assert len(store.agreed.all()) == (answer == "y")
        assert len(store.sessions.all()) == (answer == "y")


def test_one_that_speaks_text_is_known_by_its_name(lieboard, strange):
    """It keeps nothing, so what it said before it was agreed to is gone: nobody can help that."""
    import socket
    import threading

    server = socket.create_server(("127.0.0.1", 0))
    url = f"socket://127.0.0.1:{server.getsockname()[1]}"

    def sketch():
        with server:
            for _ in range(2):
                line, _ = server.accept()
                with line:
                    for _ in range(100):
                        try:
                            line.sendall(b"LB1 x=12.5 b=mat_2\n")
                            line.settimeout(0.1)
                            if not line.recv(4096):
                                break
                        except TimeoutError:
                            continue
                        except OSError:
                            break

    thread = threading.Thread(target=sketch)
    thread.start()
    done = lieboard("log", url)
    assert done.returncode == 3
    assert "is board text:mat_2 (mat_2)" in done.stderr
    assert lieboard("boards", "--accept", url).returncode == 0
    thread.join()
    with Store.open(lieboard.db) as store:
        assert [one.key for one in store.agreed.all()] == ["text:mat_2"]
        assert store.boards.all() == []
