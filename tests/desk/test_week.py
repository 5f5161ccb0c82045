"""A whole week at the desk, by touch and keys: no terminal until the numbers are compared."""

from __future__ import annotations

import io
import json
import re
from typing import Any

import pypdf
import pytest
from playwright.async_api import Page

pytestmark = [pytest.mark.asyncio(loop_scope="session"), pytest.mark.timeout(240)]

# Lengths in inches, as a spreadsheet copies cells; the last two columns are camber and material.
CELLS = "\n".join(
    "\t".join(row)
    for row in (
        ("5i", "38", "61", "26", "", "11.8", "0.4", "3.1", "forged"),
        ("6i", "37 1/2", "61.5", "29", "", "11.8", "0.4", "3.1", "forged"),
        ("7i", "37", "62", "33", "", "11.8", "0.4", "3.1", "forged"),
        ("8i", "36,5", "62.5", "37", "", "11.8", "0.4", "3.1", "forged"),
    )
)
PASTE = """(text) => {
    const clipboardData = new DataTransfer();
    clipboardData.setData('text/plain', text);
    document.activeElement.dispatchEvent(
        new ClipboardEvent('paste', { clipboardData, bubbles: true, cancelable: true }));
}"""
EACH = 6


def swings(club: str, middle_deg: float, count: int = EACH) -> list[dict[str, Any]]:
    """Script strikes of a club about a lie error; deep enough that the sole's ends print."""
    return [
        {"club": club, "lie_error_deg": middle_deg + 0.3 * (place % 3 - 1),
         "c_mm": 0.6 * (place % 4 - 1.5), "depth_mm": 3.0}
        for place in range(count)
    ]  # fmt: skip


NEXT = {"button": "next", "after_ms": 300}


