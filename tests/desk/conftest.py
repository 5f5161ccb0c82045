"""A real desk in a process of its own, simulated boards beside it, and the system's Chromium."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import queue
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

import pytest
import pytest_asyncio
from playwright.async_api import Browser, Page, async_playwright

_QUIET = (
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-domain-reliability",
    "--disable-gpu",
    "--disable-sync",
    "--no-first-run",
    "--no-pings",
)
_WITHIN_S = 60.0


class Desk:
    """A folder with a data file, the desk that serves it, and boards, each a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.db = folder / "data.db"
        self.environment = {
            **os.environ,
            "LIEBOARD_DB": str(self.db),
            "NO_COLOR": "1",
            "PYTHONUNBUFFERED": "1",
        }
        self._running: list[tuple[subprocess.Popen[str], threading.Thread]] = []
        self._said: dict[int, queue.Queue[str]] = {}
        self._boards = 0
        self.address = ""
        self.port = 0

    def start(self, *options: str, port: int = 0) -> Desk:
        """Start the desk; it answers when this returns."""
        self.process = self._start("logger", "desk", "--no-browser", "--port", str(port), *options)
        found = re.search(r"http://127\.0\.0\.1:(\d+)/", self._line(self.process, "desk: "))
        assert found
        self.address, self.port = found.group().rstrip("/"), int(found[1])
        return self

    def stop(self) -> None:
        """Stop the desk as a polite kill does."""
        self.process.terminate()
        self.process.wait(_WITHIN_S)

    def board(self, events: Sequence[dict[str, Any]], *options: str) -> str:
        """Start a board that plays these contacts; return its address."""
        self._boards += 1
        script = self.folder / f"script{self._boards}.json"
        script.write_text(json.dumps({"events": events}))
        process = self._start(
            "simulators", "--stdin", "--wait-for-host", "--cell-faults", "none",
            "--script", str(script), "--boot", str(self._boards), *options,
        )  # fmt: skip
        return str(json.loads(self._line(process, "url"))["url"])

    def strike(self, **event: Any) -> None:
        """Have the board that was started last struck, or a head set down on it."""
        board, _ = self._running[-1]
        assert board.stdin is not None
        event = {"club": "7i", "depth_mm": 2.0, "lie_error_deg": 0.0, "c_mm": 0.0} | event
        board.stdin.write(f"strike {json.dumps(event)}\n")
        board.stdin.flush()

    def cli(self, *arguments: str) -> str:
        """Run a command on the same data file; return what it prints."""
        done = subprocess.run(
            [sys.executable, "-m", "logger", *arguments],
            env=self.environment, capture_output=True, text=True, timeout=_WITHIN_S, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout

    def ask(
        self, method: str, path: str, body: bytes | None = None, **headers: str
    ) -> tuple[int, http.client.HTTPMessage, str]:
        """Answer to one request: status, headers, text."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=_WITHIN_S)
        try:
            named = {name.replace("_", "-"): value for name, value in headers.items()}
            connection.request(method, path, body=body, headers=named)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read().decode()
        finally:
            connection.close()

    def send(self, path: str, _origin: str | None = None, **fields: str) -> tuple[int, str]:
        """Send a form as a browser would; return status and text, or where it leads."""
        status, headers, text = self.ask(
            "POST", path, urlencode(fields).encode(),
            Content_Type="application/x-www-form-urlencoded",
            Origin=self.address if _origin is None else _origin,
        )  # fmt: skip
        return status, headers.get("location") or text

    def close(self) -> None:
        for process, reader in reversed(self._running):
            if process.poll() is None:
                process.terminate()
            process.wait(20)
            reader.join(20)
            for stream in (process.stdin, process.stdout):
                assert stream is not None
                stream.close()

    def _start(self, module: str, *arguments: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", module, *arguments],
            env=self.environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        said: queue.Queue[str] = queue.Queue()
        reader = threading.Thread(target=_listen, args=(process, said), daemon=True)
        reader.start()
        self._running.append((process, reader))
        self._said[process.pid] = said
        return process

    def _line(self, process: subprocess.Popen[str], with_words: str) -> str:
        """Return the next line that has these words."""
        said: list[str] = []
        until = time.monotonic() + _WITHIN_S
        while time.monotonic() < until:
            with contextlib.suppress(queue.Empty):
                said.append(self._said[process.pid].get(timeout=0.5))
                if with_words in said[-1]:
                    return said[-1]
            if process.poll() is not None and self._said[process.pid].empty():
                break
        raise AssertionError(f"no {with_words!r} in {said}")


def _listen(process: subprocess.Popen[str], said: queue.Queue[str]) -> None:
    """Read what a process says for as long as it lives, so that it never waits for a reader."""
    assert process.stdout is not None
    for line in process.stdout:
        said.put(line)


@pytest.fixture(scope="session")
def new_desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[], Desk]]:
    """Make desks; their processes end with the tests."""
    desks: list[Desk] = []

    def make() -> Desk:
        desks.append(Desk(tmp_path_factory.mktemp("desk")))
        return desks[-1]

    yield make
    for one in desks:
        one.close()


ROBIN = Path(__file__).parents[2] / "examples" / "robin_ashdown.toml"


@pytest.fixture(scope="session")
def robin_toml() -> Path:
    """Return an invented player's set file."""
    return ROBIN


@pytest.fixture(scope="session")
def desk(new_desk: Callable[[], Desk]) -> Desk:
    """Return a desk on which tests that only look, or clear up after them, may be."""
    one = new_desk()
    one.cli("set", "import", str(ROBIN))
    return one.start()


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def browser() -> AsyncIterator[Browser]:
    program = shutil.which("chromium")
    assert program, "install chromium: these tests run the real one"
    async with async_playwright() as playwright:
        chromium = await playwright.chromium.launch(executable_path=program, args=list(_QUIET))
        yield chromium
        await chromium.close()


@pytest_asyncio.fixture(loop_scope="session")
async def view(browser: Browser) -> AsyncIterator[Callable[..., Any]]:
    """Open a window; what it logs as an error, and any request to elsewhere, fails the test."""
    errors: list[str] = []
    asked: list[str] = []
    contexts = []

    async def open_page(url: str, width: int = 1280, height: int = 800, **options: Any) -> Page:
        context = await browser.new_context(
            viewport={"width": width, "height": height}, **{"reduced_motion": "reduce", **options}
        )
        context.set_default_timeout(_WITHIN_S * 1000)
        contexts.append(context)
        page = await context.new_page()
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on(
            "console",
            lambda said: errors.append(said.text) if said.type in ("error", "warning") else None,
        )
        page.on("request", lambda request: asked.append(request.url))
        await page.goto(url)
        return page

    yield open_page
    for context in contexts:
        await context.close()
    # The browser itself says so of an answer that is not 200; what the page shows is tested.
    assert [words for words in errors if "Failed to load resource" not in words] == []
    assert {urlsplit(url).hostname for url in asked} <= {"127.0.0.1"}
