"""Every view at every size, by eye of a machine: nothing cut, nothing over another, axe content."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.async_playwright import Axe

pytestmark = [pytest.mark.asyncio(loop_scope="session"), pytest.mark.timeout(240)]

SIZES = ((1280, 800), (1024, 768), (768, 1024), (390, 844))
VIEWS = (
    "/", "/players", "/players/1", "/players/new", "/sets/1", "/sets/1/misses", "/start",
    "/sessions", "/sessions/1/strikes?at=12", "/sessions/1/sheet", "/sessions/1/bench",
    "/sessions/1/after", "/sessions/1/facts", "/boards", "/boards/rock?address=x", "/data",
    "/changes", "/screen",
)  # fmt: skip
# Wider than the window, or words that do not fit into what holds them.
CUT = """() => {
    const page = document.documentElement;
    const found = page.scrollWidth > page.clientWidth ? [`page ${page.scrollWidth}`] : [];
    for (const e of document.querySelectorAll('main *, header *, nav *')) {
        if (!(e instanceof HTMLElement) || !e.clientWidth) continue;
        const style = getComputedStyle(e);
        if (style.display === 'inline' || e.closest('.scroll, .unseen') || e.matches('select, input')) continue;
        if (e.scrollWidth > e.clientWidth + 1) found.push(`${e.tagName}.${e.className} ${e.textContent.trim().slice(0, 40)}`);
    }
    return found;
}"""  # noqa: E501
# What one acts with must not lie over another, and is large enough for a finger.
OVER = """() => {
    const seen = [...document.querySelectorAll('a, button, input, select, summary, textarea')]
        .filter((e) => e.getClientRects().length && !e.closest('.unseen, .skip, .scroll, dialog, .said'))
        .map((e) => [e, e.getBoundingClientRect()])
        .filter(([, box]) => box.width && box.height && box.left >= 0);
    const found = [];
    seen.forEach(([one, a], i) => seen.slice(i + 1).forEach(([other, b]) => {
        if (one.contains(other) || other.contains(one)) return;
        const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
        const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
        if (wide > 2 && high > 2) found.push(`${one.outerHTML.slice(0, 60)} | ${other.outerHTML.slice(0, 60)}`);
    }));
    return found;
}"""  # noqa: E501
# WCAG 2.2, 2.5.8 asks for 24 px; ours are 44, where they are not words in a sentence.
SMALL = """() => [...document.querySelectorAll('button, .button, select, summary, .chip, .strike, .ways a, .within > a')]
    .filter((e) => e.getClientRects().length && !e.closest('dialog, .unseen, .cells'))
    .map((e) => [e, e.getBoundingClientRect()])
    .filter(([, box]) => box.height < 43.5)
    .map(([e, box]) => `${e.outerHTML.slice(0, 80)} ${box.height}`)"""  # noqa: E501

WEIGHT = """() => ['navigation', 'resource'].flatMap((kind) => performance.getEntriesByType(kind))
    .reduce((sum, one) => sum + one.encodedBodySize, 0)"""


@pytest.fixture(scope="module")
def shown(new_desk):
    """Return a desk with a session of the demo, which has something of everything."""
    desk = new_desk()
    desk.cli("demo", "--swings", "5", "--db", str(desk.db))
    return desk.start()


async def settled(page):
    await page.wait_for_selector("body:not(:has([data-working])) h1", state="attached")
    await page.wait_for_selector("[aria-busy]", state="detached")


async def test_nothing_is_cut_and_nothing_lies_over_another(shown, view):
    page = await view(shown.address + "/")
    for path in VIEWS:
        await page.goto(shown.address + path)
        await settled(page)
        for width, height in SIZES:
            await page.set_viewport_size({"width": width, "height": height})
            where = (path, width)
            assert await page.evaluate(CUT) == [], where
            assert await page.evaluate(OVER) == [], where
            assert await page.evaluate(SMALL) == [], where


async def test_at_twice_the_size_words_wrap(shown, view):
    """W3C, WCAG 2.2, 1.4.4 and 1.4.10: 200 % of 1280 px is a window of 640."""
    page = await view(shown.address + "/", 640, 400)
    for path in VIEWS:
        await page.goto(shown.address + path)
        await settled(page)
        assert await page.evaluate(CUT) == [], path


@pytest.mark.parametrize("light", ["light", "dark"])
async def test_axe_finds_nothing(shown, view, light):
    """The W3C's Web Content Accessibility Guidelines 2.2, by axe-core's rules."""
    page = await view(shown.address + "/", color_scheme=light)
    for path in VIEWS if light == "light" else VIEWS[::3]:
        await page.goto(shown.address + path)
        await settled(page)
        found = await Axe().run(page)
        assert found.violations_count == 0, (path, found.generate_report())


async def test_every_view_is_light(shown, view):
    """Under 300 kB each, all its files counted."""
    page = await view(shown.address + "/")
    for path in (*VIEWS, "/sessions/1"):
        await page.goto(shown.address + path, wait_until="load")
        await settled(page)
        size = await page.evaluate(WEIGHT)
        assert 0 < size < 300_000, path


async def test_keys_alone_lead_through_the_desk(shown, view):
    page = await view(shown.address + "/")
    for key, place in (("p", "/players"), ("s", "/sessions"), ("b", "/boards"), ("t", "/")):
        await page.keyboard.press("g")
        async with page.expect_navigation():
            await page.keyboard.press(key)
        assert page.url == shown.address + place
    await page.keyboard.press("?")
    assert await page.locator("dialog[open]").count() == 1
    await page.keyboard.press("Escape")
    # The first thing that Tab reaches leads past what is the same on every view.
    await page.keyboard.press("Tab")
    assert await page.evaluate("document.activeElement.className") == "skip"


async def test_inches_are_shown_everywhere_and_in_one_place_chosen(shown, view):
    page = await view(shown.address + "/sessions/1/strikes")
    assert "mm" in await page.locator(".strike .mm").first.text_content()
    await page.keyboard.press("m")
    await page.wait_for_function(
        "() => document.querySelector('.strike .mm').textContent.includes('in')"
    )
    await page.goto(shown.address + "/sets/1")
    assert await page.locator("th .unit").first.text_content() == "in"
    await page.keyboard.press("m")
    await page.wait_for_function("() => document.querySelector('th .unit').textContent === 'mm'")


async def test_the_sole_is_the_live_page_s(shown, view):
    """One drawing of the sole: the same outline, from the server and from the live page."""
    page = await view(shown.address + "/sessions/1/strikes?club=7i")
    drawn = await page.get_attribute(".sole-drawing .outline", "d")
    await page.goto(shown.address + "/sessions/1")
    await page.wait_for_selector("#outline .outline", state="attached")
    live = await page.get_attribute("#outline .outline", "d")
    numbers = [[float(n) for n in re.findall(r"-?\d+\.\d+", path)]
               for path in (drawn, live)]  # fmt: skip
    assert numbers[0] == pytest.approx(numbers[1], abs=0.011)
