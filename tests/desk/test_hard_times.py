"""What goes wrong in a bay: strange boards, pulled cables, servers that end, viewers who act."""

from __future__ import annotations

import contextlib
import http.client
import json
import re
import socket
import threading
import time
from pathlib import Path
from urllib.parse import urlencode

import pytest

from logger.desk.server import DeskServer
from logger.page.server import PageSettings
from logger.setfiles import load_set
from logger.store.store import Store

pytestmark = pytest.mark.timeout(180)
IN_BROWSER = pytest.mark.asyncio(loop_scope="session")

# Stands for an address in the network: it is not the one that this computer is trusted on.
NETWORK = "127.0.0.2"
ROBIN = Path(__file__).parents[2] / "examples" / "robin_ashdown.toml"
FORM = "application/x-www-form-urlencoded"


def strikes(club, count=4):
    return [
        {"club": club, "lie_error_deg": 0.2 * place, "c_mm": 0.0, "depth_mm": 2.0}
        for place in range(count)
    ]


def until(looks, within_s=30.0):
    """Wait until something is so; return what it is."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        found = looks()
        if found:
            return found
        time.sleep(0.1)
    pytest.fail("what was waited for never came")


@pytest.fixture
def robin(new_desk):
    """A desk of its own with a set."""
    one = new_desk()
    one.cli("set", "import", str(ROBIN))
    return one.start()


@IN_BROWSER
async def test_a_strange_board_is_asked_about_where_it_turned_up(robin, view):
    url = robin.board(strikes("7i"), "--pace", "0.2")
    page = await view(robin.address + "/start?set=1")
    await page.check("[name=board][value=other]")
    await page.fill("[name=address]", url)
    await page.click("[value=level]")
    await page.wait_for_selector("text=never used here")
    assert robin.cli("strikes", "--json").strip() == "[]"
    await page.click("text=Yes, use it")
    await page.wait_for_selector("html[data-drawn]", state="attached")
    await page.wait_for_function(
        "() => document.querySelectorAll('#strikes .number').length >= 4", polling=100
    )
    # Ended and resumed from here, too.
    await page.click("#end button")
    await page.wait_for_url(re.compile("/sheet$"))
    await page.goto(robin.address + "/sessions/1")
    await page.click("#resume button")
    await page.wait_for_selector("#end:not([hidden])")
    assert "open" in robin.cli("sessions")


@IN_BROWSER
async def test_two_bays_log_side_by_side(robin, view, tmp_path):
    file = tmp_path / "mika.toml"
    file.write_text(
        'player = "Mika Tarn"\nhand = "left"\nset = "irons"\n'
        '[[club]]\nlabel = "7i"\n[[club]]\nlabel = "8i"\n',
        encoding="utf-8",
    )
    robin.cli("set", "import", str(file))
    urls = []
    for number, hand in ((1, ()), (2, ("--left-handed",))):
        name = f"bay{number}"
        url = robin.board(
            strikes("7i", 5), "--pace", "0.2", "--name", name, "--board-id",
            f"4c4200005a1100{number:02x}", *hand,
        )  # fmt: skip
        urls.append(url)
    for number, url in enumerate(urls, start=1):
        status, to = robin.send(
            "/start", set=str(number), stance="level", board="other", address=url
        )
        assert (status, to) == (303, f"/sessions/{number}")
        until(lambda number=number: "Is it yours" in robin.ask("GET", f"/sessions/{number}/bay")[2])
        assert robin.send(f"/sessions/{number}/accept")[0] == 303
    page = await view(robin.address + "/")
    await page.wait_for_function(
        "() => [...document.querySelectorAll('.open-now .tile-used')]"
        ".filter((e) => e.textContent.startsWith('5 ')).length === 2",
        polling=200,
    )
    # The same board cannot be at two bays.
    status, _ = robin.send("/sessions/1/resume", board="other", address=urls[1])
    assert status == 303
    for number in (1, 2):
        rows = json.loads(robin.cli("strikes", "--session", str(number), "--json"))
        assert len(rows) == 5
        assert {row["label"] for row in rows} == {"7i"}


@IN_BROWSER
async def test_what_was_typed_outlives_the_server(robin, view):
    page = await view(robin.address + "/sets/1")
    await page.fill("[name='1.lie_deg']", "60.75")
    port = robin.port
    robin.stop()
    robin.start(port=port)
    await page.reload()
    assert await page.input_value("[name='1.lie_deg']") == "60.75"
    await page.click("text=Save")
    assert "60.75" in await page.text_content("table")


def test_a_browser_that_goes_away_leaves_all_of_an_act_or_nothing(robin):
    before = robin.cli("set", "list")
    body = urlencode({"name": "Robin Elsewhere"})
    request = (
        f"POST /players/1/name HTTP/1.1\r\nHost: 127.0.0.1:{robin.port}\r\n"
        f"Origin: {robin.address}\r\nContent-Type: {FORM}\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    # Cut in the middle of what it sends: nothing is done.
    with socket.create_connection(("127.0.0.1", robin.port)) as line:
        line.sendall((request + body[:8]).encode())
    time.sleep(0.3)
    assert robin.cli("set", "list") == before
    # Cut before the answer: it is done.
    with socket.create_connection(("127.0.0.1", robin.port)) as line:
        line.sendall((request + body).encode())
    until(lambda: "Robin Elsewhere" in robin.cli("set", "list"))


def test_a_cable_pulled_in_the_middle_of_the_check_ends_it_with_one_line(robin):
    url = robin.board([], "--board-id", "4c4200005a110001")
    status, to = robin.send("/boards/who", address=url)
    assert status == 303
    until(lambda: "It is mine" in robin.ask("GET", f"{to}/part")[2])
    _, agreed = robin.send("/boards/accept", value=url)
    until(lambda: "may be used" in robin.ask("GET", f"{agreed}/part")[2])
    _, check = robin.send("/boards/check", address=url)
    until(lambda: "Hands off" in robin.ask("GET", f"{check}/part")[2])
    board, _ = robin._running[-1]
    board.kill()
    text = until(lambda: (t := robin.ask("GET", f"{check}/part")[2]) and "alert" in t and t)
    assert "Traceback" not in text
    # Whoever checks can also stop it.
    url = robin.board([], "--board-id", "4c4200005a110001")
    _, check = robin.send("/boards/check", address=url)
    until(lambda: "Hands off" in robin.ask("GET", f"{check}/part")[2])
    assert robin.send(check)[0] == 303
    until(lambda: "stopped" in robin.ask("GET", f"{check}/part")[2])


@pytest.fixture
def shared(tmp_path):
    """A desk that is seen in the network too, and its codes."""
    path = tmp_path / "data.db"
    with Store.open(path) as store:
        store.sets.import_file(load_set(ROBIN), at_utc_ns=1_760_000_000_000_000_000)
    with DeskServer(PageSettings(0, NETWORK, let_in=True), path) as server:
        server.start()
        server.wait_ready()
        assert server.failure is None
        yield server


def ask(server, method, path, body=None, cookie="", host=NETWORK):
    port = int(server.address.rsplit(":", 1)[1].rstrip("/"))
    connection = http.client.HTTPConnection(host, port, timeout=30)
    with contextlib.closing(connection):
        headers = {"Origin": f"http://{host}:{port}", "Cookie": cookie, "Content-Type": FORM}
        connection.request(method, path, body=body, headers=headers)
        answer = connection.getresponse()
        return answer.status, answer.headers, answer.read().decode()


def test_the_code_to_look_on_lets_nobody_act(shared):
    assert "Code" in ask(shared, "GET", "/players")[2]
    assert "Robin" not in ask(shared, "GET", "/players")[2]
    _, headers, _ = ask(shared, "GET", f"/?code={shared.codes.look}")
    looks = headers["set-cookie"].split(";")[0]
    assert "Robin Ashdown" in ask(shared, "GET", "/players", cookie=looks)[2]
    for path, body in (
        ("/players/1/delete", ""),
        ("/undo", "act=x"),
        ("/start", "set=1&stance=level&board=none"),
        ("/data/backup", ""),
        ("/leave", ""),
        ("/screen", ""),
    ):
        assert ask(shared, "POST", path, body, looks)[0] == 403, path
        assert ask(shared, "POST", path, body)[0] == 401, path
    # What it may not do is not offered either, nor are the codes.
    page = ask(shared, "GET", "/screen", cookie=looks)[2]
    assert shared.codes.act[:4] not in page
    _, headers, _ = ask(shared, "GET", f"/?code={shared.codes.act}")
    acts = headers["set-cookie"].split(";")[0]
    assert ask(shared, "POST", "/start", "set=1&stance=level&board=none", acts)[0] == 303
    assert ask(shared, "POST", "/sessions/1/end", "", looks)[0] == 403
    assert ask(shared, "POST", "/sessions/1/end", "", acts)[0] == 303


def test_many_ask_at_once_and_all_are_answered(shared):
    """While each of eight windows opens all views, acts are done one after the other."""
    answers: list[int] = []

    def look():
        answers.extend(
            ask(shared, "GET", path, host="127.0.0.1")[0]
            for path in ("/", "/players", "/sets/1", "/sessions", "/boards", "/data")
        )
        answers.append(
            ask(shared, "POST", "/start", "set=1&stance=unknown&board=none", host="127.0.0.1")[0]
        )

    threads = [threading.Thread(target=look) for _ in range(8)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert sorted(set(answers)) == [200, 303]
    with Store.open(shared._path, read_only=True) as store:
        assert len(store.sessions.all()) == 8
