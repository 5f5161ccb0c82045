"""Who may only look on, and where a code is asked for."""

import pytest

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
