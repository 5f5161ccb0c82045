"""How long from a strike's bytes on the wire to its dot in the browser, and how smooth the page is.

::

    python tests/benchmarks/live.py [--swings 60] [--viewers 4] [--many 5000]

A board of its own speaks the plain text form over TCP; ``lieboard log --page`` logs it; the
system's Chromium shows the page to several viewers at once, without a graphics card. The time of a
strike runs from just before its line is written to the socket to the frame after the one in which a
viewer drew it (up to one frame, 17 ms, more than it takes). Frame times are those of one viewer
while strikes come in and the club that is up has many. The load of the machine is printed
with it: run this with nothing else running. Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import platform
import re
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from playwright.async_api import Page, async_playwright

from logger.setfiles import load_set
from logger.store.store import Store

ROOT = Path(__file__).parents[2]
SET_FILE = ROOT / "examples" / "robin_ashdown.toml"
ASSETS = ROOT / "logger" / "page" / "assets"
# Far enough apart that no strike is taken for the bounce of the one before.
SWING_EVERY_S = 0.7
FRAMES_S = 8.0
PATIENCE_S = 180.0
# When a viewer first shows another strike as its last, in epoch milliseconds.
WATCH = """() => {
    window.drawn = [];
    let last = null;
    new MutationObserver(() => {
        const id = document.documentElement.dataset.drawn.split(':')[1];
        if (id === last) return;
        last = id;
        requestAnimationFrame(() => {
            window.drawn.push([Number(id), performance.timeOrigin + performance.now()]);
        });
    }).observe(document.documentElement, { attributeFilter: ['data-drawn'] });
}"""
FRAMES = """async (seconds) => {
    const gaps = [];
    let last = null;
    const end = performance.now() + 1000 * seconds;
    await new Promise((over) => {
        const frame = (now) => {
            if (last !== null) gaps.push(now - last);
            last = now;
            if (now < end) requestAnimationFrame(frame);
            else over();
        };
        requestAnimationFrame(frame);
    });
    return gaps;
}"""


class TextBoard:
    """A first sketch: one line per strike (firmware_notes/wire.md, 3.1)."""

    def __init__(self) -> None:
        self._writer: asyncio.StreamWriter | None = None
        self._connected = asyncio.Event()
        self.sent_ms: list[float] = []

    async def open(self) -> int:
        self._server = await asyncio.start_server(self._take, "127.0.0.1", 0)
        return int(self._server.sockets[0].getsockname()[1])

    async def _take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writer = writer
        self._connected.set()
        while await reader.read(1024):
            pass

    async def connected(self) -> None:
        await asyncio.wait_for(self._connected.wait(), PATIENCE_S)

    async def strike(self) -> None:
        assert self._writer is not None
        count = len(self.sent_ms)
        line = (
            f"LB1 x={(count * 37) % 200 / 10 - 10:.1f} y={(count * 13) % 80 / 10 - 4:.1f} d=900\n"
        )
        self.sent_ms.append(time.time_ns() / 1e6)
        self._writer.write(line.encode())
        await self._writer.drain()

    async def close(self) -> None:
        self._server.close()
        if self._writer is not None:
            self._writer.close()


def share(values: Sequence[float], part: float) -> float:
    """Return the value that this part of the values does not exceed."""
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


async def latencies(board: TextBoard, pages: Sequence[Page], swings: int) -> list[float]:
    """Return how long each strike took to each viewer, in milliseconds."""
    # The first pays for what is loaded on demand, and is not counted.
    await board.strike()
    await asyncio.sleep(5)
    for page in pages:
        await page.evaluate(WATCH)
    first = len(board.sent_ms)
    for _ in range(swings):
        await board.strike()
        await asyncio.sleep(SWING_EVERY_S)
    await asyncio.sleep(2)
    ids = "async () => (await (await fetch('/state')).json()).strikes.map(({ id }) => id)"
    filed = sorted(await pages[0].evaluate(ids))
    assert len(filed) == len(board.sent_ms), f"{len(filed)} of {len(board.sent_ms)} were filed"
    found: list[float] = []
    for page in pages:
        drawn = await page.evaluate("() => window.drawn")
        for strike, sent_ms in zip(filed[first:], board.sent_ms[first:], strict=True):
            # On a busy machine two may come in one frame.
            found.append(min(at for last, at in drawn if last >= strike) - sent_ms)
    return found


async def frames(board: TextBoard, page: Page, many: int) -> list[float]:
    """Return frame times with many strikes of one club while more come in, in milliseconds."""
    while len(board.sent_ms) < many:
        await board.strike()
        if len(board.sent_ms) % 50 == 0:
            await asyncio.sleep(0.05)
    count = "async () => (await (await fetch('/state')).json()).strikes.length"
    all_there = f"async () => {{ const many = {count}; return (await many()) >= {many}; }}"
    await page.wait_for_function(all_there, timeout=PATIENCE_S * 1000, polling=1000)
    # What the numbers say of so many is worked out once more, and is not the page's doing.
    await asyncio.sleep(3)
    measuring = asyncio.create_task(page.evaluate(FRAMES, FRAMES_S))
    while not measuring.done():
        await board.strike()
        await asyncio.sleep(SWING_EVERY_S)
    return list(await measuring)


async def measure(args: argparse.Namespace) -> dict[str, object]:
    """Measure all of it."""
    program = shutil.which("chromium")
    assert program, "install chromium"
    with tempfile.TemporaryDirectory() as folder:
        db = Path(folder) / "data.db"
        with Store.open(db) as store:
            store.import_set(load_set(SET_FILE), at_utc_ns=time.time_ns())
        board = TextBoard()
        port = await board.open()
        logger = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "logger", "log", f"socket://127.0.0.1:{port}",
            "--accept", "--page", "--page-port", "0", "--db", str(db),
            env={**os.environ, "PYTHONUNBUFFERED": "1", "NO_COLOR": "1"},
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        assert logger.stdout is not None
        address = None
        while address is None:
            line = (await asyncio.wait_for(logger.stdout.readline(), PATIENCE_S)).decode()
            assert line, "the logger ended"
            address = re.search(r"http://\S+", line)
        # What it prints from here on must not fill its pipe.
        draining = asyncio.create_task(logger.stdout.read())
        await board.connected()
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(
                executable_path=program, args=["--disable-background-networking", "--disable-gpu"]
            )
            pages = []
            for _ in range(args.viewers):
                context = await browser.new_context(viewport={"width": 1180, "height": 820})
                pages.append(await context.new_page())
                await pages[-1].goto(address.group())
                await pages[-1].wait_for_selector("html[data-drawn]", state="attached")
            load = os.getloadavg()[0]
            took_ms = await latencies(board, pages, args.swings)
            for page in pages[1:]:
                await page.close()
            gaps_ms = await frames(board, pages[0], args.many)
            version = browser.version
            await browser.close()
        logger.terminate()
        await logger.wait()
        await draining
        await board.close()
    return {
        "benchmark": "live",
        "swings": args.swings,
        "viewers": args.viewers,
        "wire_to_drawn_p50_ms": round(statistics.median(took_ms), 1),
        "wire_to_drawn_p99_ms": round(share(took_ms, 0.99), 1),
        "page_bytes": sum(file.stat().st_size for file in ASSETS.iterdir()),
        "strikes_of_the_club": args.many,
        "frame_p50_ms": round(statistics.median(gaps_ms), 1),
        "frame_p95_ms": round(share(gaps_ms, 0.95), 1),
        "load_before": round(load, 1),
        "cores": os.cpu_count(),
        "chromium": version,
        "python": platform.python_version(),
    }


def main() -> None:
    """Measure and print."""
    made = argparse.ArgumentParser(description="Wire to browser, and frame times.")
    made.add_argument("--swings", type=int, default=60)
    made.add_argument("--viewers", type=int, default=4)
    made.add_argument("--many", type=int, default=5000)
    print(json.dumps(asyncio.run(measure(made.parse_args()))))


if __name__ == "__main__":
    main()
