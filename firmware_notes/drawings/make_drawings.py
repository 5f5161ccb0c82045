"""Draws the build guide's figures as SVG; run it after a change and commit both.

    python firmware_notes/drawings/make_drawings.py

Lengths in the scaled figures come from the numbers at the top, so that text and drawing agree.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from pathlib import Path

CELLS, PITCH_MM, ROW_MM, ROW_DISTANCE_MM = 16, 7.0, 10.0, 12.0
CAMBER_MM, SOLE_MM = 300.0, 78.0
SCAN_MS, CONTACT_MS = 0.25, 0.8

INK, PALE, FILL, ACCENT, SOFT = "#222222", "#8a8a8a", "#e9e6df", "#b3541e", "#f6efe3"
FONT = "font-family='Helvetica, Arial, sans-serif'"


class Drawing:
    """Shapes on a page, in the order they are drawn."""

    def __init__(self, width: float, height: float, title: str) -> None:
        self._head = (
            f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {width:g} {height:g}' "
            f"width='{width:g}' height='{height:g}' role='img'>\n<title>{title}</title>\n"
            f"<rect width='{width:g}' height='{height:g}' fill='#ffffff'/>\n"
        )
        self._body: list[str] = []

    def box(
        self, x: float, y: float, w: float, h: float, fill: str = FILL, stroke: str = INK
    ) -> None:
        """Draw a rectangle."""
        self._body.append(
            f"<rect x='{x:g}' y='{y:g}' width='{w:g}' height='{h:g}' fill='{fill}' "
            f"stroke='{stroke}' stroke-width='1.2'/>"
        )

    def line(
        self,
        points: Sequence[tuple[float, float]],
        colour: str = INK,
        width: float = 1.4,
        dash: str = "",
    ) -> None:
        """Join points."""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        dashes = f" stroke-dasharray='{dash}'" if dash else ""
        self._body.append(
            f"<polyline points='{path}' fill='none' stroke='{colour}' "
            f"stroke-width='{width:g}'{dashes}/>"
        )

    def arrow(
        self, start: tuple[float, float], end: tuple[float, float], colour: str = INK
    ) -> None:
        """Draw a line with a head at its end."""
        self.line([start, end], colour)
        angle = math.atan2(end[1] - start[1], end[0] - start[0])
        barbs = [
            (end[0] - 9 * math.cos(angle + side), end[1] - 9 * math.sin(angle + side))
            for side in (-0.4, 0.4)
        ]
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in (barbs[0], end, barbs[1]))
        self._body.append(f"<polygon points='{path}' fill='{colour}'/>")

    def span(self, x1: float, x2: float, y: float, words: str) -> None:
        """Draw a dimension between two places, with its words above."""
        middle = (x1 + x2) / 2
        self.arrow((middle, y), (x1, y), PALE)
        self.arrow((middle, y), (x2, y), PALE)
        self.text(middle, y - 6, words, anchor="middle", size=12)

    def dot(self, x: float, y: float, radius: float = 3.5, colour: str = INK) -> None:
        """Draw a filled circle."""
        self._body.append(f"<circle cx='{x:.1f}' cy='{y:.1f}' r='{radius:g}' fill='{colour}'/>")

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        anchor: str = "start",
        size: float = 13,
        colour: str = INK,
    ) -> None:
        """Write words with their baseline at ``y``."""
        safe = words.replace("&", "&amp;").replace("<", "&lt;")
        self._body.append(
            f"<text x='{x:.1f}' y='{y:.1f}' {FONT} font-size='{size:g}' fill='{colour}' "
            f"text-anchor='{anchor}'>{safe}</text>"
        )

    def resistor(self, x: float, top: float, length: float = 44) -> None:
        """Draw an upright resistor as a box."""
        self.box(x - 7, top, 14, length, "#ffffff")

    def ground(self, x: float, y: float) -> None:
        """Draw a ground symbol."""
        for k, half in enumerate((12, 8, 4)):
            self.line([(x - half, y + 5 * k), (x + half, y + 5 * k)])

    def svg(self) -> str:
        """Give the whole file."""
        return self._head + "\n".join(self._body) + "\n</svg>\n"


def cell() -> Drawing:
    """Section through the strip, layer by layer."""
    page = Drawing(760, 360, "Layers of the strip, in section")
    page.text(20, 26, "Section across the strip (thickness not to scale)", size=15)
    layers = (
        ("wear mat, 1 to 2 mm: turf-like or rubber, replaceable", 24, "#cfd8c4"),
        ("cover, 6 to 10 mm soft closed-cell foam: lets both ends of the sole print", 66, SOFT),
        ("cell film: resistive sheet, its resistance falls when pressed", 16, "#6b6b6b"),
        ("electrodes: two interleaved combs per cell on one circuit board or foil", 16, ACCENT),
        ("base: stiff flat plate, 12 mm plywood or 6 mm aluminium", 54, "#d9c7a3"),
        (
            "foot: non-slip rubber over the whole underside, or screws into the mat frame",
            18,
            "#555555",
        ),
    )
    y = 58.0
    for words, height, fill in layers:
        page.box(40, y, 270, height, fill)
        middle = y + height / 2
        page.line([(310, middle), (340, middle)], PALE)
        page.text(346, middle + 4, words, size=11.5)
        y += height + 5
    page.arrow((175, 34), (175, 56), ACCENT)
    page.text(190, 48, "sole presses here", size=11.5, colour=ACCENT)
    page.text(
        40, 330, "Glue film and electrodes at the rim only: an air path at one end, or the film "
        "lifts in the heat.", size=12,
    )  # fmt: skip
    return page


def strip() -> Drawing:
    """Look down on two rows of cells."""
    page = Drawing(820, 330, "Cells of the strip, seen from above")
    scale, left, top = 6.2, 60.0, 120.0
    width = CELLS * PITCH_MM * scale
    page.text(20, 26, "From above, laid for a right-hander; to scale", size=15)
    for row in range(2):
        y = top + row * ROW_DISTANCE_MM * scale
        for index in range(CELLS):
            x = left + index * PITCH_MM * scale
            page.box(x + 1, y, PITCH_MM * scale - 2, ROW_MM * scale, FILL)
            if row == 0:
                page.text(x + PITCH_MM * scale / 2, y + 36, str(index), anchor="middle", size=12)
    page.text(left + width + 8, top + 36, "row 0", size=12)
    page.text(left + width + 8, top + ROW_DISTANCE_MM * scale + 36, "row 1", size=12)
    page.span(left + 21.7, left + 21.7 + PITCH_MM * scale, top - 10, f"{PITCH_MM:g} mm pitch")
    middle = left + width / 2
    page.line([(middle, top - 40), (middle, top + 145)], ACCENT, 1.2, "6 4")
    page.text(middle, top - 46, "0 mm: middle of the strip, address mark", anchor="middle", size=12,
              colour=ACCENT)  # fmt: skip
    page.arrow((middle + 150, top - 25), (left + width, top - 25), ACCENT)
    page.text(middle + 150, top - 46, "toe: positive mm", size=12, colour=ACCENT)
    page.arrow((30, top - 10), (30, top + 140))
    page.text(16, top - 20, "club", size=12)
    page.text(
        60, 300, f"{CELLS} cells x {PITCH_MM:g} mm = {CELLS * PITCH_MM:g} mm. Rows "
        f"{ROW_DISTANCE_MM:g} mm apart, middle to middle; the club meets row 0 first. "
        "One row is enough to begin with.", size=12,
    )  # fmt: skip
    return page


def divider() -> Drawing:
    """Draw the divider of one cell, with and without a buffer."""
    page = Drawing(780, 350, "One cell's divider, and the same with a buffer")
    page.text(20, 26, "One cell: pressed = less resistance = higher voltage", size=15)
    for x, buffered in ((120.0, False), (450.0, True)):
        page.text(x - 40, 58, "supply of the chip (5 V or 3.3 V)", size=12)
        page.line([(x, 66), (x, 90)])
        page.resistor(x, 90)
        page.line([(x - 18, 138), (x + 18, 86)], ACCENT, 1.2)
        page.text(x - 62, 116, "cell", size=12, colour=ACCENT)
        page.line([(x, 134), (x, 200)])
        page.resistor(x, 200)
        page.text(x - 74, 226, "R fixed", size=12)
        page.line([(x, 244), (x, 262)])
        page.ground(x, 262)
        page.dot(x, 167)
        if buffered:
            page.line([(x, 167), (x + 60, 167)])
            triangle = [(x + 60, 145), (x + 60, 189), (x + 100, 167), (x + 60, 145)]
            page.line(triangle)
            page.text(x + 52, 136, "follower, 1 per cell", size=12)
            page.line([(x + 100, 167), (x + 140, 167)])
            page.box(x + 140, 140, 70, 54)
            page.text(x + 175, 164, "mux", anchor="middle")
            page.text(x + 175, 181, "100 pF", anchor="middle", size=11)
            page.text(x - 60, 306, "source some 100 ohm: 1 us is ample", size=12)
        else:
            page.line([(x, 167), (x + 120, 167)])
            page.box(x + 120, 140, 70, 54)
            page.text(x + 155, 164, "mux", anchor="middle")
            page.text(x + 155, 181, "100 pF", anchor="middle", size=11)
            page.text(x - 60, 306, "source 10 kohm: (n+1) ln 2 x 10 k x 100 p", size=12)
            page.text(x - 60, 324, "= 6.2 us for 8 bits, 9.0 us for 12", size=12)
    page.text(120 + 10, 190, "out", size=11)
    return page


def wiring() -> Drawing:
    """Draw which pin goes where."""
    page = Drawing(820, 420, "Wiring of the first board")
    page.text(20, 26, "One row of 16: what goes where", size=15)
    page.box(40, 60, 150, 250, FILL)
    page.text(115, 86, "strip", anchor="middle", size=14)
    for k, words in enumerate(("cell 0", "cell 1", "...", "cell 15")):
        page.text(60, 120 + 50 * k, words, size=12)
        page.line([(190, 116 + 50 * k), (300, 116 + 50 * k)])
    page.text(206, 96, "16 divider", size=11)
    page.text(206, 108, "outputs", size=11)
    page.box(300, 60, 130, 250, SOFT)
    page.text(365, 86, "16-way", anchor="middle", size=14)
    page.text(365, 103, "analogue mux", anchor="middle", size=12)
    for k, words in enumerate(("in 0", "in 1", "...", "in 15")):
        page.text(310, 120 + 50 * k, words, size=12)
    pins = (
        ("select 0", "D8"),
        ("select 1", "D9"),
        ("select 2", "D10"),
        ("select 3", "D11"),
        ("common", "A0"),
        ("enable", "GND"),
    )
    page.box(560, 60, 160, 250, "#dfe6ee")
    page.text(640, 86, "8-bit board", anchor="middle", size=14)
    for k, (theirs, ours) in enumerate(pins):
        y = 124 + 30 * k
        page.text(422, y + 4, theirs, anchor="end", size=12)
        page.line([(430, y), (560, y)], ACCENT if theirs == "common" else INK)
        page.text(568, y + 4, ours, size=12)
    page.text(568, 302, "GND, 5 V to strip and mux", size=11)
    page.line([(720, 150), (760, 150)])
    page.line([(760, 150), (760, 190)])
    page.ground(760, 190)
    page.text(640, 154, "D4  foot switch", size=11)
    page.line([(640, 310), (640, 345)])
    page.box(560, 345, 160, 40, "#ffffff")
    page.text(640, 363, "USB isolator, then", anchor="middle", size=12)
    page.text(640, 378, "computer; or battery", anchor="middle", size=12)
    page.text(40, 345, "100 nF from supply to ground at the mux and at the strip.", size=12)
    page.text(
        40, 363, "Ribbon no longer than 150 mm; a ground wire between every four cells.", size=12
    )
    page.text(
        40, 381, "A second row: its own mux on the same select lines, its common to A1.", size=12
    )
    return page


def mounting() -> Drawing:
    """Draw board and mats from the side, so that nothing slides."""
    page = Drawing(820, 330, "Board and mats in section, along the club's way")
    page.text(20, 26, "In section, seen along the target line's side; not to scale", size=15)
    ground = 250.0
    page.line([(20, ground), (800, ground)], INK, 2)
    page.box(60, ground - 52, 250, 50, "#cfd8c4")
    page.text(185, ground - 22, "stance mat, shoes as worn", anchor="middle", size=12)
    page.box(360, ground - 16, 400, 14, "#d9c7a3")
    page.text(
        420, ground + 20, "one ply base under board and fillers, screwed or weighted down", size=12
    )
    page.box(500, ground - 52, 120, 36, FILL)
    page.text(560, ground - 29, "board", anchor="middle")
    page.box(364, ground - 52, 132, 36, "#cfd8c4")
    page.box(624, ground - 52, 132, 36, "#cfd8c4")
    page.text(690, ground - 29, "filler, same height", anchor="middle", size=11)
    page.text(430, ground - 29, "filler, same height", anchor="middle", size=11)
    page.line([(40, ground - 52), (790, ground - 52)], ACCENT, 1.2, "6 4")
    page.text(44, ground - 60, "one level: feet and board", size=12, colour=ACCENT)
    for x in (512, 608):
        page.line([(x, ground - 50), (x, ground - 4)], INK, 2.4)
        page.dot(x, ground - 50, 3)
    page.text(560, ground - 92, "screws, heads sunk below the cover", anchor="middle", size=12)
    page.line([(540, ground - 88), (514, ground - 54)], PALE)
    page.line([(620, ground - 34), (622, ground - 10), (770, ground - 10)], ACCENT, 2)
    page.text(640, ground + 44, "cable: in a groove, away from ball and feet, out behind",
              anchor="middle", size=12, colour=ACCENT)  # fmt: skip
    page.text(
        60, 60, "Feet 10 mm lower than the board: a 7-iron reads 1.3 to 1.5 degrees too upright."
    )
    page.text(60, 80, "Measure it with a straight edge across both; the logger asks for it in mm.")
    return page


def prints() -> Drawing:
    """Draw how deep a sole must go before both ends print; vertical scale is ten times."""
    page = Drawing(820, 360, "A sole pressed 1 mm and 2.6 mm into the cover")
    page.text(20, 26, f"Sole with R = {CAMBER_MM:g} mm, {SOLE_MM:g} mm long; heights x 10", size=15)
    for left, depth in ((60.0, 1.0), (450.0, 2.6)):
        scale, tall = 3.6, 36.0
        middle, surface = left + 160, 120.0
        reach = min(math.sqrt(2 * CAMBER_MM * depth), SOLE_MM / 2)
        page.line([(left, surface), (left + 320, surface)], PALE, 1.2, "5 4")
        places = [-SOLE_MM / 2 + SOLE_MM * k / 60 for k in range(61)]
        arc = [
            (middle + u * scale, surface + (depth - u * u / (2 * CAMBER_MM)) * tall) for u in places
        ]
        page.line(arc, INK, 2.4)
        touch = [p for p, u in zip(arc, places, strict=True) if abs(u) <= reach + 1e-9]
        page.line(touch, ACCENT, 4)
        page.span(middle - reach * scale, middle + reach * scale, surface + 128,
                  f"prints {2 * reach:.0f} mm")  # fmt: skip
        page.text(middle, surface - 66, f"pressed {depth:g} mm deep", anchor="middle", size=13)
        page.text(left + 322, surface + 18, "cover", anchor="end", size=11, colour=PALE)
        ends = "both ends print: lie and place can be told apart"
        only = "only the lowest point prints"
        page.text(middle, surface + 160, ends if reach > SOLE_MM / 2 - 0.5 else only,
                  anchor="middle", size=13, colour=ACCENT)  # fmt: skip
    deep = (SOLE_MM / 2) ** 2 / (2 * CAMBER_MM)
    page.text(
        60, 325, f"Both ends reach the cover from (L/2)^2 / 2R = {deep:.1f} mm on, at no lie error."
    )
    page.text(
        60, 345, "A cover twice that thick and soft enough for a full swing to go so deep.", size=12
    )
    return page


def scans() -> Drawing:
    """Draw a contact as the scans see it."""
    page = Drawing(820, 330, "A contact and its scans")
    page.text(20, 26, f"{CONTACT_MS:g} ms over the strip, a scan every {SCAN_MS:g} ms", size=15)
    left, base, scale, tall = 70.0, 260.0, 420.0, 180.0
    page.line([(left, base), (left + 1.6 * scale, base)])
    page.text(left + 1.6 * scale - 60, base + 22, "time, ms", size=12)
    for k in range(7):
        x = left + 0.2 * k * scale
        page.line([(x, base), (x, base + 5)])
        page.text(x, base + 20, f"{0.2 * k:.1f}", anchor="middle", size=11)
    start = 0.3

    def load(t: float) -> float:
        inside = 0 <= t - start <= CONTACT_MS
        return math.sin(math.pi * (t - start) / CONTACT_MS) if inside else 0.0

    curve = [(left + 0.005 * k * scale, base - tall * load(0.005 * k)) for k in range(300)]
    page.line(curve, INK, 2)
    t = 0.07
    while t < 1.45:
        page.box(left + t * scale, base - 6, SCAN_MS * scale * 0.96, 6, SOFT, PALE)
        for cell_number in range(CELLS):
            at = t + SCAN_MS * 0.96 * cell_number / CELLS
            radius, colour = (4.5, ACCENT) if cell_number == 5 else (1.6, PALE)
            page.dot(left + at * scale, base - tall * load(at), radius, colour)
        t += SCAN_MS
    least = math.cos(math.pi * SCAN_MS / (2 * CONTACT_MS))
    page.text(520, 80, "big dots: samples of cell 5; small ones:", size=12, colour=ACCENT)
    page.text(520, 96, "the other cells, each at its own moment", size=12, colour=ACCENT)
    page.text(520, 124, "the heaviest sample of a cell is at least", size=12)
    share = f"cos(pi x {SCAN_MS:g} / 2 / {CONTACT_MS:g}) = {100 * least:.0f} % of its peak"
    page.text(520, 140, share, size=12)
    return page


DRAWINGS = {
    "cell": cell,
    "strip": strip,
    "divider": divider,
    "wiring": wiring,
    "mounting": mounting,
    "prints": prints,
    "scans": scans,
}


def main(folder: Path) -> None:
    """Write all drawings into a folder."""
    for name, draw in DRAWINGS.items():
        (folder / f"{name}.svg").write_text(draw().svg(), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
