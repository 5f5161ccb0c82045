"""A club's sole, drawn to scale, with every strike on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.conventions import USUAL_SOLE_MM, Hand
from analysis.report.content import ClubContent, Dot
from analysis.report.drawing import (
    BLUE,
    EDGE,
    GREY,
    INK,
    ORANGE,
    TINT,
    MmPicture,
    as_svg,
    group_of,
    our_style,
)
from analysis.report.tables import MM_PER_INCH, minus, place, places

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# On paper one millimetre of sole is one millimetre.
PICTURE_MM = (91.0, 46.0)
_SHOWN_MM = 43.0
# Depth of a usual sole front to back. Common practice, no source; the outline only frames the
# strikes.
_DEPTH_MM = 22.0


def sole_svgs(
    clubs: Sequence[ClubContent], name: str, hand: Hand = Hand.RIGHT, *, inches: bool = False
) -> list[str]:
    """Draw clubs' soles with their strikes, means, intervals and wanted places, for one page.

    Parameters
    ----------
    clubs : sequence of ClubContent
    name : str
        For the ids within (`analysis.report.drawing.as_svg`).
    hand : Hand
        A left-hander's are drawn the other way round, as they lie before the player.
    inches : bool
        What ruler and words are in; the drawing is to scale either way.

    Returns
    -------
    list of str
        For each club an ``<svg>`` element of `PICTURE_MM`; heel left, toe right (a left-hander's
        the other way round), leading edge below. The ruler is in the first, and the others refer
        to it: its words are most of a picture's time and bytes.
    """
    found = []
    with our_style():
        ruler = group_of(as_svg(ruler_figure(hand, inches=inches), f"{name}r", ""), f"{name}_ruler")
        for index, club in enumerate(clubs):
            svg = as_svg(
                sole_figure(club, hand, inches=inches), f"{name}{index}", _says(club, inches)
            )
            found.append(svg.removesuffix("</svg>") + ruler + "</svg>")
            ruler = f'<use href="#{name}_ruler"/>'
    return found


def sole_figure(club: ClubContent, hand: Hand = Hand.RIGHT, *, inches: bool = False) -> Figure:
    """Draw one club's sole without its ruler; call under `analysis.report.drawing.our_style`."""
    picture = _picture()
    sign = hand.toe_sign
    _outline(picture, club, sign)
    _dots(picture, club.dots, sign)
    _middle(picture, club, sign, inches)
    return picture.figure


def ruler_figure(hand: Hand = Hand.RIGHT, *, inches: bool = False) -> Figure:
    """Draw the ruler of all soles, with nothing behind it; as `sole_figure`."""
    picture = _picture()
    picture.figure.patch.set_visible(False)
    _ruler(picture, hand.toe_sign, inches)
    return picture.figure


def _picture() -> MmPicture:
    width, height = PICTURE_MM
    # 0 at mid-sole, the middle of the picture.
    return MmPicture(width, height, -width / 2, -26.0)


def _outline(picture: MmPicture, club: ClubContent, sign: int) -> None:
    from matplotlib.patches import FancyBboxPatch

    length = club.sole_length_mm or USUAL_SOLE_MM
    x, y = -length / 2, -_DEPTH_MM / 2
    box = f"round,pad=0,rounding_size={_DEPTH_MM / 2.2}"
    dash = "-" if club.sole_length_mm else (0, (4, 2))
    picture.figure.add_artist(
        FancyBboxPatch(
            (x, y), length, _DEPTH_MM, boxstyle=box, fc=TINT, ec=EDGE, lw=1.0, ls=dash, zorder=0,
            transform=picture.to_page,
        )
    )  # fmt: skip
    picture.line([0, 0], [y, -y], color=EDGE, lw=0.8, zorder=1)
    left, right = ("heel", "toe") if sign > 0 else ("toe", "heel")
    for at, word, side in ((x + 3.5, left, "left"), (-x - 3.5, right, "right")):
        picture.text(at, 0, word, ha=side, va="center", color=GREY, fontsize=7, zorder=1)


