"""How long from a strike's bytes on the wire to its dot in the browser, and how smooth the page is.

::

    python tests/benchmarks/live.py [--swings 60] [--viewers 4] [--many 5000]

Two boards, one after the other: a first sketch that prints a line of text per strike, and a strip
in a process of its own that sends every scan (``strip_`` in the result). ``lieboard log --page``
logs it; the system's Chromium shows the page to several viewers at once, without a graphics card.
All of that shares the machine.

The time of a strike runs from just before its last bytes go into the socket to the frame after the
one in which a viewer drew it (up to one frame, 17 ms, more than it takes). ``hops_p50_p99_ms`` says
where it goes: ``read`` by the logger, ``taken`` by whoever keeps the board's records in order,
``filed``: record and strike are on the disk, ``published`` to viewers, ``heard`` by a viewer,
``changed``: it is in the document, ``drawn``. Nothing waits for a pause after the strike: both
boards say that it is over. Frame times are those of one viewer while strikes come in and the
club that is up has many. The load of the machine is printed with it: run this with nothing else
running. Takes two and a half minutes. Prints one line of JSON last.
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

from live_server import Relay
from playwright.async_api import Browser, Page, async_playwright

from logger.setfiles import load_set
from logger.store.store import Store
from simulators.own_process import BoardProcess

ROOT = Path(__file__).parents[2]
SET_FILE = ROOT / "examples" / "robin_ashdown.toml"
WATCHED = Path(__file__).with_name("live_hops.py")
ASSETS = ROOT / "logger" / "page" / "assets"
# Far enough apart that no strike is taken for the bounce of the one before.
SWING_EVERY_S = 0.7
FRAMES_S = 8.0
PATIENCE_S = 180.0
# When a viewer hears of a strike, in epoch milliseconds: each message is read by JSON.parse.
HEAR = """
    const now = () => performance.timeOrigin + performance.now();
    window.heard = [];
    const { parse } = JSON;
    JSON.parse = (text, ...rest) => {
        const message = parse(text, ...rest);
        for (const { id } of message?.strikes ?? []) window.heard.push([id, now()]);
        return message;
    };
