"""The files of the page by themselves: valid, light, nothing from elsewhere, nothing inline."""

import re
from pathlib import Path

import html5lib
import pytest

ASSETS = Path(__file__).parents[2] / "logger" / "page" / "assets"
DOCUMENTS = sorted(ASSETS.glob("*.html"))
HTML = "{http://www.w3.org/1999/xhtml}"
# What the page may weigh when it is first opened, before any compression.
MOST_BYTES = 150_000


def test_the_page_is_light():
    assert 0 < sum(file.stat().st_size for file in ASSETS.iterdir()) < MOST_BYTES


@pytest.mark.parametrize("file", DOCUMENTS, ids=lambda file: file.name)
def test_documents_are_valid(file):
    """WHATWG HTML, 13.2.2: a document without parse errors, by a parser that is not a browser's."""
    with file.open("rb") as document:
        tree = html5lib.HTMLParser(strict=True).parse(document)
    elements = [e for e in tree.iter() if isinstance(e.tag, str)]
    ids = [e.get("id") for e in elements if e.get("id") is not None]
    assert len(ids) == len(set(ids))
    # 4.10.18.3, WAI-ARIA 1.2: what is pointed at is there.
    for element in elements:
        for name in ("for", "aria-labelledby", "aria-describedby"):
            for target in (element.get(name) or "").split():
                assert target in ids, (element.tag, name)


def test_the_parser_finds_errors():
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse("<!doctype html><title>x</title><p></section>")


@pytest.mark.parametrize("file", DOCUMENTS, ids=lambda file: file.name)
def test_nothing_is_inline(file):
    """The server's content security policy would refuse it."""
    with file.open("rb") as document:
        tree = html5lib.HTMLParser(strict=True).parse(document)
    for element in tree.iter():
        if not isinstance(element.tag, str):
            continue
        assert element.tag != f"{HTML}style"
        assert element.get("style") is None
        assert not [name for name in element.keys() if str(name).startswith("on")]  # noqa: SIM118
        if element.tag == f"{HTML}script":
            assert element.get("src")
            assert not (element.text or "").strip()


@pytest.mark.parametrize("file", sorted(ASSETS.iterdir()), ids=lambda file: file.name)
def test_nothing_comes_from_elsewhere(file):
    """The one address is a name: of SVG's elements (W3C, Namespaces in XML)."""
    addresses = set(re.findall(r"https?://[^\s\"'`]+", file.read_text("utf-8")))
    assert addresses <= {"http://www.w3.org/2000/svg"}


@pytest.mark.parametrize("file", sorted(ASSETS.glob("*.js")), ids=lambda file: file.name)
def test_no_text_becomes_markup(file):
    banned = r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function"
    assert not re.search(banned, file.read_text("utf-8"))
