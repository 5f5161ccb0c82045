"""Usual misses at the desk: counted, added up, and leaned against only where that was asked for."""

import pytest

pytestmark = [pytest.mark.asyncio(loop_scope="session"), pytest.mark.timeout(180)]


async def test_counts_add_up_and_ask_for_what_the_command_line_says(new_desk, view, robin_toml):
    desk = new_desk()
    desk.cli("set", "import", str(robin_toml))
    desk.start()
    page = await view(desk.address + "/players/1")
    await page.click("text=Misses")
    await page.wait_for_selector(".counts")
    labels = await page.locator(".counts tbody th").all_text_contents()
    for _ in range(2):
        for at in (0, 1, 2):
            for side, count in (("left", 3), ("straight", 9), ("right", 14)):
                await page.fill(f"[name='{at}.{side}']", str(count))
        async with page.expect_navigation():
            await page.click("text=Keep the counts")
    row = page.locator(".counts tr", has=page.locator(f"th:text-is('{labels[0]}')"))
    assert "6 · 18 · 28" in await row.text_content()
    # One tap takes back all that was kept at once.
    await page.fill("[name='0.left']", "1")
    await page.fill("[name='3.left']", "1")
    await page.click("text=Keep the counts")
    await page.click(".said:has-text('2 clubs') >> text=Undo")
    await page.wait_for_selector(".said", state="detached")
    assert "6 · 18 · 28" in await row.text_content()
    # The same proposal as in the terminal.
    printed = desk.cli("bias")
    row = page.locator("section .row", has=page.locator("strong:text-is('5i')"))
    asked = await row.locator(".number").text_content()
    line = next(one for one in printed.splitlines() if one.startswith(" 5i"))
    assert f"{asked} left" in line
    # Nothing is aimed for until that is said, and one tap takes it back.
    before = desk.ask("GET", "/sets/1.toml")[2]
    await page.click("text=Aim for it")
    await page.wait_for_selector(".said:has-text('wanted')")
    assert desk.ask("GET", "/sets/1.toml")[2] != before
    await page.goto(desk.address + "/sets/1")
    assert await page.input_value("[name='1.bias']") == f"{asked} left"
    await page.click(".said >> text=Undo")
    await page.wait_for_selector(".said", state="detached")
    assert desk.ask("GET", "/sets/1.toml")[2] == before


async def test_what_is_no_count_is_said_and_stays(desk, view):
    page = await view(desk.address + "/sets/1/misses")
    await page.click("text=Keep the counts")
    assert "nothing was typed" in await page.text_content("[role=alert]")
    await page.fill("[name='0.left']", "3.5")
    await page.fill("[name='1.right']", "4")
    await page.click("text=Keep the counts")
    assert "no count" in await page.text_content("[role=alert]")
    assert await page.input_value("[name='1.right']") == "4"
    assert "misses" not in desk.cli("words")
