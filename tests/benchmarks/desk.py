"""How long whoever stands at the desk waits: for a page, for an act, for a strike.

::

    python tests/benchmarks/desk.py [--strikes 100000] [--seconds 20] [--swings 40] [--opens 5]

Real: ``lieboard desk`` in a process of its own, the system's Chromium without a graphics card, the
data file on a disk. Simulated: boards, each in a process of its own. All of it shares the machine.

``start``: from before the process begins to the first paint of its first page, in a browser that
was open. ``views``: from the click on an address to the first paint, on a file of so many contacts
in sessions a week apart (`years.copy_sessions`); the median of so many opens, of the slowest view
and of each. The very first open of a session's view works the session out, and is told apart
(``first_open_ms``). ``acts``: from the request to the answer, while two boards of
`simulators.load_boards` send 250 frames a second each, both sessions are shown to two viewers, and
every frame must be on the disk afterwards. ``wire_to_drawn``: as in `live`, at the desk's fitting.
The load of the machine stands beside it: run this with nothing else running. Takes some six
minutes. Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import http.client
import json
import os
import platform
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from urllib.parse import urlencode

from live import HEAR, StripBoard, TextBoard, latencies, share
from load import import_players, one, said_by
from playwright.async_api import Browser, Page, async_playwright
from years import copy_sessions, make_base, restore_triggers

from logger.setfiles import load_set
from logger.store.store import Store

ROOT = Path(__file__).parents[2]
SET_FILE = ROOT / "examples" / "robin_ashdown.toml"
PATIENCE_S = 180.0
STARTS = 5
RATE_HZ = 250
ACT_EVERY_S = 0.1
VIEWS = (
    "/", "/players", "/players/1", "/players/new", "/sets/1", "/start?set=1",
    "/sessions", "/sessions?page=5", "/sessions/{n}", "/sessions/{n}/strikes",
    "/sessions/{n}/strikes?at=60", "/sessions/{n}/sheet", "/sessions/{n}/bench",
    "/sessions/{n}/after", "/sessions/{n}/facts", "/boards", "/data", "/changes", "/screen",
)  # fmt: skip
HISTORY = "/sets/1/history"
DONE = "body:not(:has([data-working])) h1"
# Epoch milliseconds of the first paint with something on it.
PAINTED = """() => new Promise((tell) => {
    const look = () => {
        const [at] = performance.getEntriesByName('first-contentful-paint');
        if (at) tell(performance.timeOrigin + at.startTime);
        else setTimeout(look, 5);
    };
    look();
})"""


class RunningDesk:
    """A desk of one data file."""

    def __init__(self, db: Path) -> None:
        self.began_ms = time.time_ns() / 1e6
        self.process = subprocess.Popen(
            [sys.executable, "-m", "logger", "desk", "--no-browser", "--port", "0",
             "--db", str(db)],
            env={**os.environ, "PYTHONUNBUFFERED": "1", "NO_COLOR": "1"},
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        found = None
        while found is None:
            line = self.process.stdout.readline()
            assert line, "the desk ended"
            found = re.search(r"http://127\.0\.0\.1:(\d+)", line)
        self.address, self.port = found.group(), int(found[1])

    def send(self, path: str, body: str, kind: str) -> tuple[int, str]:
        """Send something as the page does; return status, and where it leads or what it says."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        with contextlib.closing(connection):
            headers = {"Origin": self.address, "Content-Type": kind}
            connection.request("POST", path, body=body.encode(), headers=headers)
            answer = connection.getresponse()
            text = answer.read().decode()
            return answer.status, answer.headers.get("location") or text

    def form(self, path: str, **fields: str) -> str:
        status, to = self.send(path, urlencode(fields), "application/x-www-form-urlencoded")
        assert status == 303, to
        return to

    def get(self, path: str) -> str:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        with contextlib.closing(connection):
            connection.request("GET", path)
            return connection.getresponse().read().decode()

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(60)
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextlib.asynccontextmanager
async def running(db: Path) -> AsyncIterator[RunningDesk]:
    desk = await asyncio.to_thread(RunningDesk, db)
    try:
        yield desk
    finally:
        await asyncio.to_thread(desk.close)


