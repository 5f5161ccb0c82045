"""Figures drawn onto a page of the PDF: lines as PDF's own, words as words.

By way of SVG the PDF library takes ten times as long: it reads each letter's outline again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from fpdf.drawing_primitives import DeviceRGB
from fpdf.enums import PathPaintRule, StrokeCapStyle, StrokeJoinStyle
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.path import Path

from analysis.conventions import FloatArray
from analysis.report.tables import MM_PER_INCH

if TYPE_CHECKING:
    from fpdf import FPDF
    from matplotlib.figure import Figure

_POINTS_PER_INCH = 72.0
_NOWHERE: FloatArray = np.empty((0, 2))
_CAPS = {
    "butt": StrokeCapStyle.BUTT,
    "round": StrokeCapStyle.ROUND,
    "projecting": StrokeCapStyle.SQUARE,
}
_JOINS = {
    "miter": StrokeJoinStyle.MITER,
    "round": StrokeJoinStyle.ROUND,
    "bevel": StrokeJoinStyle.BEVEL,
}
_PAINT = {
    (True, True): PathPaintRule.STROKE_FILL_NONZERO,
    (True, False): PathPaintRule.FILL_NONZERO,
    (False, True): PathPaintRule.STROKE,
}


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
    DrawnFigure(figure).put(pdf, x_mm, y_mm, font)


class DrawnFigure:
    """A figure worked out once, to be put on pages any number of times.

    Parameters
    ----------
    figure : Figure
        Made under `analysis.report.drawing.our_style`; call under the same.
    """

    def __init__(self, figure: Figure) -> None:
        figure.dpi = _POINTS_PER_INCH
        self._height_mm = figure.get_figheight() * MM_PER_INCH
        renderer = _Renderer(figure)
        figure.draw(renderer)
        self._parts = renderer.parts

    def put(self, pdf: FPDF, x_mm: float, y_mm: float, font: str) -> None:
        """Put it on the current page; as `draw_on_page`."""
        left = x_mm * pdf.k
        bottom = (pdf.h - y_mm - self._height_mm) * pdf.k
        for part in self._parts:
            part.put(pdf, left, bottom, font)


@dataclass(frozen=True, slots=True)
class _Shape:
    pieces: list[tuple[FloatArray, str]]
    """Points, and what is drawn through them: ``move``, ``line``, ``curve`` or ``close``."""
    clip: Sequence[float]
    """x, y, width, height, points; empty = all of it shows."""
    fill: DeviceRGB | None
    stroke: DeviceRGB | None
    line: _Line

    def put(self, pdf: FPDF, left: float, bottom: float, _font: str) -> None:
        if not self.clip:
            self._draw(pdf, left, bottom)
            return
        x, y, width, height = (value / pdf.k for value in self.clip)
        top = pdf.h - bottom / pdf.k - y - height
        with pdf.rect_clip(left / pdf.k + x, top, width, height):
            self._draw(pdf, left, bottom)

    def _draw(self, pdf: FPDF, left: float, bottom: float) -> None:
        rule = _PAINT[self.fill is not None, self.stroke is not None]
        with pdf.new_path(paint_rule=rule) as path:
            style = path.style
            style.auto_close = False
            style.fill_color, style.stroke_color = self.fill, self.stroke
            style.stroke_width = self.line.width / pdf.k
            style.stroke_cap_style, style.stroke_join_style = self.line.cap, self.line.join
            style.stroke_dash_pattern = [dash / pdf.k for dash in self.line.dashes]
            style.stroke_dash_phase = self.line.phase / pdf.k
            draw: dict[str, Callable[..., object]] = {
                "move": path.move_to,
                "line": path.line_to,
                "curve": path.curve_to,
            }
            for points, how in self.pieces:
                if how == "close":
                    path.close()
                    continue
                x, y = (left + points[:, 0]) / pdf.k, pdf.h - (bottom + points[:, 1]) / pdf.k
                draw[how](*np.column_stack([x, y]).ravel().tolist())


@dataclass(frozen=True, slots=True)
class _Line:
    """How a line is drawn; lengths in points."""

    width: float = 0.0
    cap: StrokeCapStyle = StrokeCapStyle.BUTT
    join: StrokeJoinStyle = StrokeJoinStyle.ROUND
    dashes: Sequence[float] = ()
    phase: float = 0.0


@dataclass(frozen=True, slots=True)
class _Words:
    text: str
    x: float
    y: float
    angle_deg: float
    size_pt: float
    bold: bool
    rgb: tuple[int, int, int]

    def put(self, pdf: FPDF, left: float, bottom: float, font: str) -> None:
        pdf.set_font(font, style="B" if self.bold else "", size=self.size_pt)
        pdf.set_text_color(*self.rgb)
        x_mm, y_mm = (left + self.x) / pdf.k, pdf.h - (bottom + self.y) / pdf.k
        if self.angle_deg:
            with pdf.rotation(self.angle_deg, x_mm, y_mm):
                pdf.text(x_mm, y_mm, self.text)
        else:
            pdf.text(x_mm, y_mm, self.text)


class _Renderer(RendererBase):
    """Draws in points, from the lower left corner of the figure, as PDF does (ISO 32000-1, 8)."""

    def __init__(self, figure: Figure) -> None:
        super().__init__()
        self.parts: list[_Shape | _Words] = []
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
        line = _Line()
        if stroked:
            phase, dashes = gc.get_dashes()
            line = _Line(
                gc.get_linewidth(),
                _CAPS[gc.get_capstyle()],
                _JOINS[gc.get_joinstyle()],
                () if dashes is None else np.asarray(dashes, np.float64).tolist(),
                float(phase or 0),
            )
        box = gc.get_clip_rectangle()
        self.parts.append(
            _Shape(
                _pieces(path, transform),
                () if box is None else box.bounds,
                _colour(rgbFace, gc.get_alpha()) if filled else None,
                _colour(gc.get_rgb(), gc.get_alpha()) if stroked else None,
                line,
            )
        )

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
        red, green, blue = (round(255 * part) for part in gc.get_rgb()[:3])
        bold = prop.get_weight() in ("bold", "heavy", 700)
        size = prop.get_size_in_points()
        self.parts.append(_Words(s, x, y, angle, size, bold, (red, green, blue)))


def _pieces(path: Path, transform: Any) -> list[tuple[FloatArray, str]]:  # noqa: ANN401
    said = []
    at = _NOWHERE
    for ends, code in path.iter_segments(transform, remove_nans=True):
        if code == Path.CLOSEPOLY:
            said.append((_NOWHERE, "close"))
            continue
        points = np.array(ends, dtype=np.float64).reshape(-1, 2)
        if code == Path.CURVE3:
            # The same parabola as a cubic: control points two thirds of the way.
            points = np.array(
                [
                    at + 2 / 3 * (points[0] - at),
                    points[1] + 2 / 3 * (points[0] - points[1]),
                    points[1],
                ]
            )
        how = "move" if code == Path.MOVETO else "line" if len(points) == 1 else "curve"
        said.append((points, how))
        at = points[-1]
    return said


def _colour(rgb: Any, alpha: float | None) -> DeviceRGB:  # noqa: ANN401
    """Red, green and blue as PDF has them; what shines through is the paper."""
    opacity = rgb[3] if len(rgb) > 3 else 1.0 if alpha is None else alpha
    return DeviceRGB(*(1 - opacity * (1 - part) for part in rgb[:3]))
