"""The report as a PDF, laid out here: no browser is needed."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from analysis.conventions import Hand
from analysis.report.content import ReportContent
from analysis.report.drawing import EDGE, GREY, INK, ORANGE, our_style
from analysis.report.set_chart import set_figure
from analysis.report.soles import PICTURE_MM, ruler_figure, sole_figure
from analysis.report.tables import (
    BUDGET_LEGEND,
    CLUB_LEGEND,
    MM_PER_INCH,
    SheetCells,
    budget_rows,
    club_heads,
    club_rows,
    sheet_cells,
    sole_legend,
)

if TYPE_CHECKING:
    from fpdf import FPDF
    from matplotlib.figure import Figure

Paper = Literal["A4", "Letter"]

# So wide that Letter has room beside it and A4 (11 mm narrower than high pages allow) below it.
_WIDTH_MM = 186.0
_TOP_MM = 13.0
_BOTTOM_MM = 14.0
_LINE_MM = 3.9
_FONT = "DejaVu"
# Cells of a row in bold.
_ALL = 99


def report_pdf(report: ReportContent, paper: Paper = "A4", *, inches: bool = False) -> bytes:
    """Lay a report out on paper; figures are vectors, soles full size.

    Parameters
    ----------
    report : ReportContent
    paper : {'A4', 'Letter'}
    inches : bool
        Lengths in inches instead of mm; soles are full size either way.

    Returns
    -------
    bytes
        A PDF file.

    Raises
    ------
    ValueError
        A report without clubs.
    """
    if not report.clubs:
        raise ValueError("a report needs at least one club")
    # The PDF library names every letter that the font lacks; such a letter shows as a box.
    logging.getLogger("fpdf").setLevel(logging.ERROR)
    pdf = _new_pdf(report, paper)
    _head(pdf, report)
    _clubs(pdf, report, inches)
    _sheet(pdf, report)
    _set(pdf, report, inches)
    _soles(pdf, report, inches)
    _budgets(pdf, report)
    _title(pdf, "Board, calibration and methods")
    _facts(pdf, (*report.boards, *report.methods))
    pdf.ln(2)
    _small(pdf, report.made)
    return bytes(pdf.output())


def _new_pdf(report: ReportContent, paper: Paper) -> FPDF:
    from fpdf import FPDF

    foot = f"{report.player}, session {report.session}, {report.date}"

    class PaperSheet(FPDF):
        def footer(self) -> None:
            self.set_y(-9)
            self.set_font(_FONT, size=6.5)
            self.set_text_color(GREY)
            self.cell(_WIDTH_MM / 2, 4, foot)
            self.cell(_WIDTH_MM / 2, 4, f"{self.page_no()} / {{nb}}", align="R")

    pdf = PaperSheet(format=paper)
    side = (pdf.w - _WIDTH_MM) / 2
    pdf.set_margins(side, _TOP_MM, side)
    pdf.set_auto_page_break(True, _BOTTOM_MM)
    for face, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
        pdf.add_font(_FONT, face, _fonts() / name)
    pdf.set_title(f"{report.player}: {report.set_name}, session {report.session}")
    pdf.set_lang("en")
    pdf.add_page()
    return pdf


@cache
def _fonts() -> Path:
    """Letters of the figures, for the text as well; they cover most alphabets."""
    from matplotlib import get_data_path

    return Path(get_data_path(), "fonts", "ttf")


def _head(pdf: FPDF, report: ReportContent) -> None:
    _type(pdf, 15, bold=True)
    pdf.multi_cell(0, 7, f"{report.player}: {report.set_name}", new_x="LMARGIN", new_y="NEXT")
    _type(pdf, 8.5)
    line = f"Fitting session {report.session}, {report.date}, {report.hand}-handed"
    pdf.cell(0, 5, line, new_x="LMARGIN", new_y="NEXT")
    pdf.ln(1)
    _facts(pdf, report.facts)
    for remark in report.remarks:
        pdf.ln(1.4)
        top, page = pdf.get_y(), pdf.page
        pdf.set_x(pdf.l_margin + 4)
        _type(pdf, 8)
        pdf.multi_cell(_WIDTH_MM - 4, _LINE_MM, remark, new_x="LMARGIN", new_y="NEXT")
        if pdf.page == page:
            pdf.set_fill_color(ORANGE)
            pdf.rect(pdf.l_margin, top, 1.2, pdf.get_y() - top, style="F")


def _clubs(pdf: FPDF, report: ReportContent, inches: bool) -> None:
    _title(pdf, "Clubs")
    widths = (12, 9, 10, 8, 15, 25, 12, 12, 25, 18, 40)
    with _table(pdf, widths, "LRRRRRRRRLL", club_heads(inches=inches)) as rows:
        for cells in club_rows(report, inches=inches):
            rows.row(cells)
    _small(pdf, CLUB_LEGEND)


def _sheet(pdf: FPDF, report: ReportContent) -> None:
    if report.sheet is None:
        return
    _title(pdf, "Bend sheet")
    heads = (
        "club", "decision", "pulls: tick when measured",
        f"{'off the line' if report.sheet.gaps else 'lie error'}\nnow, after",
        "measured lie\nnow, to be", "measured\nafter: lie", "loft",
    )  # fmt: skip
    cells = [sheet_cells(row) for row in report.sheet.rows]
    with _table(pdf, (13, 38, 36, 27, 30, 21, 21), "LLLRRRR", heads, line_mm=5.2) as rows:
        for one in cells:
            rows.row(
                (one.label, one.decision, "", one.error, one.static, "", ""), _Ticks(one), bold=2
            )
    pdf.ln(1)
    _small(
        pdf,
        f"Smallest step of the machine {report.sheet.increment_deg:g}°.   Bent by "
        "______________________   on ______________",
    )
    pdf.ln(1)
    with _table(pdf, (13, 173), "LL", ("club", "why")) as rows:
        for row in report.sheet.rows:
            rows.row((row.label, row.why))
    for note in report.sheet.notes:
        _small(pdf, note)
    _title(pdf, "Cautions", room_mm=30)
    _type(pdf, 7.5)
    for caution in report.sheet.cautions:
        pdf.cell(4, _LINE_MM, "•")
        pdf.multi_cell(_WIDTH_MM - 4, _LINE_MM, caution, new_x="LMARGIN", new_y="NEXT")


def _set(pdf: FPDF, report: ReportContent, inches: bool) -> None:
    rows = report.sheet.rows if report.sheet else ()
    with our_style():
        figure = set_figure(report.clubs, rows, inches=inches)
        height = float(figure.get_figheight()) * MM_PER_INCH
        _title(pdf, "The set", room_mm=height + 2)
        _picture(pdf, figure, pdf.l_margin + 1)
    pdf.set_y(pdf.get_y() + height)


def _soles(pdf: FPDF, report: ReportContent, inches: bool) -> None:
    from analysis.report.pdf_figures import DrawnFigure

    width, height = PICTURE_MM
    _title(pdf, "Soles, drawn to scale", room_mm=height + 20)
    _small(pdf, sole_legend(inches=inches))
    pdf.ln(1)
    with our_style():
        ruler = DrawnFigure(ruler_figure(Hand(report.hand), inches=inches))
    for index, club in enumerate(report.clubs):
        column = index % 2
        if column == 0:
            _keep_together(pdf, height + 5)
        top = pdf.get_y()
        left = pdf.l_margin + column * (_WIDTH_MM - width)
        pdf.set_xy(left, top)
        _type(pdf, 8.5, bold=True)
        pdf.cell(width / 3, 4, club.label)
        _type(pdf, 8)
        pdf.cell(width * 2 / 3, 4, club.decision, align="R")
        pdf.set_y(top + 4)
        with our_style():
            _picture(pdf, sole_figure(club, Hand(report.hand), inches=inches), left)
        ruler.put(pdf, left, pdf.get_y(), _FONT)
        last = column == 1 or index == len(report.clubs) - 1
        pdf.set_y(top + height + 5 if last else top)


def _budgets(pdf: FPDF, report: ReportContent) -> None:
    _title(pdf, "Where the doubt comes from", room_mm=35)
    _small(pdf, BUDGET_LEGEND)
    heads = ("club", "u", "causes, largest first", "what to improve first")
    with _table(pdf, (13, 13, 92, 68), "LRLL", heads) as rows:
        for cells in budget_rows(report):
            rows.row(cells)


class _Ticks:
    """Boxes to tick at the machine and lines to write on, over one row of the bend sheet."""

    def __init__(self, cells: SheetCells) -> None:
        self._pulls = cells.pulls

    def draw(self, pdf: FPDF, top_mm: float, bottom_mm: float) -> None:
        middle = (top_mm + bottom_mm) / 2
        pdf.set_draw_color(INK)
        pdf.set_line_width(0.25)
        x = pdf.l_margin + 13 + 38 + 1.2
        _type(pdf, 8)
        for pull in self._pulls:
            pdf.rect(x, middle - 1.6, 3.2, 3.2)
            pdf.text(x + 4.0, middle + 1.0, pull)
            x += 5.5 + pdf.get_string_width(pull)
        for left in (144.0, 165.0):
            line = pdf.l_margin + left
            pdf.line(line + 4, bottom_mm - 1.3, line + 18, bottom_mm - 1.3)
            pdf.text(line + 18.5, bottom_mm - 1.6, "°")


class _Rows:
    """Rows of a table that never break across pages, under a head that comes again."""

    def __init__(
        self, pdf: FPDF, widths: Sequence[float], aligns: str, heads: Sequence[str], line_mm: float
    ) -> None:
        self._pdf, self._widths, self._aligns = pdf, widths, aligns
        self._heads, self._line_mm = heads, line_mm
        self._widths_of: dict[tuple[str, str], float] = {}
        self._head()

    def _head(self) -> None:
        self._draw(self._lines(self._heads, _ALL), bold=_ALL, line_mm=_LINE_MM)
        self._rule(INK, 0.35)

    def row(self, cells: Sequence[str], after: _Ticks | None = None, bold: int = 1) -> None:
        """Add a row, its first cells bold; ``after`` draws over it."""
        pdf = self._pdf
        lines = self._lines(cells, bold)
        height = max(map(len, lines)) * self._line_mm + 1.0
        if pdf.get_y() + height > pdf.h - pdf.b_margin:
            pdf.add_page()
            self._head()
        top = pdf.get_y()
        self._draw(lines, bold=bold, line_mm=self._line_mm)
        if after is not None:
            bottom = pdf.get_y()
            after.draw(pdf, top, bottom)
            pdf.set_xy(pdf.l_margin, bottom)
        self._rule(EDGE, 0.15)

    def _lines(self, cells: Sequence[str], bold: int) -> list[list[str]]:
        found = []
        for index, (cell, width) in enumerate(zip(cells, self._widths, strict=True)):
            _type(self._pdf, 8, bold=index < bold)
            found.append(self._broken(cell, width))
        return found

    def _broken(self, words: str, width_mm: float) -> list[str]:
        """Break words into lines as the library does, which tries each letter, in less time."""
        pdf = self._pdf
        room = width_mm - 2 * pdf.c_margin
        space = self._wide(" ")
        lines, line, used = [], "", 0.0
        for word in words.split(" "):
            wide = self._wide(word)
            # Within a word only the library breaks.
            if wide > room or "\n" in word:
                split = pdf.multi_cell(
                    width_mm, self._line_mm, words, dry_run=True, output="LINES", align="L"
                )
                return [str(one) for one in split] if isinstance(split, list) else []
            if line and used + space + wide > room:
                lines.append(line)
                line, used = word, wide
            else:
                line, used = (f"{line} {word}", used + space + wide) if line else (word, wide)
        return [*lines, line]

    def _wide(self, word: str) -> float:
        """Width of a word in the type that is set, mm."""
        key = self._pdf.font_style, word
        if key not in self._widths_of:
            self._widths_of[key] = self._pdf.get_string_width(word)
        return self._widths_of[key]

    def _draw(self, lines: Sequence[Sequence[str]], *, bold: int, line_mm: float) -> None:
        pdf = self._pdf
        high = max(len(one) for one in lines)
        top, left = pdf.get_y() + 0.5, pdf.l_margin
        for index, (text, width) in enumerate(zip(lines, self._widths, strict=True)):
            _type(pdf, 8, bold=index < bold)
            # Heads stand on the rule below them.
            start = top + (high - len(text)) * line_mm if bold == _ALL else top
            for number, line in enumerate(text):
                pdf.set_xy(left, start + number * line_mm)
                pdf.cell(width, line_mm, line, align=self._aligns[index])
            left += width
        pdf.set_xy(pdf.l_margin, top + high * line_mm + 0.5)

    def _rule(self, colour: str, width_mm: float) -> None:
        pdf = self._pdf
        pdf.set_draw_color(colour)
        pdf.set_line_width(width_mm)
        pdf.line(pdf.l_margin, pdf.get_y(), pdf.l_margin + sum(self._widths), pdf.get_y())


@contextmanager
def _table(
    pdf: FPDF,
    widths: Sequence[float],
    aligns: str,
    heads: Sequence[str],
    line_mm: float = _LINE_MM,
) -> Iterator[_Rows]:
    yield _Rows(pdf, widths, aligns, heads, line_mm)
    pdf.ln(0.8)


def _facts(pdf: FPDF, facts: Sequence[tuple[str, str]]) -> None:
    """Two to a line; a long one has a line of its own."""
    half = _WIDTH_MM / 2
    column = 0
    for name, value in facts:
        _type(pdf, 8)
        long = pdf.get_string_width(value) > half - 34
        if long and column:
            pdf.ln(_LINE_MM)
            column = 0
        pdf.set_x(pdf.l_margin + column * half)
        pdf.set_text_color(GREY)
        pdf.cell(30, _LINE_MM, name)
        pdf.set_text_color(INK)
        if long:
            pdf.multi_cell(_WIDTH_MM - 30, _LINE_MM, value, new_x="LMARGIN", new_y="NEXT")
        else:
            pdf.cell(half - 30, _LINE_MM, value)
            column = 1 - column
            if column == 0:
                pdf.ln(_LINE_MM)
    if column:
        pdf.ln(_LINE_MM)


def _title(pdf: FPDF, words: str, room_mm: float = 24.0) -> None:
    pdf.ln(4)
    _keep_together(pdf, room_mm + 8)
    _type(pdf, 10.5, bold=True)
    pdf.cell(0, 6, words, new_x="LMARGIN", new_y="NEXT")
    pdf.set_draw_color(GREY)
    pdf.set_line_width(0.2)
    pdf.line(pdf.l_margin, pdf.get_y(), pdf.l_margin + _WIDTH_MM, pdf.get_y())
    pdf.ln(1)


def _keep_together(pdf: FPDF, height_mm: float) -> None:
    if pdf.get_y() + height_mm > pdf.h - pdf.b_margin:
        pdf.add_page()


def _small(pdf: FPDF, words: str) -> None:
    _type(pdf, 7)
    pdf.multi_cell(0, 3.5, words, new_x="LMARGIN", new_y="NEXT")


def _type(pdf: FPDF, size_pt: float, *, bold: bool = False) -> None:
    pdf.set_font(_FONT, style="B" if bold else "", size=size_pt)
    pdf.set_text_color(INK)


def _picture(pdf: FPDF, figure: Figure, x_mm: float) -> None:
    from analysis.report.pdf_figures import draw_on_page

    draw_on_page(pdf, figure, x_mm, pdf.get_y(), _FONT)