async def until(look: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not await asyncio.to_thread(look):
        assert time.monotonic() < end, "what was waited for never came"
        await asyncio.sleep(0.1)


async def opened(page: Page, url: str) -> float:
    """Open a view; return the milliseconds to its first paint."""
    begin = time.time_ns() / 1e6
    await page.goto(url, wait_until="commit")
    return float(await page.evaluate(PAINTED)) - begin


async def measure_start(browser: Browser, folder: Path) -> dict[str, object]:
    db = folder / "start.db"
    with Store.open(db) as store:
        store.sets.import_file(load_set(SET_FILE), at_utc_ns=time.time_ns())
    took = []
    for _ in range(STARTS):
        async with running(db) as desk:
            page = await browser.new_page()
            await page.goto(desk.address + "/", wait_until="commit")
            took.append(float(await page.evaluate(PAINTED)) - desk.began_ms)
            await page.close()
    return {"start_ms_median": round(statistics.median(took)), "start_ms_longest": round(max(took))}


async def measure_views(
    browser: Browser, folder: Path, strikes: int, opens: int, *, history: bool
) -> dict[str, object]:
    db = folder / "years.db"
    own = make_base(db)
    base = folder / "base.db"
    shutil.copy(db, base)
    copy_sessions(db, max(0, strikes // own - 1))
    restore_triggers(db, base)
    sessions = one(db, "SELECT COUNT(*) FROM sessions")
    medians: dict[str, float] = {}
    first: dict[str, float] = {}
    async with running(db) as desk:
        page = await browser.new_page()
        page.set_default_timeout(PATIENCE_S * 1000)
        for view in (*VIEWS, HISTORY) if history else VIEWS:
            if view == HISTORY:
                # A job with progress, where it takes long: wait until it has been made once.
                begin = time.monotonic()
                await page.goto(desk.address + view)
                await page.wait_for_url(desk.address + view, timeout=3_600_000)
                first[view] = 1000 * (time.monotonic() - begin)
            path = view.format(n=sessions // 2)
            begin = time.monotonic()
            await opened(page, desk.address + path)
            # A session that was never worked out says so first, and comes by itself.
            await page.wait_for_selector(DONE, state="attached")
            first.setdefault(view, 1000 * (time.monotonic() - begin))
            took = [await opened(page, desk.address + path) for _ in range(opens)]
            medians[view] = statistics.median(took)
        await page.close()
    return {
        "file_mb": round(db.stat().st_size / 1e6), "sessions": sessions,
        "contacts": one(db, "SELECT COUNT(*) FROM strikes"),
        "slowest_view_ms_median": round(max(medians.values())),
        "slowest_view": max(medians, key=lambda view: medians[view]),
        "view_ms_median": {view: round(ms) for view, ms in medians.items()},
        "first_open_ms": {view: round(ms) for view, ms in first.items()},
    }  # fmt: skip


def start_boards() -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "simulators.load_boards", "--boards", "2", "--rate", str(RATE_HZ)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip


async def measure_acts(browser: Browser, folder: Path, seconds: float) -> dict[str, object]:
    db = folder / "acts.db"
    import_players(db, folder, 2)
    load = await asyncio.to_thread(start_boards)
    assert load.stdin is not None
    try:
        urls = (await asyncio.to_thread(said_by, load))["urls"]
        async with running(db) as desk:
            pages = []
            for number, url in enumerate(urls, start=1):
                await begin(desk, str(number), url)
                for _ in range(2):
                    page = await browser.new_page()
                    await page.goto(f"{desk.address}/sessions/{number}")
                    await page.wait_for_selector("html[data-drawn]", state="attached")
                    pages.append(page)
            # The first questions about the clocks are over.
            await asyncio.sleep(3)
            load.stdin.write(f"go {seconds}\n")
            load.stdin.flush()
            took_ms: list[float] = []
            refused = 0
            end = time.monotonic() + seconds
            while time.monotonic() < end:
                act = {"act": "mark", "club": "7i", "toe_mm": len(took_ms) % 9 - 4, "trail_mm": 0}
                if len(took_ms) % 2:
                    act = {"act": "note", "text": f"note {len(took_ms)}"}
                path = f"/sessions/{1 + len(took_ms) // 2 % 2}/act"
                began = time.monotonic()
                status, _ = await asyncio.to_thread(
                    desk.send, path, json.dumps(act), "application/json"
                )
                took_ms.append(1000 * (time.monotonic() - began))
                refused += status != 200
                await asyncio.sleep(ACT_EVERY_S)
            report = await asyncio.to_thread(said_by, load)
            for page in pages:
                await page.close()
    finally:
        load.stdin.write("quit\n")
        load.stdin.flush()
        load.wait(60)
        for stream in (load.stdin, load.stdout):
            assert stream is not None
            stream.close()
    stored = one(db, "SELECT COUNT(*) FROM records")
    return {
        "acts": len(took_ms), "acts_refused": refused,
        "act_ms_median": round(statistics.median(took_ms), 1),
        "act_ms_p95": round(share(took_ms, 0.95), 1),
        "act_ms_longest": round(max(took_ms), 1),
        "frames_per_s": 2 * RATE_HZ, "frames_sent": report["sent"],
        "frames_lost": max(0, report["sent"] - stored - report["never_confirmed"]),
    }  # fmt: skip


async def begin(
    desk: RunningDesk, set_id: str, url: str, knock: Callable[[], object] | None = None
) -> None:
    """Start a fitting with a board, and agree to it; ``knock`` has it say something."""
    place = await asyncio.to_thread(
        lambda: desk.form("/start", set=set_id, stance="level", board="other", address=url)
    )

    def asks() -> bool:
        if "Is it yours" in desk.get(f"{place}/bay"):
            return True
        if knock is not None:
            knock()
        return False

    await until(asks)
    await asyncio.to_thread(desk.form, f"{place}/accept")


async def measure_strikes(
    browser: Browser, folder: Path, board: TextBoard | StripBoard, swings: int
) -> dict[str, float]:
    name = "strip_" if isinstance(board, StripBoard) else ""
    db = folder / f"{name}live.db"
    with Store.open(db) as store:
        store.sets.import_file(load_set(SET_FILE), at_utc_ns=time.time_ns())
    async with running(db) as desk:
        port = await board.open()
        loop = asyncio.get_running_loop()

        def knock() -> None:
            # A sketch says who it is with its first strike, once somebody listens.
            asyncio.run_coroutine_threadsafe(board.connected(), loop).result(PATIENCE_S)
            asyncio.run_coroutine_threadsafe(board.strike(), loop).result(PATIENCE_S)
            time.sleep(1.0)

        url = f"socket://127.0.0.1:{port}"
        await begin(desk, "1", url, knock if isinstance(board, TextBoard) else None)
        await board.connected()
        pages = []
        for _ in range(4):
            context = await browser.new_context(viewport={"width": 1180, "height": 820})
            await context.add_init_script(HEAR)
            pages.append(await context.new_page())
            await pages[-1].goto(f"{desk.address}/sessions/1")
            await pages[-1].wait_for_selector("html[data-drawn]", state="attached")
        if isinstance(board, TextBoard):
            # What was said before it was agreed to was not kept.
            board.sent_ms.clear()
        ids, seen = await latencies(board, pages, swings)
        wire_ms = board.sent_ms[-len(ids) :]
        for page in pages:
            await page.context.close()
    await board.close()
    took = [at - wire_ms[place] for (_, place), at in seen["drawn"].items()]
    return {
        f"{name}wire_to_drawn_ms_p50": round(statistics.median(took), 1),
        f"{name}wire_to_drawn_ms_p99": round(share(took, 0.99), 1),
    }


async def measure(args: argparse.Namespace) -> dict[str, object]:
    program = shutil.which("chromium")
    assert program, "install chromium"
    load = os.getloadavg()[0]
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=program, args=["--disable-background-networking", "--disable-gpu"]
        )
        with tempfile.TemporaryDirectory(dir=args.folder) as name:
            folder = Path(name)
            found = {
                **await measure_start(browser, folder),
                **await measure_acts(browser, folder, args.seconds),
                **await measure_strikes(browser, folder, TextBoard(), args.swings),
                **await measure_strikes(browser, folder, StripBoard(), args.swings),
                **await measure_views(
                    browser, folder, args.strikes, args.opens, history=args.history
                ),
            }
        version = browser.version
        await browser.close()
    return {
        "benchmark": "desk", **found, "load_before": round(load, 1),
        "load_after": round(os.getloadavg()[0], 1), "cores": os.cpu_count(),
        "chromium": version, "python": platform.python_version(),
    }  # fmt: skip


def main() -> None:
    made = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    made.add_argument("--strikes", type=int, default=100_000)
    made.add_argument("--seconds", type=float, default=20.0)
    made.add_argument("--swings", type=int, default=40)
    made.add_argument("--opens", type=int, default=5)
    made.add_argument(
        "--history", action="store_true",
        help="a set's history too: every session is worked out once, some seconds each",
    )  # fmt: skip
    made.add_argument("--folder", type=Path, default=None, help="where the data files go")
    print(json.dumps(asyncio.run(measure(made.parse_args()))))


if __name__ == "__main__":
    main()
