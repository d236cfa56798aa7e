"""The page in a headless browser: quiet console, nothing leaves, nothing overflows."""

import html
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from ebbmap.caution import CAUTION
from ebbmap.report.build import write_report

CHROMIUM = shutil.which("chromium")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--enable-logging=stderr",
    "--virtual-time-budget=3000",
    "--window-size=1400,900",
)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        CHROMIUM is None, reason="needs the browser Chromium, and none is installed here"
    ),
]

#: Lists what is wider than the window, tables that scroll by themselves left out.
PROBE = """<script>addEventListener("load", () => {
  const wide = [...document.querySelectorAll("body *")].filter(
    e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".scroll"));
  const broken = [...document.images].filter(i => !i.complete || i.naturalWidth === 0 || !i.alt);
  document.title = [innerWidth, document.documentElement.scrollWidth,
    wide.map(e => e.tagName).join(" "), broken.length, document.images.length].join("|");
});</script></body>"""


def browse(page, folder, *, net_log=False):
    """Open a page; return its document, the console's lines and every host asked for."""
    profile = folder / "profile"
    log = folder / "net.json"
    done = subprocess.run(
        [
            CHROMIUM or "chromium",
            *FLAGS,
            f"--user-data-dir={profile}",
            f"--log-net-log={log}",
            "--dump-dom",
            page.as_uri() if isinstance(page, Path) else page,
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    shutil.rmtree(profile, ignore_errors=True)
    console = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    hosts = set(re.findall(r'"url":"https?://([^/"]+)', log.read_text(encoding="utf-8")))
    return done.stdout, console, hosts


@pytest.fixture(scope="module")
def page(small_check, tmp_path_factory):
    return write_report(small_check, tmp_path_factory.mktemp("page"), "2026-01-01")[0]


def test_console_is_quiet_and_no_request_leaves(page, tmp_path):
    # the browser asks for pages of its own makers; what it asks with an empty page is not ours
    (tmp_path / "empty").mkdir()
    *_, own = browse("about:blank", tmp_path / "empty")
    document, console, hosts = browse(page, tmp_path)
    assert "What would hold" in document
    assert console == []
    assert hosts <= own | {host for host in hosts if host.endswith(BROWSER_HOSTS)}


#: Services of the browser itself, asked now and then whatever the page.
BROWSER_HOSTS = ("google.com", "googleapis.com", "gstatic.com")


def test_the_checks_would_see_a_page_that_misbehaves(tmp_path):
    bad = tmp_path / "bad.html"
    bad.write_text(
        "<body><img src='https://example.invalid/a.png'><script>console.error('bad')</script>"
        "<div style='width: 3000px'>wide</div></body>".replace("</body>", PROBE)
    )
    document, console, hosts = browse(bad, tmp_path)
    width, scroll, wide, broken, _ = re.search("<title>(.*?)</title>", document)[1].split("|")
    assert int(scroll) > int(width)
    assert "DIV" in wide
    assert broken == "1"
    assert any("bad" in line for line in console)
    assert "example.invalid" in hosts


@pytest.mark.parametrize("width", [1280, 400])
def test_nothing_overflows_and_every_picture_is_shown(page, tmp_path, width):
    # a frame is as narrow as it is told to be, a window is not; the probe needs its script
    text = page.read_text(encoding="utf-8").replace("</body>", PROBE)
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
    outer = tmp_path / "outer.html"
    outer.write_text(
        f'<body><iframe style="width: {width}px; height: 800px; border: 0" '
        f'srcdoc="{html.escape(text)}"></iframe><script>addEventListener("load", () => {{'
        "document.title = document.querySelector('iframe').contentDocument.title; });</script>"
        "</body>",
        encoding="utf-8",
    )
    document, _, _ = browse(outer, tmp_path)
    told = re.search("<title>(.*?)</title>", document)[1].split("|")
    inner, scroll, wide, broken, pictures = told
    assert int(inner) == width
    assert int(scroll) <= width
    assert wide == ""
    assert broken == "0"
    assert int(pictures) >= 5


def test_printed_pages_all_carry_the_caution(page, tmp_path):
    """The running line is the last of every page, below all else."""
    paper = tmp_path / "page.pdf"
    subprocess.run(
        [
            CHROMIUM or "chromium",
            *FLAGS,
            f"--user-data-dir={tmp_path / 'profile'}",
            "--no-pdf-header-footer",
            f"--print-to-pdf={paper}",
            page.as_uri(),
        ],
        capture_output=True,
        timeout=120,
        check=True,
    )
    data = paper.read_bytes()
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
