"""Make the README's pictures from a real run, so that they stay true.

::

    python examples/pictures/make_pictures.py

A simulated board in a process of its own, the invented player and set of ``lieboard demo``,
``lieboard log --page``, the page in the system's Chromium, the desk, and the report.
Contributors' packages are needed (README.md, second command).
"""

from __future__ import annotations

import asyncio
import io
import json
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from PIL import Image
from playwright.async_api import Browser, Page, async_playwright

from logger.setfiles import load_set
from logger.store.store import Store

HERE = Path(__file__).parent
SET_FILE = HERE.parents[1] / "logger" / "cli" / "demo_set.toml"
SWINGS = 8
SEED = 7
MOST_BYTES = 60_000
PATIENCE_S = 300.0
# The club that is off the set's line in this run, and the pivot, where checking starts.
ODD, PIVOT = "6i", "7i"
ORDER = "7i,4i,5i,6i,8i,9i,PW,SW"
# A message of the page stays for six seconds.
MESSAGE_S = 7.0


@asynccontextmanager
async def running(*arguments: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """Run a module of ours; it ends with the block."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", *arguments,
        env={**os.environ, "PYTHONUNBUFFERED": "1", "NO_COLOR": "1"},
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
        await process.communicate()


async def line_with(process: asyncio.subprocess.Process, words: str) -> str:
    """Return the next line that a process prints with these words."""
    assert process.stdout is not None
    while True:
        line = await asyncio.wait_for(process.stdout.readline(), PATIENCE_S)
        if not line:
            raise SystemExit(f"it ended before it said {words!r}")
        if words in line.decode():
            return line.decode()


def keep(name: str, png: bytes) -> None:
    """Write a picture with few colours: it is small, and nobody sees the difference."""
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    for colours in (64, 32, 16):
        out = io.BytesIO()
        few = picture.quantize(colours, dither=Image.Dither.NONE)
        few.save(out, format="PNG", optimize=True)
        if out.tell() <= MOST_BYTES:
            break
    else:
        raise SystemExit(f"{name}: {out.tell()} bytes")
    (HERE / name).write_bytes(out.getvalue())
    sys.stdout.write(f"{name}: {out.tell()} bytes, {colours} colours\n")


async def open_page(browser: Browser, url: str, size: tuple[int, int], light: str) -> Page:
    """Open a page without anything that moves."""
    context = await browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if light == "dark" else "light",
        reduced_motion="reduce",
    )
    context.set_default_timeout(PATIENCE_S * 1000)
    page = await context.new_page()
    await page.goto(url)
    return page


async def show_club(page: Page, club: str) -> None:
    """Put a club up and wait until all is worked out."""
    await page.locator(".club-button", has_text=club).click()
    await page.wait_for_function(
        "(club) => document.getElementById('club').textContent === club"
        " && !document.documentElement.classList.contains('working')",
        arg=club,
    )


async def live_pictures(browser: Browser, db: Path) -> None:
    """Log a session and show its page: lying and bright, standing and dark.

    What the logger prints meanwhile, a line per contact, stays in its pipe: there is room.
    """
    board = (
        "simulators", "--tcp", "0", "--seed", str(SEED), "--pace", "0.3", "--battery",
        "--clubs", ORDER, "--strikes-per-club", str(SWINGS), "--name", "bay-1",
        "--parent-pid", str(os.getpid()),
    )  # fmt: skip
    async with running(*board) as simulated:
        url = json.loads(await line_with(simulated, "url"))["url"]
        log = (
            "logger", "log", url, "--accept", "--page", "--page-port", "0", "--stance", "0",
            "--db", str(db),
        )  # fmt: skip
        async with running(*log) as logging:
            found = re.search(r"http://\S+", await line_with(logging, "http://"))
            assert found
            lying = await open_page(browser, found.group(), (1180, 820), "bright")
            standing = await open_page(browser, found.group(), (820, 1180), "dark")
            await line_with(simulated, "done")
            for page, club, name in (
                (lying, ODD, "live.png"),
                (standing, PIVOT, "live_dark.png"),
            ):
                await show_club(page, club)
                await asyncio.sleep(MESSAGE_S)
                keep(name, await page.screenshot())


async def desk_picture(browser: Browser, db: Path) -> None:
    """Show the desk's bend sheet of that session."""
    desk = ("logger", "desk", "--no-browser", "--port", "0", "--db", str(db))
    async with running(*desk) as serving:
        found = re.search(r"http://\S+:\d+", await line_with(serving, "http://"))
        assert found
        page = await open_page(browser, f"{found.group()}/sessions/1/sheet", (1180, 820), "bright")
        keep("desk.png", await page.screenshot())


async def report_pictures(browser: Browser, db: Path, folder: Path) -> None:
    """Show parts of the report: the set's chart, the bend sheet, a sole."""
    report = folder / "report.html"
    async with running("logger", "report", "-o", str(report), "--db", str(db)) as making:
        await making.wait()
    page = await open_page(browser, report.as_uri(), (820, 1180), "bright")
    keep("set.png", await page.locator("figure.chart").first.screenshot())
    sheet = page.locator("h2:text-is('Bend sheet') + .wide")
    keep("sheet.png", await sheet.screenshot())


async def terminal_picture(browser: Browser, db: Path, folder: Path) -> None:
    """Show what the terminal says of the clubs."""
    async with running("logger", "clubs", "--db", str(db)) as process:
        assert process.stdout is not None
        words = (await process.stdout.read()).decode()
    lines = [line.rstrip() for line in words.splitlines()]
    shown = folder / "clubs.html"
    shown.write_text("<!doctype html><meta charset=utf-8><pre></pre>", encoding="utf-8")
    page = await open_page(browser, shown.as_uri(), (1300, 800), "bright")
    await page.evaluate(
        """(words) => {
            const pre = document.querySelector('pre');
            pre.textContent = words;
            pre.style.cssText = 'display: inline-block; margin: 0; padding: 14px 18px;'
                + 'font: 13px/1.45 "DejaVu Sans Mono", monospace; color: #f3f6f8;'
                + 'background: #0c131a';
        }""",
        "$ lieboard clubs\n" + "\n".join(lines),
    )
    keep("clubs.png", await page.locator("pre").screenshot())


async def make() -> None:
    """Make all of them."""
    program = shutil.which("chromium")
    if program is None:
        raise SystemExit("install chromium")
    with tempfile.TemporaryDirectory() as folder:
        db = Path(folder) / "data.db"
        with Store.open(db) as store:
            store.sets.import_file(load_set(SET_FILE), at_utc_ns=time.time_ns())
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(
                executable_path=program, args=["--disable-gpu", "--disable-lcd-text"]
            )
            await live_pictures(browser, db)
            await desk_picture(browser, db)
            await report_pictures(browser, db, Path(folder))
            await terminal_picture(browser, db, Path(folder))
            await browser.close()


if __name__ == "__main__":
    asyncio.run(make())
