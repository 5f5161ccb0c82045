"""Figures on the page of a PDF: to scale, words as words, in the place where they belong."""

import io

import numpy as np
import pytest
from pypdf import PdfReader
from pypdf.generic import ContentStream

from analysis.report.content import ClubContent, Dot
from analysis.report.drawing import our_style
from analysis.report.pdf import _new_pdf, report_pdf
from analysis.report.pdf_figures import draw_on_page
from analysis.report.soles import ruler_figure, sole_figure
from logger.session.results.report_data import report_content
from logger.store.store import Store

# ISO 32000-1, 8.3.2.3: a unit of user space is 1/72 inch.
MM_PER_POINT = 25.4 / 72

CLUB = ClubContent(
    label="7i", dots=(Dot(-30.0, 0.0, True, False), Dot(17.0, 0.0, False, False)), used=1,
    set_aside=1, lost=0, mean_mm=None, interval_mm=None, spread_mm=None, wanted_mm=0.0,
    wanted_words="", sole_length_mm=78.0, camber_mm=300.0, touched="", decision="", why="",
    off_line="", lie_error_deg=None,
    lie_interval_deg=None, wanted_lie_error_deg=0.0, level=None, lie_deg=None, length_mm=None,
    budget=(), improve=None,
)  # fmt: skip


@pytest.fixture
def content(db):
    with Store.open(db, read_only=True) as store:
        return report_content(store, store.sessions.all()[0], when=lambda ns: "then", made="now")


@pytest.fixture
def page(content):
    """A page with one sole, 20 mm from the left and 40 mm from the top."""
    pdf = _new_pdf(content, "A4")
    with our_style():
        for figure in (sole_figure(CLUB), ruler_figure()):
            draw_on_page(pdf, figure, 20.0, 40.0, "DejaVu")
    (read,) = PdfReader(io.BytesIO(bytes(pdf.output()))).pages
    return read


def words_of(page):
    """Words with the place of their left end, mm from the lower left corner."""
    found = {}

    def take(text, cm, tm, *_):
        if text.strip():
            found[text.strip()] = (
                (tm[4] * cm[0] + cm[4]) * MM_PER_POINT, (tm[5] * cm[3] + cm[5]) * MM_PER_POINT,
            )  # fmt: skip

    page.extract_text(visitor_text=take)
    return found


def test_a_millimetre_is_a_millimetre_on_paper(page):
    words = words_of(page)
    # Both labels are as wide as each other and stand centred on their marks.
    assert words["+40"][0] - words["+10"][0] == pytest.approx(30.0, abs=0.05)
    assert words["−10"][0] - words["−40"][0] == pytest.approx(30.0, abs=0.05)
    # Upright, and where it was put: the ruler stands below the sole's own words, 40 mm down.
    assert words["−40"][1] < words["heel"][1] < 297.0 - 40.0
    assert 20.0 < words["−40"][0] < words["heel"][0] < words["toe"][0] < 20.0 + 91.0


def test_dots_stand_where_the_strikes_were(page):
    """The round markers are curves (ISO 32000-1, 8.5.2); their middle is the strike's place."""
    middles, at, curves, outer = [], [], 0, []
    # Units of the page and, of a path, its own (8.3.4): what stands before is done first.
    unit = np.eye(3)
    for operands, operator in ContentStream(page["/Contents"].get_object(), page.pdf).operations:
        values = [float(v) for v in operands] if operator in (b"cm", b"m", b"c") else []
        if operator == b"q":
            outer.append(unit)
        elif operator == b"Q":
            unit = outer.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = values
            unit = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ unit
        elif operator == b"m":
            at, curves = [[*values, 1] @ unit], 0
        elif operator == b"c":
            at.append([*values[4:], 1] @ unit)
            curves += 1
        elif operator == b"B" and curves >= 8:
            x = [p[0] * MM_PER_POINT for p in at]
            if max(x) - min(x) < 3.0:
                middles.append((max(x) + min(x)) / 2)
    # The middle of the sole is the middle of the picture, 20 + 45.5 mm from the left.
    assert middles == [pytest.approx(65.5 - 30.0, abs=0.02)]


def test_no_picture_is_left_out(content):
    text = "\n".join(
        page.extract_text() for page in PdfReader(io.BytesIO(report_pdf(content))).pages
    )
    # A ruler for each sole, the set once.
    assert text.count("mm from the middle, toe +") == len(content.clubs)
    assert "Lie error as delivered" in text
    assert "Measured lie along the set" in text