"""
# When a viewer first shows another strike as its last: in the document, and in the frame after.
WATCH = """() => {
    const now = () => performance.timeOrigin + performance.now();
    window.changed = [];
    window.drawn = [];
    let last = null;
    new MutationObserver(() => {
        const id = document.documentElement.dataset.drawn.split(':')[1];
        if (id === last) return;
        last = id;
        window.changed.push([Number(id), now()]);
        requestAnimationFrame(() => window.drawn.push([Number(id), now()]));
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


class StripBoard:
    """A strip that sends every scan of a strike, in a process of its own behind a relay here."""

    def __init__(self) -> None:
        self._board = BoardProcess("--tcp", "0", "--noise-only", "--cell-faults", "none")
        self._relay = Relay(int(self._board.url.rsplit(":", 1)[1]))
        self._asked = 0

    async def open(self) -> int:
        self._server = await asyncio.start_server(self._relay.serve, "127.0.0.1", 0)
        return int(self._server.sockets[0].getsockname()[1])

    async def connected(self) -> None:
        """Its clock and its greeting take a moment; what is struck meanwhile waits for them."""
        await asyncio.sleep(2)

    async def strike(self) -> None:
        place = {"c_mm": (self._asked * 37) % 200 / 10 - 10, "depth_mm": 2.0}
        self._asked += 1
        self._board.ask("strike " + json.dumps({"club": "7i", **place}))

    @property
    def sent_ms(self) -> list[float]:
        """When the last byte of each strike was handed on."""
        epoch_ns = time.time_ns() - time.monotonic_ns()
        return [(at + epoch_ns) / 1e6 for _, at in sorted(self._relay.passed_ns.items())]

    async def close(self) -> None:
        self._server.close()
        self._board.close()


def share(values: Sequence[float], part: float) -> float:
    """Return the value that this part of the values does not exceed."""
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


async def latencies(
    board: TextBoard | StripBoard, pages: Sequence[Page], swings: int
) -> tuple[list[int], dict[str, dict[tuple[int, int], float]]]:
    """Let strikes come; return their ids, and when each viewer came how far with each.

    Times are epoch milliseconds by viewer and place of the strike.
    """
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
    state = "`${document.documentElement.dataset.base}/state`"
    ids = f"async () => (await (await fetch({state})).json()).strikes.map(({{ id }}) => id)"
    filed = sorted(await pages[0].evaluate(ids))
    assert len(filed) == len(board.sent_ms), f"{len(filed)} of {len(board.sent_ms)} were filed"
    found: dict[str, dict[tuple[int, int], float]] = {}
    for hop in ("heard", "changed", "drawn"):
        found[hop] = {}
        for viewer, page in enumerate(pages):
            seen = await page.evaluate(f"() => window.{hop}")
            for place, strike in enumerate(filed[first:]):
                # On a busy machine two may come in one frame.
                found[hop][viewer, place] = min(at for last, at in seen if last >= strike)
    return filed[first:], found


def hops(
    wire_ms: Sequence[float],
    ids: Sequence[int],
    logger: dict[str, list[tuple[int | None, float]]],
    viewers: dict[str, dict[tuple[int, int], float]],
) -> dict[str, list[float]]:
    """Return what each part of the way took, in milliseconds; of a viewer's parts, for each."""
    took: dict[str, list[float]] = {}
    published = dict(reversed(logger["published"]))
    for place, (strike, begin) in enumerate(zip(ids, wire_ms, strict=True)):
        at = begin
        for hop in ("read", "taken", "filed"):
            after = min(then for _, then in logger[hop] if then >= at)
            took.setdefault(hop, []).append(after - at)
            at = after
        shown = published[strike]
        took.setdefault("published", []).append(shown - at)
        for viewer in sorted({viewer for viewer, _ in viewers["drawn"]}):
            before = shown
            for hop, seen in viewers.items():
                took.setdefault(hop, []).append(seen[viewer, place] - before)
                before = seen[viewer, place]
    return took


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


async def watched(
    browser: Browser, board: TextBoard | StripBoard, args: argparse.Namespace
) -> dict[str, object]:
    """Log a board with the page and viewers; return how long strikes took, and frame times."""
    gaps_ms: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        db, stamps = Path(folder) / "data.db", Path(folder) / "stamps.json"
        with Store.open(db) as store:
            store.sets.import_file(load_set(SET_FILE), at_utc_ns=time.time_ns())
        port = await board.open()
        logger = await asyncio.create_subprocess_exec(
            sys.executable, str(WATCHED), str(stamps), "log", f"socket://127.0.0.1:{port}",
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
        pages = []
        for _ in range(args.viewers):
            context = await browser.new_context(viewport={"width": 1180, "height": 820})
            await context.add_init_script(HEAR)
            pages.append(await context.new_page())
            await pages[-1].goto(address.group())
            await pages[-1].wait_for_selector("html[data-drawn]", state="attached")
        ids, seen = await latencies(board, pages, args.swings)
        wire_ms = board.sent_ms[-len(ids) :]
        for page in pages[1:]:
            await page.close()
        if isinstance(board, TextBoard) and args.many:
            gaps_ms = await frames(board, pages[0], args.many)
        await pages[0].close()
        logger.terminate()
        await logger.wait()
        await draining
        await board.close()
        parts = hops(wire_ms, ids, json.loads(stamps.read_text()), seen)
    took_ms = [at - wire_ms[place] for (_, place), at in seen["drawn"].items()]
    found: dict[str, object] = {
        "wire_to_drawn_p50_ms": round(statistics.median(took_ms), 1),
        "wire_to_drawn_p99_ms": round(share(took_ms, 0.99), 1),
        "hops_p50_p99_ms": {
            hop: [round(statistics.median(took), 1), round(share(took, 0.99), 1)]
            for hop, took in parts.items()
        },
    }
    if gaps_ms:
        found["strikes_of_the_club"] = args.many
        found["frame_p50_ms"] = round(statistics.median(gaps_ms), 1)
        found["frame_p95_ms"] = round(share(gaps_ms, 0.95), 1)
    return found


async def measure(args: argparse.Namespace) -> dict[str, object]:
    """Measure all of it."""
    program = shutil.which("chromium")
    assert program, "install chromium"
    load = os.getloadavg()[0]
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=program, args=["--disable-background-networking", "--disable-gpu"]
        )
        text = await watched(browser, TextBoard(), args)
        strip = await watched(browser, StripBoard(), args)
        version = browser.version
        await browser.close()
    return {
        "benchmark": "live",
        "swings": args.swings,
        "viewers": args.viewers,
        **text,
        **{f"strip_{name}": value for name, value in strip.items()},
        "page_bytes": sum(file.stat().st_size for file in ASSETS.iterdir()),
        "load_before": round(load, 1),
        "load_after": round(os.getloadavg()[0], 1),
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
