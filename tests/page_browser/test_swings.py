"""From swings on a simulated board to what a player sees in the browser."""

import asyncio
import re

import pytest
from axe_playwright_python.async_playwright import Axe

from logger.page.numbers import NumberWorks
from logger.store.store import Store

pytestmark = pytest.mark.asyncio(loop_scope="session")

# A patch on whole cells of 4 mm: half of one either way (tests/e2e says why).
WITHIN_MM = 2.0
# The board says where it was touched; from whole scans the logger would work it out anew.
READINGS = ("--form", "readings")
PLACES = """() => [...document.querySelectorAll('#strikes > li')].map((row) => ({
    used: row.classList.contains('used'),
    place: row.querySelector('.place').textContent,
    reason: row.querySelector('.reason').textContent,
})).reverse()"""
# Columns of the picture, in mm, in which the canvas has a colour of a strike that counts.
INKED = """() => {
    const canvas = document.getElementById('dots');
    const { width, height } = canvas;
    const pixels = canvas.getContext('2d').getImageData(0, 0, width, height).data;
    const view = document.getElementById('drawing').viewBox.baseVal;
    const found = new Set();
    for (let at = 0; at < pixels.length; at += 4) {
        if (pixels[at + 3] < 200 || pixels[at + 2] < 2 * pixels[at]) continue;
        const x = (at / 4) % width;
        found.add(Math.round((view.x + ((x + 0.5) / width) * view.width) * 4) / 4);
    }
    return [...found];
}"""
RING = "() => Number(document.querySelector('.ring')?.getAttribute('cx'))"


def strikes(count, after=0, **more):
    return [
        {"club": "7i", "lie_error_deg": 0.9 * ((i + after) % 5 - 2), "c_mm": 0.0, "depth_mm": 1.5}
        | more
        for i in range(count)
    ]


def shown_mm(row):
    number = re.match(r"([+−]?)(\d+\.\d) mm", row["place"])
    return float(number[2]) * (-1 if number[1] == "−" else 1)


@pytest.fixture(scope="module")
def bay(new_bay):
    own = new_bay()
    # The foot weighs more than a sole and lies longer: it is set aside by a rule.
    foot = {"kind": "foot", "c_mm": 10, "width_mm": 95, "depth_mm": 2, "hold_ms": 300}
    own.log(own.board([*strikes(6), foot], "--pace", "0.4", *READINGS))
    return own


# What a person may type anywhere; of a left-hander.
TYPED = """
player = "<img src=x onerror=document.title=1>"
hand = "left"
set = "<script>1</script>"
pivot = "<b>7</b>"
club = [
    { label = "4i" }, { label = "&amp;" }, { label = "6i" },
    { label = "<b>7</b>" }, { label = "8i" },
]
"""


@pytest.fixture(scope="module")
def left_bay(new_bay, tmp_path_factory):
    set_file = tmp_path_factory.mktemp("set") / "set.toml"
    set_file.write_text(TYPED)
    own = new_bay(set_file)
    known_by = ("--name", "<u>board</u>")
    own.log(own.board(strikes(3, after=4), "--pace", "0.3", "--left-handed", *known_by))
    return own


async def test_every_strike_is_shown_where_it_was(bay, view):
    viewer = await view(bay.address)
    await viewer.sees(6)
    rows = [row for row in await viewer.page.evaluate(PLACES) if row["used"]]
    truth = bay.truth_mm()
    assert [shown_mm(row) for row in rows] == pytest.approx(truth, abs=WITHIN_MM)
    assert await viewer.page.evaluate(RING) == pytest.approx(truth[-1], abs=WITHIN_MM)
    inked = await viewer.page.evaluate(INKED)
    for toe_mm in truth:
        assert min(abs(toe_mm - x) for x in inked) < WITHIN_MM
    assert max(inked) - max(truth) < 2 * WITHIN_MM
    assert min(truth) - min(inked) < 2 * WITHIN_MM
    # What a camber of 300 mm makes of it: degrees = mm / (R pi / 180).
    mean_mm = float((await viewer.page.text_content("#mean")).replace("−", "-"))
    lie_deg = float((await viewer.page.text_content("#lie")).rstrip("°").replace("−", "-"))
    assert lie_deg == pytest.approx(-mean_mm / 300 * 57.296, abs=0.3)


async def test_left_handers_see_the_toe_on_the_left(left_bay, view):
    viewer = await view(left_bay.address)
    await viewer.sees(3)
    middle = """(word) => {
        const found = [...document.querySelectorAll('.end')].find((e) => e.textContent === word);
        const { left, right } = found.getBoundingClientRect();
        return (left + right) / 2;
    }"""
    assert await viewer.page.evaluate(middle, "toe") < await viewer.page.evaluate(middle, "heel")
    last = [row for row in await viewer.page.evaluate(PLACES) if row["used"]][-1]
    ring = await viewer.page.evaluate(RING)
    # Far enough from the middle that the other side is no rounding.
    assert abs(shown_mm(last)) > 0.3
    assert ring == pytest.approx(-shown_mm(last), abs=0.1)


