"""A board at the desk: what to do next with it, and a head rocked on it, step by step."""

from __future__ import annotations

import re

import pytest

pytestmark = [pytest.mark.asyncio(loop_scope="session"), pytest.mark.timeout(180)]


async def agree(desk, page, url):
    await page.goto(desk.address + "/boards")
    await page.fill("#address", url)
    await page.click("form:has(#address) >> text=Who is it?")
    await page.click("text=It is mine: use it")
    await page.wait_for_selector("text=may be used from now on")


async def test_a_head_is_rocked_and_its_camber_kept(new_desk, view, robin_toml):
    desk = new_desk()
    desk.cli("set", "import", str(robin_toml))
    desk.start()
    url = desk.board([])
    page = await view(desk.address + "/boards")
    await agree(desk, page, url)

    # The board's name and its next step stand there; its address need not be typed again.
    await page.goto(desk.address + "/boards")
    assert "Check it" in await page.text_content(".board .main-act")
    await page.click("form:has(#address) >> text=Rock a head")
    await page.select_option("#club", "1:7i")
    await page.click("text=Begin")

    # What is no angle is said there, and stays to be put right.
    await page.fill("#answer", "steep")
    await page.click("button:text-is('Set')")
    await page.wait_for_selector("#answer-wrong")
    assert await page.input_value("#answer") == "steep"

    for stop, lie in enumerate((-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0), start=1):
        await page.fill("#answer", f"{61 + lie:g}")
        await page.keyboard.press("Enter")
        await page.wait_for_selector("text=Now set the head down")
        desk.strike(kind="rest", lie_error_deg=lie, depth_mm=1.2, hold_ms=300)
        await page.wait_for_selector(f".points circle >> nth={stop - 1}")
        await page.wait_for_selector("#answer")
    # It may be ended once there are enough stops, and what is drawn is what was touched.
    assert await page.locator(".cells-live rect.cell-load").count() >= 32
    await page.click("text=Enough: work it out")
    words = page.locator(".big-words:has-text('90 %')")
    found = re.match(r"\W*camber (\d+\.\d) mm", await words.text_content())
    assert found
    # The simulated 7-iron's sole; cells 4 mm wide see the first touch to about a millimetre.
    assert float(found[1]) == pytest.approx(300.0, rel=0.1)
    await page.click("text=Keep it as the 7i's")
    await page.wait_for_url(re.compile("/sets/1"))
    assert await page.input_value("[name='3.camber_mm']") == found[1].removesuffix(".0")
    # It is a change like any other: one tap takes it back.
    await page.click(".said >> text=Undo")
    await page.wait_for_selector(".said", state="detached")
    assert await page.input_value("[name='3.camber_mm']") != found[1]


async def test_too_few_stops_are_one_line(new_desk, view, robin_toml):
    desk = new_desk()
    desk.cli("set", "import", str(robin_toml))
    desk.start()
    url = desk.board([])
    page = await view(desk.address + "/boards")
    await agree(desk, page, url)
    await page.goto(f"{desk.address}/boards/rock?address={url}")
    await page.select_option("#club", "1:7i")
    await page.click("text=Begin")
    await page.wait_for_selector("#answer")
    # There is no way to end it yet but to stop it.
    assert await page.locator("text=Enough").count() == 0
    await page.click("button:text-is('Stop')")
    await page.wait_for_selector("text=stopped: nothing was changed")


async def test_a_board_that_is_gone_midway_keeps_what_was_touched(new_desk, view, robin_toml):
    desk = new_desk()
    desk.cli("set", "import", str(robin_toml))
    desk.start()
    url = desk.board([])
    page = await view(desk.address + "/boards")
    await agree(desk, page, url)
    await page.goto(f"{desk.address}/boards/rock?address={url}")
    await page.select_option("#club", "1:7i")
    await page.click("text=Begin")
    for stop, lie in enumerate((-3.0, -1.5, 0.0, 1.5, 3.0), start=1):
        await page.fill("#answer", f"{61 + lie:g}")
        await page.keyboard.press("Enter")
        await page.wait_for_selector("text=Now set the head down")
        desk.strike(kind="rest", lie_error_deg=lie, depth_mm=1.2, hold_ms=300)
        await page.wait_for_selector(f".points circle >> nth={stop - 1}")
    board, _ = desk._running[-1]
    board.kill()
    await page.wait_for_selector("text=worked out from the stops before that")
    assert await page.locator("text=Keep it as the 7i's").count() == 1


async def test_a_camber_that_nobody_measured_is_refused(desk):
    for value in ("", "1 4 300", "1 4 nan 2", "1 4 300 -1", "x y z q", "1 4 1e9 1"):
        status, text = desk.send("/boards/camber", value=value)
        assert status == 400, value
        assert "rock the head again" in text
    status, text = desk.send("/boards/rock", address="/dev/none", club="1:99i")
    assert status == 400
    assert "which head is rocked" in text
