"""Players and their sets at the desk: typed, pasted, from a file; corrected, and taken back."""

import tomllib

import pytest

from logger.setfiles import load_set

pytestmark = pytest.mark.asyncio(loop_scope="session")

# As a spreadsheet copies cells: tabs between, one line a row. 37 1/2 in = 952.5 mm (1 in = 25.4 mm
# exactly, the international inch of 1959).
CELLS = "4i\t38.5\t60.5\n6i\t37 1/2\t61.5\n8i\t36,5\t62.5\n"
PASTE = """(text) => {
    const clipboardData = new DataTransfer();
    clipboardData.setData('text/plain', text);
    document.activeElement.dispatchEvent(
        new ClipboardEvent('paste', { clipboardData, bubbles: true, cancelable: true }));
}"""


async def test_first_run_leads_to_a_player_with_a_pasted_set_in_inches(new_desk, view):
    own = new_desk().start()
    page = await view(own.address + "/")
    assert "Nobody is here yet" in await page.text_content("h1")
    await page.click("text=New player")
    await page.click("[name=units]")
    await page.fill("#player", "Jonah <b>Veld</b>")
    await page.check("[name=hand][value=left]")
    await page.focus("[name='0.label']")
    await page.evaluate(PASTE, CELLS)
    await page.click("text=Save player")
    await page.wait_for_selector("h1:has-text('irons')")
    assert await page.input_value("[name='1.length_mm']") == "37.5"
    # What a person typed is text, and no markup.
    assert await page.locator("b").count() == 0
    assert "Jonah <b>Veld</b>" in await page.text_content(".crumb")
    shown = own.cli("set", "show", "Jonah <b>Veld</b>")
    assert "left-handed" in shown
    assert "952.5" in shown
    # What a missing value costs stands with it.
    assert "no bend is proposed" in await page.text_content("main")


async def test_a_correction_is_shown_first_and_can_be_taken_back(desk, view):
    before = desk.cli("set", "show", "Robin Ashdown")
    page = await view(desk.address + "/sets/1")
    await page.fill("[name='2.lie_deg']", "61.2")
    await page.click("text=Save")
    assert "61.2" in await page.text_content("table")
    assert desk.cli("set", "show", "Robin Ashdown") == before
    await page.click("text=It was always so")
    await page.wait_for_selector(".said")
    assert "61.2" in desk.cli("set", "show", "Robin Ashdown")
    await page.click(".said >> text=Undo")
    await page.wait_for_selector(".said", state="detached")
    assert desk.cli("set", "show", "Robin Ashdown") == before


async def test_what_is_wrong_is_said_at_its_cell_and_nothing_typed_is_lost(desk, view):
    page = await view(desk.address + "/sets/1")
    await page.fill("[name='1.lie_deg']", "steep")
    await page.fill("[name='2.loft_deg']", "29")
    await page.click("text=Save")
    cell = page.locator("[name='1.lie_deg']")
    assert await cell.get_attribute("aria-invalid") == "true"
    assert "not a number" in await page.text_content(".wrong")
    assert await cell.input_value() == "steep"
    assert await page.input_value("[name='2.loft_deg']") == "29"


async def test_two_windows_correct_the_same_set_and_the_second_is_told(desk, view):
    first, second = [await view(desk.address + "/sets/1") for _ in range(2)]
    await first.fill("[name='3.bounce_deg']", "5.5")
    await first.click("text=Save")
    await (
        first.locator("text=It was always so, text=Keep it")
        .or_(first.locator("button[name=how]"))
        .first.click()
    )
    await first.wait_for_selector(".kept")
    await second.fill("[name='3.bounce_deg']", "6")
    await second.click("text=Save")
    assert "changed meanwhile" in await second.text_content("[role=alert]")
    # What was typed stands there, beside what is stored now.
    row = await second.text_content("tbody tr")
    assert "5.5" in row
    assert "6" in row
    await first.click(".said >> text=Undo")


async def test_csv_and_toml_come_down_and_read_back_the_same(desk, tmp_path):
    stored = desk.cli("set", "show", "Robin Ashdown")
    read = []
    for ending in ("csv", "toml"):
        status, headers, text = desk.ask("GET", f"/sets/1.{ending}")
        assert status == 200
        assert "attachment" in headers["content-disposition"]
        file = tmp_path / f"set.{ending}"
        file.write_text(text, encoding="utf-8")
        read.append(load_set(file))
    tomllib.loads((tmp_path / "set.toml").read_text(encoding="utf-8"))
    assert read[0] == read[1]
    assert read[0].player == "Robin Ashdown"
    assert all(club.label in stored for club in read[0].clubs)
    known = load_set(tmp_path / "set.toml")
    assert known.clubs == read[1].clubs


async def test_a_file_that_is_none_and_one_that_is_too_large(desk, view, tmp_path):
    page = await view(desk.address + "/players/new")
    for name, content, words in (
        ("clubs.png", b"\x89PNG\r\n\x1a\n" + bytes(200), "ends in .toml or .csv"),
        ("clubs.csv", b"\xff\xfe\x00club", "UTF-8"),
        ("clubs.toml", b"[[[[", "not TOML"),
    ):
        file = tmp_path / name
        file.write_bytes(content)
        await page.goto(desk.address + "/players/new")
        await page.click("summary")
        await page.set_input_files("#file", file)
        await page.click("text=Read it")
        assert words in await page.text_content("[role=alert]"), name
    body = b"player=x&pasted=" + b"a" * 400_000
    status, _, _ = desk.ask(
        "POST", "/players/new", body, Origin=desk.address,
        Content_Type="application/x-www-form-urlencoded",
    )  # fmt: skip
    assert status == 413
