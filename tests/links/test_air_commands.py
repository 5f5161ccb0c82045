"""Commands that meet boards on the air, as a person runs them."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest

from logger.store.store import Store

ROOT = Path(__file__).parents[2]


def _lieboard(*arguments, **how):
    return subprocess.run(
        [sys.executable, "-m", "logger", *arguments], capture_output=True, text=True, check=False,
        stdin=subprocess.DEVNULL, timeout=40, **how,
    )  # fmt: skip


@pytest.fixture
def db(tmp_path):
    path = tmp_path / "test.db"
    done = _lieboard("set", "import", str(ROOT / "logger/cli/demo_set.toml"), "--db", str(path))
    assert done.returncode == 0, done.stderr
    return path


def _agreed(db):
    with Store.open(db, read_only=True) as store:
        return [(one.key, one.name) for one in store.agreed.all()]


class TestBoards:
    def test_shows_name_id_address_and_signal(self, on_the_air):
        on_the_air("twins=1", "--name", "north bay")
        out = _lieboard("boards", "--seconds", "1").stdout
        row = next(line for line in out.splitlines() if "4c4200005a110001" in line)
        for part in ("ble://4c4200005a110001", "north bay", "C0:00:5E:00:53:10", "dBm, near"):
            assert part in row
        assert "ble://4c4200005a110002" in out

    def test_for_machines(self, on_the_air):
        on_the_air()
        found = json.loads(_lieboard("boards", "--seconds", "1", "--json").stdout)
        assert [one["url"] for one in found["on_the_air"]] == ["ble://4c4200005a110001"]
        assert set(found) == {"ports", "on_the_air", "agreed"}
        assert found["on_the_air"][0]["agreed"] is False

    @pytest.mark.parametrize(
        ("radio", "says"),
        [("adapter=off", "Bluetooth: Bluetooth is off"), ("permitted=no", "may not use Bluetooth")],
    )
    def test_no_bluetooth_is_one_line_and_no_failure(self, on_the_air, radio, says):
        on_the_air(radio)
        done = _lieboard("boards", "--seconds", "1")
        assert done.returncode == 0
        assert says in done.stdout
        assert done.stderr == ""
        assert says not in _lieboard("boards", "--no-ble").stdout

    def test_a_length_that_cannot_be(self):
        assert _lieboard("boards", "--seconds", "0").returncode == 2


class TestAgreeing:
    def test_a_bench_check_wants_it_too(self, on_the_air, db):
        board = on_the_air()
        done = _lieboard("board", "check", board.url, "--db", str(db))
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1
        assert "simulated (4c4200005a110001) was never used" in done.stderr
        assert "add --accept once" in done.stderr
        quick = ("--untouched", "0", "--rest", "0", "--press", "0", "--db", str(db))
        done = _lieboard("board", "check", board.url, "--accept", *quick)
        assert (done.returncode, done.stderr) == (0, "")
        assert _agreed(db) == [("4c4200005a110001", "simulated")]

    def test_a_board_is_agreed_to_by_the_name_it_has_on_the_air(self, on_the_air, db):
        on_the_air()
        done = _lieboard("boards", "--accept", "simulated", "--db", str(db))
        assert "lieboard log ble://4c4200005a110001" in done.stdout
        assert _agreed(db) == [("4c4200005a110001", "simulated")]

    def test_a_board_never_used_before_is_not_used_unasked(self, on_the_air, db):
        board = on_the_air()
        done = _lieboard("log", board.url, "--db", str(db))
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1
        assert "simulated (4c4200005a110001) was never used" in done.stderr
        assert "--accept" in done.stderr
        assert _agreed(db) == []

    def test_nobody_there_is_one_line(self, on_the_air, db):
        on_the_air()
        done = _lieboard("log", "ble://south", "--db", str(db))
        assert done.returncode == 3
        assert done.stderr.count("\n") == 1
        assert "no board south on the air; here are: simulated" in done.stderr

    async def test_accepted_once_is_accepted(self, on_the_air, db):
        board = on_the_air()
        # The second time the session goes on, and that is said first.
        for options, lines in ((["--accept"], 1), ([], 2)):
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-u", "-m", "logger", "log", "ble://simulated", "--db", str(db),
                *options, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
            )  # fmt: skip
            async with asyncio.timeout(30):
                for _ in range(lines):
                    assert b"session 1" in await process.stdout.readline()
                await asyncio.sleep(1.5)
                board.ask('strike {"club": "7i"}')
                assert (await process.stdout.readline()).startswith(b"7i strike")
                process.terminate()
                _, errors = await process.communicate()
            assert errors == b""
            assert _agreed(db) == [("4c4200005a110001", "simulated")]

    @pytest.mark.parametrize("answer", ["y", "n"])
    def test_asks_once_at_a_terminal(self, on_the_air, db, answer):
        on_the_air()
        command = ["-m", "logger", "log", "ble://simulated", "--stance", "0", "--db", str(db)]
        talk = pexpect.spawn(sys.executable, command, timeout=30, dimensions=(40, 120))
        talk.expect("was never used here")
        talk.sendline(answer)
        if answer == "y":
            talk.expect("connected")
            talk.send("q")
        talk.expect(pexpect.EOF)
        talk.close()
        assert talk.exitstatus == (0 if answer == "y" else 2)
        assert len(_agreed(db)) == (answer == "y")


def test_demo_over_the_air(tmp_path):
    done = _lieboard("demo", "--ble", "--swings", "1", cwd=tmp_path, env=dict(os.environ))
    assert done.returncode == 0, done.stderr
    assert "A simulated board is at ble://" in done.stdout
    assert "Bend sheet" in done.stdout
    assert done.stderr == ""
