"""The system's Chromium, driven by Playwright: pages opened afresh on a screen of some size."""

from contextlib import contextmanager
from shutil import which

import pytest

#: The browser of this system; Playwright's own is never fetched.
CHROMIUM = which("chromium") or which("chromium-browser")

#: Chromium's sandbox wants rights that test machines do not give.
FLAGS = ["--no-sandbox", "--disable-quic"]

DESK, PHONE = (1200, 1000), (360, 740)


@contextmanager
def started():
    """Start the browser and close it afterwards; skip where it or its driver is not installed."""
    driver = pytest.importorskip(
        "playwright.sync_api", reason="needs the package playwright, of the extra 'test'"
    )
    if CHROMIUM is None:
        pytest.skip("needs the browser Chromium, and none is installed here")
    with driver.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@contextmanager
def opened(browser, address, size=DESK, *, phone=False, own=None):
    """Open an address as nobody has before, and let it run; what it does is kept in lists.

    With `own`, the address of a server of this test, that server answers too. The page has
    `errors`, what its console said, and `requests`, what it asked a network for.
    """
    width, height = size
    context = browser.new_context(
        viewport={"width": width, "height": height}, has_touch=phone, is_mobile=phone
    )
    # nothing that a page asks for leaves this machine
    context.route("**/*", lambda route: _answer(route, own))
    page = context.new_page()
    page.errors, page.requests = [], []
    page.on("console", lambda message: page.errors.append(message.text))
    page.on("pageerror", lambda error: page.errors.append(str(error)))
    page.on("request", lambda request: page.requests.append(request.url))
    page.goto(address, wait_until="load")
    kept = ("file:", "data:", *([own] if own else []))
    page.requests = [url for url in page.requests if not url.startswith(kept)]
    yield page
    context.close()


def _answer(route, own):
    """Pass files of this machine and the test's own server through, and nothing else."""
    let = ("file:", "data:", "about:", *([own] if own else []))
    if route.request.url.startswith(let):
        route.continue_()
    else:
        route.abort()


def press(page, key, times=1):
    """Press and let go a key, as the keyboard does."""
    for _ in range(times):
        page.keyboard.press(key)