def _ruler(picture: MmPicture, sign: int, inches: bool) -> None:
    at = -_DEPTH_MM / 2 - 4.0
    # Whole steps that are long ticks with a figure, halves between: 10 mm, or half an inch.
    step, form = (MM_PER_INCH / 2, "+.1f") if inches else (10.0, "+.0f")
    reach = 3 if inches else 4
    ticks = [
        (half * step / 2, at, half * step / 2, at - (0.9 if half % 2 else 1.6))
        for half in range(-2 * reach, 2 * reach + 1)
    ]
    picture.lines([(-reach * step, at, reach * step, at), *ticks], color=GREY, lw=0.6)
    for whole in range(-reach, reach + 1):
        shown = whole / 2 if inches else whole * step
        words = minus(f"{shown:{form}}") if whole else "0"
        picture.text(sign * whole * step, at - 2.2, words, ha="center", va="top", fontsize=6.5)
    words = f"{'inches' if inches else 'mm'} from the middle, toe +"
    picture.text(0, at - 6.2, words, ha="center", va="top", fontsize=6.5)


def _dots(picture: MmPicture, dots: Sequence[Dot], sign: int) -> None:
    count = len(dots)
    aside: list[tuple[float, float]] = []
    marks: list[tuple[float, float]] = []
    strikes: list[tuple[float, float]] = []
    beyond: dict[str, list[tuple[float, float]]] = {">": [], "<": []}
    for index, dot in enumerate(dots):
        x = sign * float(np.clip(dot.toe_mm, -_SHOWN_MM, _SHOWN_MM))
        # What is not known front to back is spread out in the order it was struck.
        spread = _DEPTH_MM * 0.36 * (1 - 2 * (index + 0.5) / count)
        # + is toward the trailing edge, which is drawn above.
        y = spread if dot.trail_mm is None else float(np.clip(dot.trail_mm, -10.5, 10.5))
        (aside if not dot.used else marks if dot.by_mark else strikes).append((x, y))
        if x != sign * dot.toe_mm:
            beyond[">" if x > 0 else "<"].append((x, y))
    for arrow, outside in beyond.items():
        _put(picture, outside, arrow, ms=6, mfc="none", mec=GREY, mew=0.8, zorder=3)
    _put(picture, aside, "x", ms=4.5, mew=1.1, color=GREY, zorder=4)
    _put(picture, marks, "s", ms=4.6, mec=BLUE, mfc="white", mew=1.2, zorder=5)
    _put(picture, strikes, "o", ms=4.6, mec="white", mfc=BLUE, mew=0.5, zorder=5)


def _put(
    picture: MmPicture,
    places: Sequence[tuple[float, float]],
    form: str,
    **style: Any,  # noqa: ANN401 - matplotlib's own
) -> None:
    if places:
        x, y = zip(*places, strict=True)
        picture.line(x, y, form, **style)


def _middle(picture: MmPicture, club: ClubContent, sign: int, inches: bool) -> None:
    top = _DEPTH_MM / 2
    wanted = sign * float(np.clip(club.wanted_mm, -_SHOWN_MM, _SHOWN_MM))
    picture.line([wanted] * 2, [-top, top + 1.5], color=ORANGE, lw=1.3, ls=(0, (3, 1.5)), zorder=3)
    picture.line([wanted], [top + 2.6], "v", ms=5, color=ORANGE, zorder=3)
    if club.mean_mm is None:
        picture.text(0, top + 5.0, "no usable strike", ha="center", va="bottom")
        return
    mean = sign * float(np.clip(club.mean_mm, -_SHOWN_MM, _SHOWN_MM))
    level = top + 4.4
    picture.line([mean, mean], [-top, level], color=INK, lw=1.4, zorder=6)
    words = f"mean {place(club.mean_mm, inches=inches)} {'in' if inches else 'mm'}"
    interval = club.interval_mm
    if interval is not None:
        low, high = sign * np.clip([interval.low, interval.high], -_SHOWN_MM, _SHOWN_MM)
        picture.line([low, high], [level] * 2, color=INK, lw=1.6, solid_capstyle="butt", zorder=6)
        ends = [(end, level - 0.9, end, level + 0.9) for end in (low, high)]
        picture.lines(ends, color=INK, lw=1.0, zorder=6)
        ends_words = places(interval, inches=inches).replace("…", "to")
        words += f"  ({100 * interval.confidence:.0f} %: {ends_words})"
    at = float(np.clip(mean, -20, 20))
    picture.text(at, level + 1.4, words, ha="center", va="bottom", fontsize=7)


def _says(club: ClubContent, inches: bool) -> str:
    unit = "in" if inches else "mm"
    mean = "no usable strike"
    if club.mean_mm is not None:
        mean = f"mean contact {place(club.mean_mm, inches=inches)} {unit}"
    wanted = f"wanted {place(club.wanted_mm, inches=inches)} {unit}"
    return f"Sole of {club.label}: {club.used} strikes, {mean}, {wanted}"
