"""Palette, type and paper of all figures; a figure as SVG text.

The palette is our own: four inks that stay apart under every kind of colour blindness and in
grey print (`tests/report` simulates them). Shape and words always say what colour says.
"""

from __future__ import annotations

import io
import re
from contextlib import AbstractContextManager
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from analysis.report.tables import MM_PER_INCH

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK = "#17202b"
BLUE = "#1f6fb8"
ORANGE = "#cf6410"
GREY = "#7f8993"
# Fills behind something; they carry no meaning of their own.
TINT = "#eef2f6"
EDGE = "#b9c2cb"


def new_figure(width_mm: float, height_mm: float) -> Figure:
    """Return an empty figure of this size on paper."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))


class MmPicture:
    """A picture measured in millimetres on paper, without axes.

    Axes look after ticks and limits that a drawing to scale has no use for: they take two thirds
    of its time.

    Parameters
    ----------
    width_mm, height_mm : float
        Of the picture.
    left_mm, bottom_mm : float
        What stands at its lower left corner.
    """

    def __init__(self, width_mm: float, height_mm: float, left_mm: float, bottom_mm: float) -> None:
        from matplotlib.transforms import Affine2D

        self.figure = new_figure(width_mm, height_mm)
        to_inches = Affine2D().translate(-left_mm, -bottom_mm).scale(1 / MM_PER_INCH)
        self.to_page = to_inches + self.figure.dpi_scale_trans

    def line(self, x: ArrayLike, y: ArrayLike, form: str = "-", **style: Any) -> None:  # noqa: ANN401
        """Draw a line, broken at NaN, or markers: ``form`` is matplotlib's letter for one."""
        from matplotlib.lines import Line2D

        if form != "-":
            style = {"ls": "none", "marker": form} | style
        self.figure.add_artist(Line2D(x, y, transform=self.to_page, **style))

    def lines(self, ends: ArrayLike, **style: Any) -> None:  # noqa: ANN401
        """Draw straight lines as one, shape (n, 4): x, y of one end, x, y of the other."""
        table = np.asarray(ends, dtype=np.float64)
        gap = np.full(len(table), np.nan)
        x = np.stack((table[:, 0], table[:, 2], gap), axis=1).ravel()
        y = np.stack((table[:, 1], table[:, 3], gap), axis=1).ravel()
        self.line(x, y, **style)

    def text(self, x_mm: float, y_mm: float, words: str, **style: Any) -> None:  # noqa: ANN401
        """Write words at a place."""
        from matplotlib.text import Text

        self.figure.add_artist(Text(x_mm, y_mm, words, transform=self.to_page, **style))


def our_style() -> AbstractContextManager[None]:
    """Put our settings in force, both for drawing a figure and for writing it."""
    from matplotlib import rc_context

    # Any: matplotlib names its three hundred settings as a literal type.
    settings: Any = {
        "font.family": "DejaVu Sans",
        "font.size": 7.5,
        "axes.edgecolor": GREY,
        "axes.labelcolor": INK,
        "axes.linewidth": 0.6,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "text.color": INK,
        # Nothing is above a title: to look for it takes a tenth of a chart's time.
        "axes.titley": 1.0,
        "xtick.color": INK,
        "ytick.color": INK,
        "xtick.labelsize": 7,
        "ytick.labelsize": 7,
        "xtick.major.width": 0.6,
        "ytick.major.width": 0.6,
        "lines.linewidth": 1.2,
        "legend.frameon": False,
        "legend.fontsize": 7,
        # Letters as outlines: the sheet looks the same wherever it is opened, and in the PDF.
        "svg.fonttype": "path",
        # The same figure gives the same bytes.
        "svg.hashsalt": "lieboard",
        # Player and club names are text, not formulas.
        "text.parse_math": False,
    }
    return rc_context(settings)


def as_svg(figure: Figure, name: str, says: str) -> str:
    """Return a figure as an ``<svg>`` element.

    Parameters
    ----------
    figure
        Drawn under `our_style`.
    name
        Letters and digits, different for each figure of a page: ids within begin with it.
    says
        What it shows, for someone who cannot see it.
    """
    out = io.StringIO()
    nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
    figure.savefig(out, format="svg", metadata=nothing)
    text = out.getvalue()
    # Several figures stand in one page: their ids must not meet.
    text = re.sub(r'\bid="', f'id="{name}_', text[text.index("<svg") :])
    text = re.sub(r'(href="|url\()#', rf"\1#{name}_", text)
    label = escape(says, quote=True)
    return text.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1).strip()


def group_of(svg: str, name: str) -> str:
    """Return what stands in an ``<svg>`` element as a group of this name, for other pictures."""
    inside = svg[svg.index(">") + 1 : svg.rindex("</svg>")]
    return f'<g id="{name}">{inside}</g>'
