"""The build guide: its drawings are what their script draws, its numbers add up, its links lead."""

from __future__ import annotations

import math
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from analysis.conventions import stance_lie_error_deg
from simulators.core_board import REFERENCE, make

REPOSITORY = Path(__file__).parents[2]
GUIDE = REPOSITORY / "firmware_notes"
PAGES = sorted(GUIDE.glob("*.md"))
SVG = "{http://www.w3.org/2000/svg}"


def test_drawings_are_what_their_script_draws(tmp_path):
    script = GUIDE / "drawings" / "make_drawings.py"
    subprocess.run([sys.executable, str(script), str(tmp_path)], check=True)
    drawn = {file.name: file.read_text() for file in tmp_path.glob("*.svg")}
    kept = {file.name: file.read_text() for file in (GUIDE / "drawings").glob("*.svg")}
    assert drawn
    assert drawn == kept


@pytest.mark.parametrize("file", sorted((GUIDE / "drawings").glob("*.svg")), ids=lambda f: f.stem)
def test_no_words_run_off_the_page(file):
    root = ET.parse(file).getroot()
    width, height = (float(n) for n in root.attrib["viewBox"].split()[2:])
    assert root.find(f"{SVG}title").text
    for text in root.iter(f"{SVG}text"):
        x, y = float(text.attrib["x"]), float(text.attrib["y"])
        # A little under half of its size a character: mean of a sans-serif face in running text,
        # common practice, no source.
        long = 0.47 * float(text.attrib["font-size"]) * len(text.text)
        left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[text.attrib["text-anchor"]] * long
        assert left >= 0, text.text
        assert left + long <= width, text.text
        assert 0 < y < height, text.text


def links(page: Path) -> list[str]:
    found = re.findall(r"\]\(([^)\s]+)\)", page.read_text())
    return [link for link in found if not link.startswith("http")]


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_somewhere(page):
    for link in links(page):
        target, _, anchor = link.partition("#")
        file = page.parent / target if target else page
        assert file.exists(), link
        if anchor:
            headings = re.findall(r"^#+ (.*)$", file.read_text(), re.MULTILINE)
            slugs = {re.sub(r"[^a-z0-9 -]", "", h.lower()).replace(" ", "-") for h in headings}
            assert anchor in slugs, link


def table_rows(page: str, beginning: str) -> list[list[str]]:
    """Rows of the table whose heading begins so."""
    lines = (GUIDE / page).read_text().splitlines()
    start = next(k for k, line in enumerate(lines) if line.startswith(beginning))
    rows = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip(" *") for cell in line.strip("|").split("|")])
    return rows


def number(text: str) -> float:
    return float(re.search(r"\d+(\.\d+)?", text).group())


def test_settling_times_follow_from_the_exponential():
    # A capacitor charged through a resistor is within 1 / 2^(n+1) of its end after (n+1) ln 2 RC.
    rows = table_rows("electronics.md", "| source |")
    assert len(rows) == 3
    ohms = (10_000, 47_000, 100)
    for row, source_ohm in zip(rows, ohms, strict=True):
        time_us = source_ohm * 100e-12 * 1e6
        assert number(row[1]) == pytest.approx(time_us, rel=0.02)
        for cell, bits in zip(row[2:], (8, 10, 12), strict=True):
            needed = (bits + 1) * math.log(2) * time_us
            assert number(cell) == pytest.approx(needed, rel=0.16 if needed < 0.2 else 0.02)
            assert math.exp(-needed / time_us) == pytest.approx(2.0 ** -(bits + 1))


def test_scans_in_a_contact_follow_from_the_time_per_cell():
    rows = table_rows("electronics.md", "| per cell |")
    assert [number(row[0]) for row in rows] == [13, 16, 9, 2]
    for row in rows:
        scan_us = 16 * number(row[0])
        assert number(row[2]) == pytest.approx(scan_us)
        assert number(row[3]) == pytest.approx(500 / scan_us, rel=0.03)
        assert number(row[4]) == pytest.approx(1000 / scan_us, rel=0.03)
        # The top of half a sine is at most half a scan away from a sample.
        share = 100 * math.cos(math.pi * scan_us / (2 * 800))
        assert number(row[5]) == pytest.approx(share, abs=0.6)


def test_the_sole_prints_at_both_ends_from_the_depth_that_the_page_says():
    text = (GUIDE / "strip.md").read_text()
    depth_mm = 39**2 / (2 * 300)
    assert depth_mm == pytest.approx(2.5, abs=0.05)
    assert "39^2 / 600 = **2.5 mm**" in text
    # One degree leans a sole of 78 mm by 39 tan 1 at its ends.
    assert 39 * math.tan(math.radians(1)) == pytest.approx(0.7, abs=0.03)


def test_stance_height_is_the_programs_own():
    text = (GUIDE / "mounting.md").read_text()
    assert stance_lie_error_deg(10.0, 840.0, 62.0) == pytest.approx(1.45, abs=0.005)
    assert "= 0.0254 rad = 1.45 degrees" in text


def test_the_bench_build_fits_the_chip_as_the_usual_one_does(tmp_path):
    used = {}
    for board in ("strip16", "../../bench/strip16_bench"):
        out = tmp_path / Path(board).name
        make(REFERENCE, "avr", "avr-gcc", "apt-get install gcc-avr avr-libc", BOARD=board,
             OUT=str(out))  # fmt: skip
        lines = subprocess.run(
            ["avr-size", "-A", str(out / "firmware.elf")],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()
        sizes = {s.split()[0]: int(s.split()[1]) for s in lines if s.startswith((".data", ".bss"))}
        used[out.name] = sum(sizes.values())
    assert used["strip16_bench"] <= used["strip16"] + 8


def test_every_command_in_the_guide_is_there():
    from logger.cli.app import build_app

    text = "\n".join(page.read_text() for page in PAGES)
    named = set(re.findall(r"lieboard ([a-z]+)(?: (check|even|rock|audit|study))?", text))
    assert ("board", "check") in named
    for group, command in named:
        words = [group, *([command] if command else []), "--help"]
        assert build_app()(args=words, standalone_mode=False) in (0, None), words
