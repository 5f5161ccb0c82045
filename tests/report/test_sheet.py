"""The sheet itself: to scale, whole, self-contained, names as text."""

import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from pypdf import PdfReader

from analysis.conventions import Hand
from analysis.report.content import ClubContent, Dot
from analysis.report.html import report_html
from analysis.report.pdf import report_pdf
from analysis.report.soles import PICTURE_MM, sole_svgs
from logger.session.results.report_data import report_content
from logger.store.store import Store

MM_PER_POINT = 25.4 / 72


@pytest.fixture
def content(db):
    with Store.open(db, read_only=True) as store:
        return report_content(
            store,
            store.sessions.all()[0],
            when=lambda ns: "2024-01-01 13:00",
            made="made <b>now</b>",
        )


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.ids, self.links, self.text = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name in ("src", "href", "xlink:href"):
                self.links.append(value)

    def handle_data(self, data):
        self.text.append(data)


def test_the_page_needs_nothing_else(content):
    text = report_html(content)
    page = Page(text)
    assert not {"script", "link", "img", "iframe", "object"} & set(page.tags)
    assert all(link.startswith("#") for link in page.links)
    assert "@import" not in text
    assert re.search(r"url\((?!#)", text) is None
    # Figures share one page: every id once, every reference known.
    assert len(set(page.ids)) == len(page.ids)
    assert {link[1:] for link in page.links} <= set(page.ids)
    assert set(re.findall(r"url\(#([^)]*)\)", text)) <= set(page.ids)
    # The set and three clubs.
    assert page.tags.count("svg") == 4


def test_names_are_shown_as_text(content, player, formula_club):
    text = report_html(content)
    assert "<script" not in text
    assert "<i>mat" not in text
    assert "made <b>" not in text
    shown = "".join(Page(text).text)
    assert player in shown
    assert formula_club in shown
    assert "@range <i>mat</i>" in shown


def test_the_sheet_says_it_all(content):
    shown = "".join(Page(report_html(content)).text)
    for words in (
        "Bend sheet",
        "Cautions",
        "eye protection",
        "its own swings",
        "read by eye",
        "none: marks read off the sole",
        "no lie error yet",
        "Lie not measured: PW",
    ):
        assert words in shown, words
    (seven,) = [club for club in content.clubs if club.label == "7i"]
    assert seven.used == 6
    # The mean of the six marks, 77.0 / 6, to a robust mean's tenth or two.
    assert seven.mean_mm == pytest.approx(77.0 / 6, abs=0.3)
    assert f"+{seven.mean_mm:.1f}" in shown


BARE = ClubContent(
    label="7i", dots=(), used=0, set_aside=0, lost=0, mean_mm=None, interval_mm=None,
    spread_mm=None, wanted_mm=0.0, wanted_words="", sole_length_mm=78.0, camber_mm=300.0,
    touched="", decision="", why="",
    off_line="", lie_error_deg=None, lie_interval_deg=None, wanted_lie_error_deg=0.0, level=None,
    lie_deg=None, length_mm=None, budget=(), improve=None,
)  # fmt: skip


def drawn(dots):
    return sole_svgs([replace(BARE, dots=tuple(dots))], "s")[0]


def places_mm(svg):
    """Places of all markers from the middle of the picture, in millimetres on paper."""
    found = re.findall(r'<use [^>]*x="([-\d.]+)" y="([-\d.]+)" style="fill: #1f6fb8', svg)
    return sorted(float(x) * MM_PER_POINT - PICTURE_MM[0] / 2 for x, _ in found)


def test_a_millimetre_is_a_millimetre():
    """By the SVG's own size in points (1 in = 72 pt = 25.4 mm) and the markers' places in it."""
    svg = drawn([Dot(x, None, True, False) for x in (-30.0, -2.5, 0.0, 17.0)])
    width, height = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt"', svg).groups()
    assert float(width) * MM_PER_POINT == pytest.approx(PICTURE_MM[0], abs=0.01)
    assert float(height) * MM_PER_POINT == pytest.approx(PICTURE_MM[1], abs=0.01)
    assert places_mm(svg) == pytest.approx([-30.0, -2.5, 0.0, 17.0], abs=0.02)


def test_what_lies_beside_the_picture_is_kept_at_its_edge():
    assert places_mm(drawn([Dot(90.0, 1.0, True, False)]))[-1] == pytest.approx(43.0, abs=0.02)


