"""A real browser on the real page: a simulated board, ``lieboard log --page``, and Chromium.

The browser is the system's own (``apt install chromium``). One is started for all tests of a
process; its own background traffic is switched off.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import pytest_asyncio
from playwright.async_api import Browser, Page, async_playwright

from logger.setfiles import load_set
from logger.store.store import Store

EXAMPLE_SET = Path(__file__).parents[2] / "examples" / "robin_ashdown.toml"
_QUIET = (
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-domain-reliability",
    # Nor does it look for a graphics card.
    "--disable-gpu",
    "--disable-sync",
    "--no-first-run",
    "--no-pings",
)
_WITHIN_S = 60.0


# Whether the page has drawn this many strikes that count, or more.
SEES = "(count) => Number(document.getElementById('used').textContent) >= count"


class Bay:
    """A data file, simulated boards and the logger with its page, each a process of its own."""

    def __init__(self, folder: Path, set_file: Path) -> None:
        self.folder = folder
        self._environment = {
            **os.environ,
            "LIEBOARD_DB": str(folder / "data.db"),
            "NO_COLOR": "1",
            "PYTHONUNBUFFERED": "1",
        }
        self._running: list[tuple[subprocess.Popen[str], threading.Thread]] = []
        self._said: dict[int, queue.Queue[str]] = {}
        self.address = ""
        self._logger: subprocess.Popen[str] | None = None
        self._truths: list[Path] = []
        with Store.open(folder / "data.db") as store:
            store.sets.import_file(load_set(set_file), at_utc_ns=1_760_000_000_000_000_000)

    def count(self, sql: str) -> int:
        """Look into the data file as any SQLite browser would."""
        file = sqlite3.connect(f"file:{self.folder / 'data.db'}?mode=ro", uri=True)
        with contextlib.closing(file):
            return int(file.execute(sql).fetchone()[0])

    def wait_for(self, sql: str, count: int) -> None:
        """Wait until the data file has this many."""
        until = time.monotonic() + _WITHIN_S
        while self.count(sql) < count:
            assert time.monotonic() < until, f"{self.count(sql)} of {count}: {sql}"
            time.sleep(0.1)

    def board(self, events: Sequence[dict[str, Any]], *options: str) -> str:
        """Start a board that plays these contacts; return its address."""
        number = len(self._truths)
        script = self.folder / f"script{number}.json"
        script.write_text(json.dumps({"events": events}))
        self._truths.append(self.folder / f"truth{number}.jsonl")
        process = self._start(
            "simulators", "--stdin", "--wait-for-host", "--cell-faults", "none",
            "--script", str(script), "--truth", str(self._truths[-1]), *options,
        )  # fmt: skip
        return str(json.loads(self._line(process, "url"))["url"])

    def truth_mm(self) -> list[float]:
        """Where each strike really touched, in the order struck."""
        lines = [
            json.loads(line) for file in self._truths for line in file.read_text().splitlines()
        ]
        return [line["c_mm"] + line["toe_mm"] for line in lines if line["kind"] == "strike"]

    def log(self, url: str, *options: str, port: int = 0) -> str:
        """Start logging with the page; return the page's address."""
        self._logger = self._start(
            "logger", "log", url, "--accept", "--page", "--page-port", str(port), *options
        )
        line = self._line(self._logger, "http://")
        found = re.search(r"http://\S+", line)
        assert found, line
        self.address = found.group()
        return self.address

    def stop_logging(self) -> None:
        """Stop the logger as Ctrl-C does."""
        assert self._logger is not None
        self._logger.send_signal(signal.SIGINT)
        self._logger.wait(_WITHIN_S)

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
            env=self._environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
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
def new_bay(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Bay]]:
    """Make bays; their processes end with the tests."""
    bays: list[Bay] = []

    def make(set_file: Path = EXAMPLE_SET) -> Bay:
        bays.append(Bay(tmp_path_factory.mktemp("bay"), set_file))
        return bays[-1]

    yield make
    for bay in bays:
        bay.close()


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def browser() -> AsyncIterator[Browser]:
    program = shutil.which("chromium")
    assert program, "install chromium: these tests run the real one"
    async with async_playwright() as playwright:
        chromium = await playwright.chromium.launch(executable_path=program, args=list(_QUIET))
        yield chromium
        await chromium.close()


class Viewer:
    """A page in the browser, and what it did that no test wants to see."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.may_lose_line = False
        self.errors: list[str] = []
        self.asked_for: list[str] = []
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", self._hear)
        page.on("request", lambda request: self.asked_for.append(request.url))

    def _hear(self, message: Any) -> None:
        # A line that ends while it is being read: the browser itself says so, and the page cannot
        # keep it from it. What the page makes of it is tested.
        cut = re.search(r"net::ERR_(CONNECTION|INCOMPLETE|EMPTY|NETWORK|SOCKET)", message.text)
        if message.type in ("error", "warning") and not (self.may_lose_line and cut):
            self.errors.append(message.text)

    async def sees(self, count: int) -> None:
        """Wait until this many strikes count on the page."""
        await self.until(SEES, count)

    async def reads(self, element: str, words: str) -> None:
        """Wait until an element says this."""
        says = "([id, words]) => document.getElementById(id).textContent === words"
        await self.until(says, [element, words])

    async def until(self, script: str, argument: object = None) -> None:
        """Wait until a script says yes. Looking at every frame would keep the browser painting."""
        await self.page.wait_for_function(
            script, arg=argument, timeout=_WITHIN_S * 1000, polling=100
        )


@pytest_asyncio.fixture(loop_scope="session")
async def view(browser: Browser) -> AsyncIterator[Callable[..., Any]]:
    """Open a page as a viewer would; options are the browser's (size, light, motion)."""
    viewers = []

    async def open_page(url: str, width: int = 1180, height: int = 820, **options: Any) -> Viewer:
        context = await browser.new_context(
            viewport={"width": width, "height": height}, **{"reduced_motion": "reduce", **options}
        )
        context.set_default_timeout(_WITHIN_S * 1000)
        viewers.append(viewer := Viewer(await context.new_page()))
        await viewer.page.goto(url)
        await viewer.page.wait_for_selector("html[data-drawn]", state="attached")
        return viewer

    yield open_page
    for viewer in viewers:
        await viewer.page.context.close()
        assert viewer.errors == []
        assert {urlsplit(url).hostname for url in viewer.asked_for} == {"127.0.0.1"}


@pytest.fixture(scope="session")
def shown_bay(new_bay: Callable[..., Bay]) -> Bay:
    """Return a bay that has something of everything, for tests that only look."""
    bay = new_bay()
    events: list[dict[str, Any]] = []
    for club, middle_deg in (("7i", 0.4), ("4i", -1.6), ("5i", 0.2)):
        for place in range(5):
            error = middle_deg + 0.3 * (place - 2)
            events.append({"club": club, "lie_error_deg": error, "c_mm": 0.0, "depth_mm": 1.5})
        events.append({"button": "next", "after_ms": 300})
    # The fourth is the club that is up: nothing but a foot on the board.
    events.append(
        {"kind": "foot", "c_mm": 10, "width_mm": 95, "depth_mm": 2, "hold_ms": 300, "after_ms": 300}
    )
    bay.log(bay.board(events, "--pace", "0.25", "--rows", "2", "--battery"))
    # Tests that only look want it to stand still: a turn to the next club, still to come, would
    # bring whoever looks at another club back to the one that is up.
    bay.wait_for("SELECT count(*) FROM strikes", 16)
    return bay


@pytest.fixture(scope="session")
def shown(shown_bay: Bay) -> str:
    """Return the address of its page."""
    return shown_bay.address
