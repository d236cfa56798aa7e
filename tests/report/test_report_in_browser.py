"""The report in a browser: quiet console, nothing leaves, nothing overflows."""

import re
import shutil
import subprocess

import pytest

from browser import opened
from ebbmap.caution import CAUTION
from ebbmap.report.build import write_report

pytestmark = pytest.mark.slow

#: What is wider than the window, tables that scroll by themselves left out.
WIDE = """[...document.querySelectorAll("body *")].filter(
  e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".scroll")
).map(e => e.tagName)"""

#: Pictures that are not there, or say nothing to whoever cannot see them.
BROKEN = """[...document.images].filter(
  i => !i.complete || i.naturalWidth === 0 || !i.alt).map(i => i.alt)"""


@pytest.fixture(scope="module")
def address(small_check, tmp_path_factory):
    return write_report(small_check, tmp_path_factory.mktemp("page"), "2026-01-01")[0].as_uri()


def test_console_is_quiet_and_no_request_leaves(address, chromium):
    with opened(chromium, address) as page:
        assert "What would hold" in page.content()
        assert page.errors == []
        assert page.requests == []


def test_the_checks_would_see_a_page_that_misbehaves(tmp_path, chromium):
    bad = tmp_path / "bad.html"
    bad.write_text(
        "<body><img src='https://example.invalid/a.png'><script>console.error('bad')</script>"
        "<div style='width: 3000px'>wide</div></body>"
    )
    with opened(chromium, bad.as_uri()) as page:
        assert page.evaluate("document.documentElement.scrollWidth > innerWidth")
        assert "DIV" in page.evaluate(WIDE)
        assert page.evaluate(BROKEN) == [""]
        assert "bad" in page.errors
        assert page.requests == ["https://example.invalid/a.png"]


@pytest.mark.parametrize("width", [1280, 400])
def test_nothing_overflows_and_every_picture_is_shown(address, chromium, width):
    with opened(chromium, address, (width, 800)) as page:
        assert page.evaluate("innerWidth") == width
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(WIDE) == []
        assert page.evaluate(BROKEN) == []
        assert page.evaluate("document.images.length") >= 5


def test_printed_pages_all_carry_the_caution(address, chromium, tmp_path):
    """The running line is the last of every page, below all else."""
    paper = tmp_path / "page.pdf"
    with opened(chromium, address) as page:
        data = page.pdf(path=paper, prefer_css_page_size=True, print_background=True)
    pages = len(re.findall(rb"/Type\s*/Page\b", data))
    assert pages >= 4
    assert b"/MediaBox [0 0 594" in data or b"/MediaBox [0 0 595" in data  # A4
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext, and it is not installed here")
    read = subprocess.run(
        ["pdftotext", "-layout", paper, "-"], capture_output=True, text=True, timeout=60, check=True
    )
    sheets = read.stdout.split("\f")[:-1]
    assert len(sheets) == pages
    assert all(" ".join(sheet.split()).endswith(CAUTION) for sheet in sheets)


#: Bottom of the last thing that the first screen has to hold.
LAST = "document.querySelector('.answers .caution').getBoundingClientRect().bottom"

#: Heads of all that it has to say.
HEADS = "[...document.querySelectorAll('.answers h3')].map(h => h.textContent)"


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (390, 844)])
def test_the_first_screen_holds_the_answer_to_the_caution(address, chromium, width, height):
    with opened(chromium, address, (width, height)) as page:
        assert page.evaluate(HEADS) == ["For whom", "Why not", "What instead", "Not judged"]
        assert "Left out:" in page.inner_text(".answers")
        assert page.evaluate("document.querySelector('.lead').getBoundingClientRect().top") > 0
        assert page.evaluate(LAST) <= height


@pytest.mark.parametrize("height_mm", [297, 279.4], ids=["A4", "Letter"])
def test_the_first_sheet_holds_the_answer_and_the_lines_to_sign(address, chromium, height_mm):
    """Laid out for paper at the width of A4, margins and the running line taken off."""
    with opened(chromium, address, (703, 1000)) as page:
        page.emulate_media(media="print")
        bottom = page.evaluate("document.querySelector('.sign').getBoundingClientRect().bottom")
        assert bottom <= (height_mm - 14 - 12 - 9) / 25.4 * 96
        lines = page.evaluate("document.querySelectorAll('.sign .line').length")
        assert lines == 6
        after = "getComputedStyle(document.querySelector('.annex')).breakBefore"
        assert page.evaluate(after) == "page"
