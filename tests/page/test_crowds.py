"""Neighbours who hold connections: none of them keeps the others out, or the logging short."""

import contextlib
import socket
import time

import pytest

from logger.page import protocol
from logger.page.protocol import Connections

NETWORK = "127.0.0.2"


@pytest.fixture
def shared(bay, serve, monkeypatch):
    # The limits of time are what they are; a test need not wait for all of ten seconds.
    monkeypatch.setattr(protocol, "_REQUEST_S", 1.0)
    monkeypatch.setattr(protocol, "_LOOK_EVERY_S", 0.1)
    bay.set_of().begin().strike(1.0)
    return serve(share=True)


def connect(port, said=b"", source="127.0.0.3"):
    made = socket.create_connection((NETWORK, port), source_address=(source, 0))
    made.sendall(said)
    return made


def is_cut(one):
    one.setblocking(False)
    try:
        while one.recv(65536):
            pass
        return True
    except BlockingIOError:
        return False
    except ConnectionError:
        return True


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"GET / HTTP/1.1\r\nHost: x",
        b"POST /enter HTTP/1.1\r\nHost: 127.0.0.2:%d\r\nOrigin: http://127.0.0.2:%d\r\n"
        b"Content-Length: 900\r\n\r\ncode=",
    ],
    ids=["nothing", "half a head", "half a body"],
)
def test_who_does_not_finish_a_request_is_cut(shared, said):
    port = shared.port
    with connect(port, said.replace(b"%d", b"%d" % port)) as one:
        end = time.monotonic() + 10
        while not is_cut(one):
            assert time.monotonic() < end
            # A byte now and then is no request either.
            with contextlib.suppress(OSError):
                one.send(b"x")
            time.sleep(0.1)


def test_a_second_request_must_be_finished_too(shared):
    port = shared.port
    ask = b"GET /assets/page.css HTTP/1.1\r\nHost: 127.0.0.2:%d\r\n\r\n" % port
    with connect(port, ask) as one:
        assert one.recv(100).startswith(b"HTTP/1.1 200")
        one.sendall(b"GET / HTTP")
        end = time.monotonic() + 10
        one.settimeout(10)
        with contextlib.suppress(ConnectionError):
            while one.recv(65536):
                assert time.monotonic() < end


def test_a_body_that_is_too_long_is_refused_before_it_comes(shared):
    port = shared.port
    head = b"POST /enter HTTP/1.1\r\nHost: 127.0.0.2:%d\r\nOrigin: http://127.0.0.2:%d\r\n"
    with connect(port, head % (port, port) + b"Content-Length: 100000000\r\n\r\n") as one:
        assert one.recv(100).startswith(b"HTTP/1.1 413")


def test_many_connections_of_one_neighbour_keep_nobody_out(shared):
    """From one address; a viewer of another, and who sits at the computer, are answered."""
    with contextlib.ExitStack() as stack:
        crowd = [stack.enter_context(connect(shared.port)) for _ in range(200)]
        code = shared.server.lines[1].split("code=")[1].split()[0]
        status, headers, _ = shared.ask("GET", f"/?code={code}", host=NETWORK)
        assert status == 200
        assert "Set-Cookie" in headers
        assert shared.state()["strikes"]
        held = sum(not is_cut(one) for one in crowd)
    assert held <= 64


def test_the_one_with_most_goes_first_and_who_was_let_in_stays():
    class Transport:
        def __init__(self, client):
            self.client, self.cut = client, False

        def get_extra_info(self, name):
            return None

        def abort(self):
            self.cut = True

    connections = Connections(most=20, strangers=4)
    made = []

    def come(host):
        made.append(Transport((host, len(made))))
        connections.add(made[-1].client, made[-1])
        return made[-1]

    viewer = come("192.0.2.1")
    connections.let_in(viewer.client)
    quiet = come("192.0.2.2")
    crowd = [come("192.0.2.3") for _ in range(50)]
    assert not viewer.cut
    assert not quiet.cut
    assert [one.cut for one in crowd] == [True] * 47 + [False] * 3
