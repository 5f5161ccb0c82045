"""Who gets in: addresses, names, origins, codes, paths. Real requests to a real socket."""

import urllib.parse

import pytest

from logger.errors import UsageError
from logger.page.guard import MOST_SESSIONS, Codes, Leave, LongLineError, TooManyGuessesError
from logger.page.sockets import bind_places

MINUTE_NS = 60 * 10**9


@pytest.fixture
def page(bay, serve):
    bay.set_of().begin().strike(1.0)
    return serve()


@pytest.fixture
def shared(bay, serve):
    """A page in the network, and one helper let in; ``host`` there is ``network``."""
    bay.set_of().begin().strike(1.0)
    return serve(share=True, let_in=True)


@pytest.fixture
def network():
    # Stands for an address in the network: it is not the one that this computer is trusted on.
    return "127.0.0.2"


# -- names and origins ----------------------------------------------------------------------


def test_another_name_is_refused(page):
    """DNS rebinding: the browser is told that our address is theirs, and says their name."""
    port = page.port
    for host in (f"evil.example:{port}", "127.0.0.1", "localhost:1", "", f"192.0.2.7:{port}"):
        for path in ("/", "/state", "/events", "/assets/main.js"):
            status, _, body = page.ask("GET", path, headers={"Host": host})
            assert status == 403, (host, path)
            assert b"Ada" not in body


def test_two_names_are_refused(page):
    answer = page.raw(
        b"GET /state HTTP/1.1\r\nHost: localhost:%d\r\nHost: evil.example\r\n"
        b"Connection: close\r\n\r\n" % page.port
    )
    assert answer.split(b" ")[1] in (b"400", b"403")
    assert b"Ada" not in answer


def test_our_own_names_are_answered(page):
    for name in ("localhost", "LocalHost", "127.0.0.1"):
        assert page.ask("GET", "/state", headers={"Host": f"{name}:{page.port}"})[0] == 200


def test_another_pages_requests_are_refused(page, bay):
    for name, value in (
        ("Origin", "http://evil.example"),
        ("Origin", "null"),
        ("Origin", f"https://127.0.0.1:{page.port}"),
        ("Origin", "http://127.0.0.1:1"),
        ("Sec-Fetch-Site", "cross-site"),
        ("Sec-Fetch-Site", "same-site"),
    ):
        for path in ("/events", "/state"):
            assert page.ask("GET", path, headers={name: value})[0] == 403, value
        body = {"Content-Type": "application/json", name: value}
        assert page.ask("POST", "/act", b'{"act":"take_back"}', body)[0] == 403, value
    assert bay.contact(1).used


def test_a_link_from_anywhere_leads_to_the_page(shared, network):
    """Followed in a mail or a chat on the web: the browser says that it comes from another site."""
    look, _ = codes_of(shared)
    elsewhere = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    status, headers, body = shared.ask("GET", f"/?code={look}", None, elsewhere, network)
    assert (status, cookie_of(headers).startswith("lieboard_")) == (200, True)
    # The cookie is only sent with what our own page asks for: so it asks, and no redirect does.
    assert b'http-equiv="refresh" content="0;url=/"' in body
    assert shared.ask("GET", "/state", None, elsewhere, network)[0] == 403


def test_asking_for_the_heads_of_events_ends(page):
    status, headers, body = page.ask("HEAD", "/events")
    assert (status, body) == (200, b"")
    assert headers["Content-Type"].startswith("text/event-stream")


def test_an_act_must_say_where_it_comes_from(page, bay):
    body = {"Content-Type": "application/json"}
    assert page.ask("POST", "/act", b'{"act":"take_back"}', body)[0] == 403
    # What a form on any page could send.
    origin = {"Origin": f"http://127.0.0.1:{page.port}", "Content-Type": "text/plain"}
    assert page.ask("POST", "/act", b'{"act":"take_back"}', origin)[0] == 415
    assert bay.contact(1).used


# -- answers --------------------------------------------------------------------------------


def test_every_answer_is_locked_down(page):
    for path in ("/", "/state", "/assets/main.js", "/nothing", "/assets/none.js"):
        status, headers, _ = page.ask("GET", path)
        assert status in (200, 404)
        policy = headers["Content-Security-Policy"]
        assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'")
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["Cache-Control"] == "no-store"
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert "Access-Control-Allow-Origin" not in headers