class Fitter:
    """Whoever stands at the tablet; each tap is counted."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.taps = 0

    async def tap(self, what: str, nth: int = 0) -> None:
        self.taps += 1
        await self.page.locator(what).nth(nth).tap()

    async def go(self, what: str, nth: int = 0) -> None:
        """Tap what leads to another page, or to this one anew."""
        async with self.page.expect_navigation():
            await self.tap(what, nth)

    async def until(self, script: str, argument: object = None) -> None:
        await self.page.wait_for_function(script, arg=argument, polling=100)

    def count(self) -> int:
        """Return how many taps since this was asked last."""
        taps, self.taps = self.taps, 0
        return taps


async def test_a_whole_week(new_desk, view, tmp_path):
    desk = new_desk().start()
    page = await view(desk.address + "/", 1180, 820, has_touch=True)
    fitter = Fitter(page)

    # Monday: nobody is here yet. A left-hander with half a set, in inches.
    await fitter.tap("text=New player")
    await fitter.tap("[name=units]")
    await page.fill("#player", "Jonah Veld")
    await page.check("[name=hand][value=left]")
    await page.focus("[name='0.label']")
    await page.evaluate(PASTE, CELLS)
    await fitter.tap("text=Save player")
    await page.wait_for_selector(".kept")

    # The board says who it is, and is agreed to once.
    await page.goto(desk.address + "/boards")
    await page.fill("#address", desk.board([]))
    await fitter.tap("form:has(#address) >> text=Who is it?")
    await fitter.tap("text=It is mine: use it")
    await page.wait_for_selector("text=may be used from now on")
    await page.goto(desk.address + "/")

    # A fitting: five taps to the first swing, one of them for a board at an odd address.
    fitter.count()
    events = [
        *swings("7i", 0.3), *swings("5i", 0.1), NEXT, *swings("6i", 2.4), *swings("8i", 0.2),
    ]  # fmt: skip
    url = desk.board(events, "--pace", "0.2", "--left-handed")
    await fitter.tap("text=Start a fitting")
    await fitter.tap("[name=board][value=other]")
    await page.fill("[name=address]", url)
    await fitter.tap("[value=level]")
    assert fitter.count() <= 5
    await page.wait_for_url(re.compile("/sessions/1$"))
    await page.wait_for_selector("html[data-drawn]", state="attached")
    struck = "(n) => Number(document.querySelector('#strikes .number')?.textContent) >= n"
    await fitter.until(struck, 4 * EACH)

    # Next was forgotten twice: strikes 7 to 12 were the 5-iron, 13 on the 6-iron, 19 on the 8-iron.
    fitter.count()
    await fitter.go("text=Strikes")
    for number, club in ((EACH + 1, "5i"), (2 * EACH + 1, "6i"), (3 * EACH + 1, "8i")):
        await fitter.go(f".strike:has(.no:text-is('{number}'))")
        await fitter.go(f".moves >> button:text-is('{club}')")
    # One tap to the list, then two for each.
    assert fitter.count() == 1 + 3 * 2
    clubs = await page.locator(".strike .club-name").all_text_contents()
    assert clubs == [c for c in ("8i", "6i", "5i", "7i") for _ in range(EACH)]

    # Undo is one tap, and the move is made again.
    await fitter.go(".said >> text=Undo")
    assert (await page.locator(".strike .club-name").all_text_contents())[:EACH] == ["6i"] * EACH
    fitter.count()
    # It is still open where it was tapped before.
    await fitter.go(".moves >> button:text-is('8i')")
    assert fitter.count() == 1

    # Marks beside it: tapped on the drawn sole, where the toe is on the left.
    await page.locator("nav.within >> text=Fitting").tap()
    await page.wait_for_selector("html[data-drawn]", state="attached")
    await fitter.tap("#marking")
    drawing = await page.locator("#drawing").bounding_box()
    for step in range(3):
        x = drawing["x"] + drawing["width"] * (0.5 - (2 + 0.4 * step) / 96)
        await page.touchscreen.tap(x, drawing["y"] + drawing["height"] * 0.5)
        await page.wait_for_selector("#said:not([hidden])")
        await page.tap("#said-hide")
    marks = json.loads(desk.cli("strikes", "--json"))
    kept = [one for one in marks if one["source"] == "mark"]
    assert [one["toe_mm"] for one in kept] == pytest.approx([2.0, 2.4, 2.8], abs=0.15)

    # The end, and the sheet: the 6-iron stands out. One club is locked, at once worked out.
    fitter.count()
    await fitter.tap("#end button")
    await page.wait_for_url(re.compile("/sheet$"))
    row = page.locator(".sheet-row", has=page.locator("h2:text-is('6i')"))
    assert "bend" in await row.locator(".decision").text_content()
    await page.locator(".sheet-row:has(h2:text-is('5i')) >> [name=lock]").tap()
    await page.wait_for_url(re.compile("lock=5i"))
    five = page.locator(".sheet-row", has=page.locator("h2:text-is('5i')"))
    assert await five.locator(".decision").text_content() == "leave"
    shown = {
        await one.locator("h2").text_content(): await one.locator(".number").text_content()
        for one in await page.locator(".sheet-row").all()
    }

    # The command line says the same numbers.
    printed = desk.cli("sheet", "--lock", "5i")
    for club, number in shown.items():
        line = next(one for one in printed.splitlines() if one.startswith(club))
        assert number.replace("−", "-").rstrip("°") in line, (club, number, line)

    # The bench: pull, tap what the gauge reads, until it is there.
    await page.locator("text=To the bench").tap()
    await page.wait_for_url(re.compile("/bench"))
    pulls = 0
    while await page.locator(".quick .goal").count():
        await page.locator(".quick .goal").tap()
        pulls += 1
        await page.wait_for_selector(f".measure ~ ol li >> nth={pulls - 1}")
        assert pulls < 6
    assert "done" in await page.text_content(".huge")
    # A pull more would pass what such a head takes: it is said, and nothing is kept yet.
    await page.fill("#after", "58.5")
    await page.keyboard.press("Enter")
    assert "usually bent" in await page.text_content(".notice")
    bends = desk.cli("words")
    assert bends.count("bent from") == pulls

    # Next week.
    await page.goto(desk.address + "/")
    url = desk.board(
        [*swings("7i", 0.3), NEXT, *swings("5i", 0.1), NEXT, *swings("6i", 0.5), NEXT,
         *swings("8i", 0.2)],
        "--pace", "0.2", "--left-handed", "--seed", "5",
    )  # fmt: skip
    await page.locator("text=Start a fitting").tap()
    await page.locator("[name=board][value=other]").tap()
    await page.fill("[name=address]", url)
    await page.locator("[value=level]").tap()
    await page.wait_for_selector("html[data-drawn]", state="attached")
    counts = "(n) => [...document.querySelectorAll('.clubs .count')].every((e) => e.textContent.replace(/\\D/g, '') === String(n))"  # noqa: E501
    await fitter.until(counts, EACH)
    await page.locator("#end button").tap()
    await page.locator("nav.within >> text=After").tap()
    await page.wait_for_url(re.compile("/sessions/2/after$"))
    six = page.locator("tr", has=page.locator("th:text-is('6i')"))
    assert "° flat" in await six.locator("td").nth(1).text_content()

    # History, the report, a backup.
    await page.locator("text=History of the set").tap()
    await page.wait_for_selector("h1:has-text('week by week')")
    await page.goto(desk.address + "/sessions/2/after")
    async with page.expect_download() as coming:
        await page.locator("text=Print").tap()
    report = await (await coming.value).path()
    text = "".join(
        one.extract_text() for one in pypdf.PdfReader(io.BytesIO(report.read_bytes())).pages
    )
    assert "Jonah Veld" in text
    await fitter.go("nav.ways >> text=Data")
    await page.locator("text=Back up now").tap()
    await page.wait_for_selector("text=nothing wrong")

    # What goes wrong afterwards is undone by the backup.
    await page.goto(desk.address + "/players/1")
    await page.locator("summary").tap()
    await page.fill("#new-name", "Somebody Else")
    await fitter.go("button:text-is('Rename')")
    await page.goto(desk.address + "/data")
    await page.locator("button:text-is('Restore')").first.tap()
    await page.wait_for_selector("text=restored from")
    await page.goto(desk.address + "/players")
    assert "Jonah Veld" in await page.text_content("main")
    assert "Jonah Veld" in desk.cli("sessions")