async def test_the_footprint_s_place_replaces_the_quick_one(left_bay, view):
    """The load's middle is told at once; what the cells' pattern says comes with the numbers."""
    viewer = await view(left_bay.address)
    await viewer.sees(3)
    path = left_bay.folder / "data.db"
    with Store.open(path, read_only=True) as store, NumberWorks(path) as works:
        session = store.sessions.all()[0]
        struck = [one for one in store.strikes.contacts(session.id) if one.used]
        fitted = works.work_out(session).strikes
    said = pytest.approx([fitted[one.id].toe_mm for one in struck], abs=0.051)
    # The last strike is on the page before the page has word that its numbers are still to come.
    for _ in range(600):
        rows = [row for row in await viewer.page.evaluate(PLACES) if row["used"]]
        if [shown_mm(row) for row in rows] == said:
            break
        await asyncio.sleep(0.1)
    assert [shown_mm(row) for row in rows] == said
    assert max(abs(fitted[one.id].toe_mm - one.toe_mm) for one in struck) > 0.2


async def test_a_strike_is_taken_back_and_brought_in(bay, view):
    viewer = await view(bay.address)
    page = viewer.page
    await viewer.sees(6)
    await page.wait_for_selector("#strikes > li.aside .reason:not(:empty)")
    await page.wait_for_selector("#strikes > li.used button >> nth=5")

    await page.get_by_role("button", name="take back strike 2", exact=True).click()
    await viewer.reads("used", "5")
    row = page.locator("#strikes > li", has=page.get_by_role("button", name="bring in strike 2"))
    assert await row.locator(".reason").text_content() == "taken back"
    # It is a person's word, and on disk.
    by_hand = "SELECT COUNT(*) FROM contacts WHERE fitter_choice IS NOT NULL"
    assert bay.count(by_hand) == 1

    await page.get_by_role("button", name="bring in strike 2", exact=True).click()
    await viewer.reads("used", "6")
    # By a key: the last that counts.
    await page.keyboard.press("b")
    await viewer.reads("used", "5")
    await page.wait_for_selector("role=button[name='bring in strike 6']")
    # By a tap on the sole: the focus goes to its row, and Enter turns it over.
    await page.evaluate("document.activeElement.blur()")
    box = await page.locator(".ring >> nth=0").bounding_box()
    await page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    focus = "document.activeElement.getAttribute('aria-label')"
    assert (await page.evaluate(focus)).startswith("take back strike")
    await page.keyboard.press("Enter")
    await viewer.reads("used", "4")


async def test_what_was_typed_is_text(left_bay, view):
    viewer = await view(left_bay.address)
    await viewer.sees(3)
    await viewer.reads("who", "<img src=x onerror=document.title=1>")
    assert "<script>1</script>" in await viewer.page.text_content("#session")
    await viewer.page.wait_for_selector("#boards .board-name")
    assert await viewer.page.text_content("#boards .board-name") == "<u>board</u>"
    assert await viewer.page.locator("body img, body b, body u, body script").count() == 0
    names = await viewer.page.locator(".club-button .name").all_text_contents()
    assert names == ["4i", "&amp;", "6i", "<b>7</b>", "8i"]


async def test_keys_and_pedals_step_the_clubs(left_bay, view):
    viewer = await view(left_bay.address)
    page = viewer.page
    await viewer.reads("club", "<b>7</b>")
    # Checking goes from the pivot to the others as they stand in the set.
    for key, club in (("n", "4i"), ("PageDown", "&amp;"), ("ArrowRight", "6i"), ("p", "&amp;"),
                      ("PageUp", "4i"), ("ArrowLeft", "<b>7</b>")):  # fmt: skip
        await page.keyboard.press(key)
        await viewer.reads("club", club)
    await page.locator(".club-button", has_text="8i").click()
    await viewer.reads("club", "8i")
    # Single keys can be switched off (WCAG 2.2, 2.1.4), and that is remembered.
    await page.keyboard.press("?")
    assert await page.locator("#keys-rows tr").count() >= 7
    await page.locator("#keys-on").uncheck()
    await page.keyboard.press("Escape")
    await page.reload()
    await viewer.reads("club", "8i")
    await page.keyboard.press("n")
    await page.keyboard.press("Tab")
    await viewer.reads("club", "8i")
    # A note is kept with the session.
    await page.locator("#note-open").click()
    await page.locator("#note-text").fill("wind <b>from</b> the left")
    await page.keyboard.press("Enter")
    await page.wait_for_selector("#answer[data-good=true]")


async def test_it_comes_back_by_itself_and_catches_up(new_bay, view):
    bay = new_bay()
    address = bay.log(bay.board(strikes(3), "--pace", "0.3", *READINGS))
    viewer = await view(address)
    viewer.may_lose_line = True
    page = viewer.page
    await viewer.sees(3)
    bay.stop_logging()
    await page.wait_for_selector("html[data-link=lost]", state="attached")
    assert "Not connected" in await page.text_content("#gone")
    assert await page.locator("#gone").is_visible()
    # Nobody could hear it.
    await page.wait_for_function("() => !document.querySelector('#strikes button:not([hidden])')")
    found = await Axe().run(page)
    assert found.violations_count == 0, found.generate_report()

    # A board of another make-up takes over: the session goes on.
    known_by = ("--board-id", "4c4200005a110002")
    other = bay.board(strikes(2, after=3), "--pace", "0.3", *READINGS, *known_by)
    bay.log(other, port=int(address.rstrip("/").rpartition(":")[2]))
    assert bay.address == address
    await page.wait_for_selector("html[data-link=up]", state="attached")
    await viewer.sees(5)
    assert not await page.locator("#gone").is_visible()
    rows = [row for row in await page.evaluate(PLACES) if row["used"]]
    assert [shown_mm(row) for row in rows] == pytest.approx(bay.truth_mm(), abs=WITHIN_MM)