def test_no_way_out_of_the_assets(page):
    for path in (
        "/assets/../messages.py",
        "/assets/..%2fmessages.py",
        "/assets/%2e%2e/messages.py",
        "/assets/..%5cmessages.py",
        "/assets//etc/passwd",
        "/assets/%2fetc%2fpasswd",
        "/../../../../etc/passwd",
        "/assets/.",
        "/assets/main.js%00.html",
        "/assets/",
    ):
        answer = page.raw(
            b"GET %s HTTP/1.1\r\nHost: localhost:%d\r\nConnection: close\r\n\r\n"
            % (path.encode(), page.port)
        )
        assert answer.split(b" ")[1] in (b"400", b"404"), path
        assert b"import" not in answer
        assert b"root:" not in answer


def test_names_with_markup_are_text(bay, serve):
    name = '<img src=x onerror="alert(1)">\u2028</script>'
    bay.set_of(player=name).begin()
    page = serve()
    _, headers, body = page.ask("GET", "/state")
    assert headers["Content-Type"] == "application/json"
    assert page.state()["state"]["session"]["player"] == name
    # The page itself holds nothing that anybody typed.
    assert b"onerror" not in page.ask("GET", "/")[2]
    assert b"\n" not in body


# -- codes ----------------------------------------------------------------------------------


def codes_of(page):
    """The codes as the fitter reads them."""
    look = urllib.parse.parse_qs(page.server.lines[1].split("?")[1].split(" ")[0])["code"][0]
    return look, page.server.lines[2].rsplit(" ", 1)[1]


def enter(page, host, code):
    body = urllib.parse.urlencode({"code": code})
    origin = {
        "Origin": f"http://{host}:{page.port}",
        "Content-Type": "application/x-www-form-urlencoded",
    }
    return page.ask("POST", "/enter", body, origin, host)


def cookie_of(headers):
    return headers["Set-Cookie"].split(";")[0]


def test_without_the_code_nothing_is_shown(shared, network):
    status, _, body = shared.ask("GET", "/", host=network)
    assert (status, b'action="/enter"' in body) == (200, True)
    assert shared.ask("GET", "/state", host=network)[0] == 401
    assert shared.view(host=network).answer.status == 401
    assert shared.act({"act": "take_back"}, host=network)[0] == 403
    forged = {"Cookie": f"lieboard_{shared.port}=" + "A" * 43}
    assert shared.ask("GET", "/state", headers=forged, host=network)[0] == 401


def test_the_address_with_the_code_lets_look_on(shared, network, bay):
    look, _ = codes_of(shared)
    status, headers, _ = shared.ask("GET", f"/?code={look}", host=network)
    assert status == 200
    attributes = {part.strip().lower() for part in headers["Set-Cookie"].split(";")}
    assert {"httponly", "samesite=strict", "path=/"} <= attributes
    cookie = cookie_of(headers)
    assert not shared.state(headers={"Cookie": cookie}, host=network)["state"]["may_act"]
    viewer = shared.view(host=network, cookie=cookie)
    assert not viewer.state()["may_act"]
    status, words = shared.act({"act": "take_back"}, host=network, cookie=cookie)
    assert (status, words) == (403, "you may only look on here")
    assert bay.contact(1).used
    # Who sits at the computer sees the same and may act.
    assert shared.state()["state"]["may_act"]


def test_the_second_code_lets_one_act(shared, network, bay):
    _, act = codes_of(shared)
    status, headers, _ = enter(shared, network, f" {act.lower()} ")
    assert (status, headers["Location"]) == (303, "/")
    cookie = cookie_of(headers)
    viewer = shared.view(host=network, cookie=cookie)
    assert viewer.state()["may_act"]
    status, words = shared.act({"act": "take_back"}, host=network, cookie=cookie)
    assert (status, words) == (200, "took back: strike 1 (+1.0 mm)")
    assert not bay.contact(1).used
    # Used up: the next one who has it does not get in.
    assert enter(shared, network, act)[0] == 403


def test_guessing_is_limited(shared, network):
    for _ in range(5):
        status, headers, body = enter(shared, network, "BBB-BBB")
        assert (status, headers["Set-Cookie"]) == (403, None)
        assert b"that is not the code" in body
    look, _ = codes_of(shared)
    status, headers, body = enter(shared, network, look)
    assert (status, headers["Set-Cookie"]) == (429, None)
    assert b"wait" in body


