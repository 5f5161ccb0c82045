"""Figures drawn straight onto a page of the PDF: lines as PDF's own, words as words.

By way of SVG the PDF library takes ten times as long: it reads each letter's outline anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.path import Path

from analysis.report.drawing import MM_PER_INCH

if TYPE_CHECKING:
    from fpdf import FPDF
    from matplotlib.figure import Figure

_POINTS_PER_INCH = 72.0
_CAPS = {"butt": 0, "round": 1, "projecting": 2}
_JOINS = {"miter": 0, "round": 1, "bevel": 2}


def draw_on_page(pdf: FPDF, figure: Figure, x_mm: float, y_mm: float, font: str) -> None:
    """Draw a figure at full size with its upper left corner at a place of the current page.

    Parameters
    ----------
    pdf : FPDF
        Units are mm.
    figure : Figure
        Made under `analysis.report.drawing.our_style`; call under the same.
    x_mm, y_mm : float
        From the upper left corner of the page.
    font : str
        Name under which the PDF knows the figure's letters, plain and bold.
    """
    figure.dpi = _POINTS_PER_INCH
    height_mm = figure.get_figheight() * MM_PER_INCH
    bottom_mm = pdf.h - y_mm - height_mm
    figure.draw(_PageRenderer(pdf, figure, x_mm * pdf.k, bottom_mm * pdf.k, font))


class _PageRenderer(RendererBase):
    """Draws in points, from the lower left corner of the figure, as PDF does (ISO 32000-1, 8)."""

    def __init__(
        self, pdf: FPDF, figure: Figure, left_pt: float, bottom_pt: float, font: str
    ) -> None:
        super().__init__()
        self._pdf, self._font = pdf, font
        self._left, self._bottom = left_pt, bottom_pt
        size = figure.get_size_inches() * _POINTS_PER_INCH
        self._size = float(size[0]), float(size[1])

    def get_canvas_width_height(self) -> tuple[float, float]:
        """Size in points."""
        return self._size

    def flipy(self) -> bool:
        """Say that heights count from below, for words too."""
        return False

    def points_to_pixels(self, points: Any) -> Any:  # noqa: ANN401 - as matplotlib has it
        """Points are what is drawn in."""
        return points

    def draw_path(
        self,
        gc: GraphicsContextBase,
        path: Path,
        transform: Any,  # noqa: ANN401
        rgbFace: Any = None,  # noqa: ANN401
    ) -> None:
        """Draw lines and curves, filled or not (ISO 32000-1, 8.5)."""
        stroked = gc.get_linewidth() > 0 and gc.get_rgb()[3] > 0
        filled = rgbFace is not None and (len(rgbFace) < 4 or rgbFace[3] > 0)
        if not (stroked or filled):
            return
        parts = ["q", self._clip(gc)]
        if filled:
            parts.append(_colour(rgbFace, gc.get_alpha()) + " rg")
        if stroked:
            parts.append(_colour(gc.get_rgb(), gc.get_alpha()) + " RG")
            parts.append(f"{gc.get_linewidth():.3f} w")
            parts.append(f"{_CAPS[gc.get_capstyle()]} J {_JOINS[gc.get_joinstyle()]} j")
            offset, dashes = gc.get_dashes()
            if dashes is not None:
                lengths = " ".join(f"{dash:.3f}" for dash in np.asarray(dashes, np.float64))
                parts.append(f"[{lengths}] {float(offset or 0):.3f} d")
        parts.append(self._path(path, transform))
        parts.append("B" if filled and stroked else "S" if stroked else "f")
        parts.append("Q")
        # Within q and Q the library's own notion of colours and widths stays true.
        self._pdf._out("\n".join(part for part in parts if part))

    def draw_text(
        self,
        gc: GraphicsContextBase,
        x: float,
        y: float,
        s: str,
        prop: Any,  # noqa: ANN401
        angle: float,
        ismath: Any = False,  # noqa: ANN401
        mtext: Any = None,  # noqa: ANN401
    ) -> None:
        """Write words, which can be searched and read out."""
        pdf = self._pdf
        bold = prop.get_weight() in ("bold", "heavy", 700)
        pdf.set_font(self._font, style="B" if bold else "", size=prop.get_size_in_points())
        red, green, blue = (round(255 * part) for part in gc.get_rgb()[:3])
        pdf.set_text_color(red, green, blue)
        left, top = (self._left + x) / pdf.k, pdf.h - (self._bottom + y) / pdf.k
        if angle:
            with pdf.rotation(angle, left, top):
                pdf.text(left, top, s)
        else:
            pdf.text(left, top, s)

    def _clip(self, gc: GraphicsContextBase) -> str:
        box = gc.get_clip_rectangle()
        if box is None:
            return ""
        x, y, width, height = box.bounds
        return f"{self._left + x:.3f} {self._bottom + y:.3f} {width:.3f} {height:.3f} re W n"

    def _path(self, path: Path, transform: Any) -> str:  # noqa: ANN401
        said = []
        at = np.zeros(2)
        origin = np.array([self._left, self._bottom])
        for ends, code in path.iter_segments(transform, remove_nans=True):
            if code == Path.CLOSEPOLY:
                said.append("h")
                continue
            points = np.asarray(ends, dtype=np.float64).reshape(-1, 2) + origin
            if code == Path.CURVE3:
                # The same parabola as a cubic: control points two thirds of the way.
                points = np.array(
                    [
                        at + 2 / 3 * (points[0] - at),
                        points[1] + 2 / 3 * (points[0] - points[1]),
                        points[1],
                    ]
                )
            letter = "m" if code == Path.MOVETO else "l" if len(points) == 1 else "c"
            said.append(" ".join(f"{value:.3f}" for value in points.ravel()) + " " + letter)
            at = points[-1]
        return "\n".join(said)


def _colour(rgb: Any, alpha: float | None) -> str:  # noqa: ANN401
    """Red, green and blue as PDF writes them; what shines through is the paper."""
    opacity = rgb[3] if len(rgb) > 3 else 1.0 if alpha is None else alpha
    return " ".join(f"{1 - opacity * (1 - part):.3f}" for part in rgb[:3])
