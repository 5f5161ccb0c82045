"""The page begins and ends cleanly, whoever is connected and whatever goes wrong."""

import socket
import threading
import time

from logger.page.server import PageServer, PageSettings
from logger.page.sockets import bind_places


def threads():
    return {t for t in threading.enumerate() if t.name.startswith(("lieboard", "asyncio"))}


def test_viewers_are_told_and_nothing_is_left(bay, serve):
    bay.set_of().begin().strike(1.0)
    before = threads()
    page = serve()
    viewers = [page.view() for _ in range(3)]
    for viewer in viewers:
        viewer.strikes()
    # Connected, and not a word: no request, half a request, a request whose answer nobody reads.
    silent = [socket.create_connection(("127.0.0.1", page.port)) for _ in range(3)]
    silent[1].sendall(b"GET /sta")
    silent[2].sendall(b"GET /events HTTP/1.1\r\nHost: localhost:%d\r\n\r\n" % page.port)
    began = time.monotonic()
    page.server.stop()
    took_s = time.monotonic() - began
    for viewer in viewers:
        gone = viewer.until(lambda event: event.kind == "gone")
        assert gone.message["words"]
        assert viewer.next() is None
    assert threads() == before
    # The port is free at once.
    bind_places(page.port).close()
    for line in silent:
        line.close()
    # Far below the patience of whoever pressed Ctrl-C, also on a busy machine.
    assert took_s < 20


def test_stopped_before_it_was_loaded(bay):
    bay.set_of().begin()
    with PageServer(PageSettings(0)) as server:
        server.start(bay.path, session=None, actor=None)
    assert server.failure is None


def test_never_started():
    with PageServer(PageSettings(0)) as server:
        port = int(server.address.rsplit(":", 1)[1].rstrip("/"))
    bind_places(port).close()


def test_a_file_that_is_not_there_ends_only_the_page(bay, tmp_path):
    from logger.errors import StoreError

    told = []
    with PageServer(PageSettings(0)) as server:
        server.start(tmp_path / "none.db", session=None, actor=None, failed=told.append)
        server.wait_ready()
        assert server.wait(30)
    assert isinstance(server.failure, StoreError)
    assert told == [server.failure]


def test_a_file_that_cannot_be_read_for_a_while_is_said(bay, serve):
    bay.set_of().begin().strike(1.0)
    viewer = serve().view()
    viewer.state()
    with bay.store.file.writing() as connection:
        connection.execute("ALTER TABLE turns RENAME TO turned")
    trouble = viewer.until(lambda e: e.kind == "state" and e.message["hints"])
    assert str(bay.path) in trouble.message["hints"][0]
    with bay.store.file.writing() as connection:
        connection.execute("ALTER TABLE turned RENAME TO turns")
    viewer.state(lambda s: not any(str(bay.path) in hint for hint in s["hints"]))
    bay.strike(2.0)
    assert viewer.strikes().message["strikes"][0]["toe_mm"] == 2.0


def test_too_many_viewers_are_turned_away(bay, serve):
    bay.set_of().begin()
    page = serve(most_viewers=2)
    kept = [page.view() for _ in range(2)]
    for viewer in kept:
        viewer.strikes()
    assert page.view().answer.status == 503
    kept[0].close()
    until = time.monotonic() + 30
    while (late := page.view()).answer.status != 200:
        assert time.monotonic() < until
        time.sleep(0.05)
    late.strikes()