def test_the_same_picture_gives_the_same_bytes():
    dots = [Dot(1.0, None, True, False), Dot(2.0, None, False, False)]
    assert drawn(dots) == drawn(dots)


@pytest.mark.parametrize(
    # ISO 216 A4; ANSI/ASME Y14.1 Letter, 8.5 x 11 in.
    ("paper", "size_mm"), [("A4", (210, 297)), ("Letter", (215.9, 279.4))]
)  # fmt: skip
def test_pdf_on_paper(content, formula_club, player, paper, size_mm):
    reader = PdfReader(io.BytesIO(report_pdf(content, paper)))
    for page in reader.pages:
        found = (float(page.mediabox.width), float(page.mediabox.height))
        assert [part * MM_PER_POINT for part in found] == pytest.approx(size_mm, abs=0.1)
    text = "\n".join(page.extract_text() for page in reader.pages)
    for words in ("7i", formula_club, "Bend sheet", "eye protection", "its own swings"):
        assert words in text
    assert player in text.replace("\n", " ")
    # All on paper: nothing is printed below the foot or beside the page.
    for page in reader.pages:
        page.extract_text(visitor_text=lambda t, cm, tm, *_: inside(t, cm, tm, found))


def inside(text, cm, tm, size):
    if text.strip():
        # Words may stand on end: ISO 32000-1, 8.3.3.
        x = tm[4] * cm[0] + tm[5] * cm[2] + cm[4]
        y = tm[4] * cm[1] + tm[5] * cm[3] + cm[5]
        assert 0 < x < size[0], text
        assert 0 < y < size[1], text


def test_nothing_is_minus_nought(content):
    """A hair below nought rounds to nought, and a sign would say that it leans a way."""
    club = replace(content.clubs[0], mean_mm=-0.04, lie_error_deg=-0.04)
    shown = "".join(Page(report_html(replace(content, clubs=(club,)))).text)
    assert "+0.0°" in shown
    assert "−0.0" not in shown


def test_letters_of_other_alphabets(content):
    other = replace(content, player="Łucja Żółć Ждан 你")
    text = PdfReader(io.BytesIO(report_pdf(other))).pages[0].extract_text()
    assert "Łucja Żółć Ждан" in text


def test_a_report_of_no_club_is_refused(content):
    for make in (report_html, report_pdf):
        with pytest.raises(ValueError, match="at least one club"):
            make(replace(content, clubs=()))


def test_a_left_hander_s_sole_is_drawn_the_other_way_round():
    """As it lies before the player, and as the live page draws it."""
    toe = [replace(BARE, dots=(Dot(17.0, None, True, False), Dot(-30.0, None, True, False)))]
    assert places_mm(sole_svgs(toe, "s", Hand.LEFT)[0]) == pytest.approx([-17.0, 30.0], abs=0.02)
    assert places_mm(sole_svgs(toe, "s", Hand.RIGHT)[0]) == pytest.approx([-30.0, 17.0], abs=0.02)


def test_inches_are_read_off_the_same_drawing(content, db):
    """One inch is 25.4 mm exactly (the international inch of 1959); nothing else moves."""
    for make in (
        lambda inches: re.sub("<[^>]+>", " ", report_html(content, inches=inches)),
        lambda inches: "\n".join(
            page.extract_text()
            for page in PdfReader(io.BytesIO(report_pdf(content, inches=inches))).pages
        ),
    ):
        in_mm, in_inches = (" ".join(make(inches).split()) for inches in (False, True))
        assert "contact mm" in in_mm
        assert "contact in" in in_inches
        assert "contact mm" not in in_inches
        for club in content.clubs:
            if club.mean_mm is not None:
                shown = f"{club.mean_mm / 25.4:+z.2f}".replace("-", "−")
                assert shown in in_inches
    dots = [Dot(-25.4, 0.0, used=True, by_mark=False), Dot(12.7, 0.0, used=True, by_mark=False)]
    drawn = [
        places_mm(sole_svgs([replace(BARE, dots=tuple(dots))], "s", inches=inches)[0])
        for inches in (False, True)
    ]
    assert drawn[0] == drawn[1] == pytest.approx([-25.4, 12.7], abs=0.02)
    with Store.open(db, read_only=True) as store:
        said = report_content(store, store.sessions.all()[0], when=str, made="", inches=True).facts
    assert " in ± " in dict(said)["address mark"]
