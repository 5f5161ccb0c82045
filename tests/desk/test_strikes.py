"""Strikes at the desk: a mark of the same swing by tap; what was set aside is out of sight."""

import json

import pytest

pytestmark = [pytest.mark.asyncio(loop_scope="session"), pytest.mark.timeout(180)]


@pytest.fixture(scope="module")
def struck(new_desk):
    desk = new_desk()
    desk.cli("demo", "--swings", "4", "--db", str(desk.db))
    return desk.start()


async def test_a_mark_is_tapped_beside_its_strike(struck, view):
    lines = json.loads(struck.cli("strikes", "--json"))
    strike = next(one for one in lines if one["set_aside"] is None and one["source"] == "board")
    at = lines.index(strike) + 1
    page = await view(f"{struck.address}/sessions/1/strikes?at={at}", has_touch=True)
    drawing = page.locator(".sole-drawing")
    # A tap on the drawing alone does nothing.
    box = await drawing.bounding_box()
    await page.touchscreen.tap(box["x"] + box["width"] * 0.6, box["y"] + box["height"] * 0.5)
    await page.tap("text=Mark of this swing")
    box = await drawing.bounding_box()
    async with page.expect_navigation():
        # The drawing is 96 mm wide; a right-hander's toe is on the right.
        x, y = box["x"] + box["width"] * (0.5 + 4 / 96), box["y"] + box["height"] * 0.5
        await page.touchscreen.tap(x, y)
    marks = [one for one in json.loads(struck.cli("strikes", "--json")) if one["source"] == "mark"]
    assert [one["toe_mm"] for one in marks] == [pytest.approx(4.0, abs=0.3)]
    assert "marks beside their strikes" in await page.text_content(".agrees")
    await page.tap(".said >> text=Undo")
    await page.wait_for_selector(".said", state="detached")


async def test_what_the_rules_set_aside_is_out_of_sight_until_asked_for(struck, view):
    page = await view(f"{struck.address}/sessions/1/strikes")
    await page.wait_for_selector(".strike")
    lines = json.loads(struck.cli("strikes", "--json"))
    aside = sum(one["set_aside"] is not None for one in lines)
    assert aside > 4
    assert await page.locator(".strike").count() == len(lines) - aside
    await page.click("text=set aside")
    await page.wait_for_selector("text=Only what counts")
    assert await page.locator(".strike").count() == min(len(lines), 60)


async def test_a_view_that_takes_long_says_so_and_comes_by_itself(new_desk, view):
    desk = new_desk()
    desk.cli("demo", "--swings", "4", "--db", str(desk.db))
    desk.start()
    # Nothing of it was worked out by this desk: the answer does not wait for that.
    page = await view(f"{desk.address}/sessions/1/sheet")
    await page.wait_for_selector(".sheet-row")
    assert page.url == f"{desk.address}/sessions/1/sheet"
    assert await page.locator("[data-working]").count() == 0
    # What was worked out once is there at once, and also what changed since.
    status, _ = desk.send("/sessions/1/sheet/wish", club="7i", wanted="2 mm heel")
    assert status == 303
    assert "Being worked out" not in desk.ask("GET", "/sessions/1/sheet")[2]
