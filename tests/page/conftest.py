"""A live page on a real socket, the data file it shows, and viewers that speak plain HTTP."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from logger.page.acts import FileActor
from logger.page.server import PageServer, PageSettings
from logger.session.logging.fitting import FittingSession
from logger.session.logging.opening import Circumstances, open_session
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.rows import NewStrike
from logger.store.store import Store

START_NS = 1_750_000_000 * 10**9
SECOND_NS = 10**9
# Stands for an address in the network: it is not the one that this computer is trusted on.
NETWORK = "127.0.0.2"
WAIT_S = 30.0


@dataclass
class Event:
    """One server-sent event as a browser would hand it on."""

    kind: str
    message: dict[str, Any]
    id: int | None


class Viewer:
    """A browser's end of ``/events``."""

    def __init__(self, host: str, port: int, last_id: int | None = None, cookie: str = "") -> None:
        self._connection = http.client.HTTPConnection(host, port, timeout=WAIT_S)
        headers = {} if last_id is None else {"Last-Event-ID": str(last_id)}
        if cookie:
            headers["Cookie"] = cookie
        self._connection.request("GET", "/events", headers=headers)
        self.answer = self._connection.getresponse()
        self.last_id = last_id

    def next(self) -> Event | None:
        """The next event; None when the server has closed."""
        kind, data, number = "", "", None
        while True:
            line = self.answer.readline().decode()
            if not line:
                return None
            text = line.rstrip("\n")
            field, _, value = text.partition(": ")
            if field == "event":
                kind = value
            elif field == "data":
                data = value
            elif field == "id":
                number = int(value)
                self.last_id = number
            elif not text and kind:
                return Event(kind, json.loads(data), number)

    def until(self, wanted) -> Event:
        """The first event for which ``wanted`` holds."""
        end = time.monotonic() + WAIT_S
        while time.monotonic() < end:
            event = self.next()
            assert event is not None, "the server closed"
            if wanted(event):
                return event
        pytest.fail("what was waited for never came")

    def strikes(self) -> Event:
        return self.until(lambda event: event.kind == "strikes")

    def state(self, wanted=lambda state: True) -> dict[str, Any]:
        """The first state that is up to date and for which ``wanted`` holds."""
        return self.until(
            lambda e: e.kind == "state" and e.message["up_to_date"] and wanted(e.message)
        ).message

    def close(self) -> None:
        self.answer.close()
        self._connection.close()


class Bay:
    """A data file with a set, and what happens in its session."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.store = Store.open(path)
        self.session: FittingSession | None = None
        self._boot = self.store.boards.remember_boot(
            board_key="text:bench", boot_key="1", name="bench", hello=None, seen_utc_ns=START_NS
        )
        self._struck = 0

    def set_of(self, player="Ada Lindqvist", labels=("6i", "7i", "8i", "9i"), hand="right"):
        clubs = [
            Club(label, ClubSpec(length_mm=960.0 - 12.7 * i, lie_deg=61.0 + 0.5 * i))
            for i, label in enumerate(labels)
        ]
        self.store.sets.import_file(
            SetFile(player, hand, "irons", labels[1], 0.5, tuple(clubs)), at_utc_ns=START_NS
        )
        return self

    def begin(self, at_ns=START_NS):
        self.session = open_session(
            self.store,
            player=None,
            set_name=None,
            now_utc_ns=at_ns,
            circumstances=Circumstances(),
            always_new=True,
        )
        return self

    def strike(self, *toes_mm, trail_mm=None, reason=None):
        """File strikes under the club that is up; return their ids."""
        assert self.session is not None
        ids = []
        for toe_mm in toes_mm:
            self._struck += 1
            made = NewStrike(
                first_sequence=self._struck,
                last_sequence=self._struck,
                struck_utc_ns=self.session.row.started_utc_ns + self._struck * SECOND_NS,
                kind="strike",
                toe_mm=toe_mm,
                board_mm=toe_mm,
                trail_mm=trail_mm,
                load=None,
                span_us=None,
                flags=0,
                method_version="test",
                rule_reason=reason,
            )
            ids += self.store.strikes.file(
                self.session.row.id,
                self._boot,
                [made],
                from_sequence=self._struck,
                to_sequence=self._struck,
            )
        return ids

    def up(self, label):
        """Put a club up for what is struck from now on."""
        after = self.session.row.started_utc_ns + self._struck * SECOND_NS + 1
        self.session.choose_club(label, after)

    def hit_all(self, **toes_mm):
        """Six strikes of each club about a place; names with an underscore before the digit."""
        for label, toe in toes_mm.items():
            self.up(label.strip("_"))
            self.strike(*(toe + d for d in (-1.0, 0.0, 0.5, 1.0, -0.5, 0.0)))

    def forget(self, strike_number):
        """Let a strike be worked out to be none."""
        self.store.strikes.file(
            self.session.row.id,
            self._boot,
            [],
            from_sequence=strike_number,
            to_sequence=strike_number,
        )

    def contact(self, strike):
        return self.store.strikes.get("board", strike)


class Page:
    """A page that is served, and plain requests to it."""

    def __init__(self, server: PageServer) -> None:
        self.server = server
        self.port = int(server.address.rsplit(":", 1)[1].rstrip("/"))
        self._viewers: list[Viewer] = []

    def view(self, last_id=None, host="127.0.0.1", cookie="") -> Viewer:
        self._viewers.append(Viewer(host, self.port, last_id, cookie))
        return self._viewers[-1]

    def ask(self, method, path, body=None, headers=None, host="127.0.0.1"):
        """Answer to one request: status, headers, body."""
        connection = http.client.HTTPConnection(host, self.port, timeout=WAIT_S)
        try:
            connection.request(method, path, body=body, headers=headers or {})
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read()
        finally:
            connection.close()

    def act(self, act, host="127.0.0.1", cookie="", **headers):
        body = act if isinstance(act, bytes) else json.dumps(act).encode()
        own = {
            "Content-Type": "application/json",
            "Origin": f"http://{host}:{self.port}",
            "Cookie": cookie,
        } | headers
        status, _, answer = self.ask("POST", "/act", body, own, host)
        return status, json.loads(answer)["words"]

    def state(self, **more):
        return json.loads(self.ask("GET", "/state", **more)[2])

    def raw(self, request: bytes, host="127.0.0.1") -> bytes:
        """Answer to bytes that no library would send."""
        with socket.create_connection((host, self.port), timeout=WAIT_S) as line:
            line.sendall(request)
            answer = b""
            while piece := line.recv(65536):
                answer += piece
        return answer

    def close(self) -> None:
        self.server.stop()
        for viewer in self._viewers:
            viewer.close()
        assert self.server.failure is None


@pytest.fixture
def bay(tmp_path):
    """A data file without a set."""
    made = Bay(tmp_path / "data.db")
    yield made
    made.store.close()


@pytest.fixture
def serve(bay):
    """Serve the bay's data file; all pages end with the test."""
    with contextlib.ExitStack() as stack:

        def begin(
            session=None, acting=True, wanted_port=0, share=False, let_in=False, **more
        ) -> Page:
            actor = FileActor(bay.store) if acting else None
            on = NETWORK if share else None
            server = PageServer(PageSettings(wanted_port, on, let_in, **more))
            page = Page(server)
            stack.callback(page.close)
            server.start(bay.path, session=session, actor=actor)
            return page

        yield begin