def test_what_was_typed_does_not_come_back(shared, network):
    assert b"<script>" not in enter(shared, network, "<script>alert(1)</script>")[2]


def test_fetching_ahead_uses_nothing_up(shared, network):
    look, _ = codes_of(shared)
    headers = shared.ask("GET", f"/?code={look}", None, {"Sec-Purpose": "prefetch"}, network)[1]
    assert headers["Set-Cookie"] is None
    assert shared.ask("HEAD", f"/?code={look}", host=network)[1]["Set-Cookie"] is None


def test_codes_are_new_each_time_and_hard_to_guess():
    made = {Codes(let_in=False).look for _ in range(200)}
    assert len(made) == 200
    assert all(len(code) == 8 and not set(code) & set("AEIOU01") for code in made)


def test_guesses_by_the_clock():
    codes = Codes(let_in=False)
    now = 5 * MINUTE_NS
    for _ in range(5):
        assert codes.exchange("BBBBBB", "192.0.2.1", now) is None
    with pytest.raises(TooManyGuessesError):
        codes.exchange(codes.look, "192.0.2.1", now + 9 * MINUTE_NS)
    token = codes.exchange(codes.look, "192.0.2.1", now + 11 * MINUTE_NS)
    assert codes.leave_of(token) is Leave.LOOK


def test_in_a_flood_of_wrong_codes_the_right_one_waits_its_turn():
    """A whole network of 254 guesses without rest, each address its one try at a time."""
    codes = Codes(let_in=False)
    now = 0
    guesses = 0
    waits = {}
    for second in range(120):
        now = second * 10**9
        for viewer in [v for v, due in waits.items() if due <= now]:
            codes.leave_line(viewer)
            del waits[viewer]
            guesses += 1
        for number in range(254):
            viewer = f"192.0.2.{number}"
            if viewer not in waits:
                waits[viewer] = now + codes.take_turn(viewer, now)
    # No more than twenty a second are looked at, whoever guesses.
    assert guesses <= 120 * 20
    with pytest.raises(LongLineError):
        codes.take_turn("192.0.2.7", now)
    wait_ns = codes.take_turn("198.51.100.1", now)
    assert wait_ns < 20 * 10**9
    token = codes.exchange(codes.look, "198.51.100.1", now + wait_ns)
    assert codes.leave_of(token) is Leave.LOOK


def test_a_guesser_does_not_keep_others_out():
    codes = Codes(let_in=False)
    for _ in range(5):
        codes.exchange("BBBBBB", "192.0.2.1", 0)
    with pytest.raises(TooManyGuessesError):
        codes.exchange(codes.look, "192.0.2.1", 0)
    assert codes.exchange(codes.look, "192.0.2.2", 0)


def test_who_acts_keeps_the_place_when_many_come():
    codes = Codes(let_in=True)
    acts = codes.exchange(codes.act or "", "192.0.2.1", 0)
    first = codes.exchange(codes.look, "192.0.2.2", 0)
    for _ in range(MOST_SESSIONS):
        codes.exchange(codes.look, "192.0.2.3", 0)
    assert codes.leave_of(acts) is Leave.ACT
    assert codes.leave_of(first) is Leave.NONE
    assert codes.leave_of(None) is Leave.NONE


def test_the_address_with_the_code_is_replaced(shared, network):
    look, _ = codes_of(shared)
    _, headers, body = shared.ask("GET", f"/?code={look}", host=network)
    assert b'<script src="/assets/onward.js">' in body
    cookie = {"Cookie": cookie_of(headers)}
    assert b"location.replace" in shared.ask("GET", "/assets/onward.js", None, cookie, network)[2]


# -- ports ----------------------------------------------------------------------------------


def test_a_taken_port_gives_way_to_the_next(page, serve):
    other = serve(wanted_port=page.port)
    assert page.port < other.port <= page.port + 20
    assert f"port {page.port} is taken" in other.server.lines[0]
    assert f"http://127.0.0.1:{other.port}/" in other.server.lines[0]
    assert other.state()["strikes"]


def test_an_address_that_is_not_ours_is_refused():
    with pytest.raises(UsageError, match=r"192\.0\.2\.77: this computer has no such address"):
        bind_places(0, share_on="192.0.2.77")


def test_this_computer_only_unless_shared(page, network):
    with pytest.raises(ConnectionRefusedError):
        page.ask("GET", "/", host=network)
