"""Who may only look on, and where a code is asked for."""

import re

import pytest
from axe_playwright_python.async_playwright import Axe

from logger.page.server import PageServer, PageSettings

pytestmark = pytest.mark.asyncio(loop_scope="session")


async def test_who_looks_on_cannot_act(shown_bay, view):
    with PageServer(PageSettings(port=0)) as server:
        server.start(shown_bay.folder / "data.db", session=None, actor=None)
        viewer = await view(server.address)
        page = viewer.page
        await page.wait_for_selector(".club-button")
        assert await page.locator("#note-open").is_hidden()
        # It still looks at one club or another.
        for club in ("7i", "4i"):
            await page.locator(".club-button", has_text=club).click()
            await viewer.reads("club", club)
            await viewer.reads("used", "5")
            assert await page.get_by_role("button", name="take back").count() == 0
        await page.keyboard.press("b")
        await page.keyboard.press("n")
        await viewer.reads("club", "5i")
        await viewer.reads("used", "5")
        await page.close()


async def test_another_device_enters_by_its_code(shown_bay, browser):
    # Another address of this computer (RFC 1122, 3.2.1.3) stands for one in the network.
    settings = PageSettings(port=0, share_on="127.0.0.2", let_in=True)
    with PageServer(settings) as server:
        server.start(shown_bay.folder / "data.db", session=None, actor=None)
        shared = re.search(r"(http://127\.0\.0\.2:\d+/)\?code=(\w+)", "\n".join(server.lines))
        page = await browser.new_page()
        await page.goto(shared[1])
        found = await Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        await page.get_by_label("Code").fill("000000")
        await page.get_by_role("button", name="Enter").click()
        await page.wait_for_selector("[role=alert]:has-text('not the code')")
        await page.get_by_label("Code").fill(shared[2])
        await page.get_by_role("button", name="Enter").click()
        await page.wait_for_selector(".club-button")
        await page.close()
