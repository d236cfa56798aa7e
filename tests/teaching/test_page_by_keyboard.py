"""The page by keyboard and on a phone: real keys and touches, and what moves."""

import json

import pytest

from ebbmap.analyses.common.windows import search_windows
from ebbmap.cases.simulate import simulate
from ebbmap.registries.limits import combine, limit_set
from ebbmap.registries.populations import POPULATIONS
from ebbmap.teaching import build_page, teaching_grid
from ebbmap.teaching.grid import SHOWN

pytestmark = pytest.mark.slow

#: Screens, the phone among the narrowest still in use [px].
PHONE = (360, 740)
DESK = (1200, 1000)

#: Least side of something to be touched, by the web's accessibility guidelines (from memory) [px].
LEAST_TARGET = 24

#: What has the focus: its id, its value for a radio button, or its text.
FOCUS = """(e => e.name === "rule" ? e.value : e.id || e.textContent)(document.activeElement)"""

LUNG_PATH = """document.querySelectorAll("#curves path[stroke='#123f6d']")"""


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(build_page(teaching_grid(p_high=24.0)), encoding="utf-8")
    return path.as_uri()


def shown(browser):
    return browser.read(
        "Object.fromEntries([...document.querySelectorAll('#numbers dd')]"
        ".map(e => [e.dataset.name, +e.dataset.value]))"
    )


def curves(browser):
    """Heights of the three curves as drawn, in pixels downwards."""
    drawn = browser.read(f"[...{LUNG_PATH}].map(e => e.getAttribute('d'))")
    assert len(drawn) == 3
    return [[float(part.split(" ")[1]) for part in one[1:].split("L")] for one in drawn]


def windows(browser):
    return json.loads(browser.read("document.getElementById('verdict').dataset.windows"))


def value(browser, name):
    return float(browser.read(f"document.getElementById('{name}').value"))


def focus(browser, name):
    """Walk to something with the Tab key."""
    for _ in range(12):
        browser.press("Tab")
        if browser.read(FOCUS) == name:
            return
    raise AssertionError(f"Tab does not lead to {name}")


def test_tab_leads_through_everything_in_reading_order(address, browser):
    browser.open(address, *DESK)
    order = [f"{name} lung" for name in ("normal", "restrictive", "obstructive")]
    order += ["t_low", "resistance_exp", "compliance", "flow_ratio"]
    seen = []
    for _ in order:
        browser.press("Tab")
        seen.append(browser.read(FOCUS))
        outline = browser.read("getComputedStyle(document.activeElement).outlineStyle")
        assert outline == "solid"
    assert sorted(seen[:3]) == sorted(order[:3])
    assert seen[3:] == order[3:]
    browser.press("Tab", shift=True)
    assert browser.read(FOCUS) == "compliance"


def test_arrow_keys_move_t_low_the_numbers_and_the_curves(address, browser):
    browser.open(address, *DESK)
    before, numbers = curves(browser), shown(browser)
    marker = "document.querySelector(\"#window path[stroke='#b3322e']\").getAttribute('d')"
    mark = browser.read(marker)
    focus(browser, "t_low")
    browser.press("ArrowRight", 12)
    assert value(browser, "t_low") == pytest.approx(0.62)
    assert browser.read("document.getElementById('t_low_text').textContent") == "0.62 s"
    after, told = curves(browser), shown(browser)
    lung = {
        "t_low": 0.62,
        "resistance_exp": value(browser, "resistance_exp"),
        "compliance": value(browser, "compliance"),
    }
    exact = simulate(p_high=24.0, resistance_insp=lung["resistance_exp"], outcomes=SHOWN, **lung)
    for name in SHOWN:
        # the grid's error, as tests/teaching/test_page.py measures it
        assert told[name] == pytest.approx(float(exact[name]), rel=0.02), name
    assert told["release_volume"] > numbers["release_volume"]
    # a longer release ends at a lower pressure: further down on the screen
    assert after[0][-1] > before[0][-1] + 3.0
    assert browser.read(marker) != mark
    # the window belongs to the lung and the rule, not to T low
    browser.press("ArrowLeft", 12)
    assert value(browser, "t_low") == pytest.approx(0.5)
    assert shown(browser) == numbers and curves(browser) == before


@pytest.mark.parametrize(
    ("name", "key"), [("compliance", "ArrowDown"), ("resistance_exp", "ArrowUp")]
)
def test_arrow_keys_move_the_window_with_the_lung(address, browser, name, key):
    browser.open(address, *DESK)
    focus(browser, name)
    before = windows(browser)
    browser.press(key, 10)
    moved = windows(browser)
    assert moved != before
    lung = {each: value(browser, each) for each in ("resistance_exp", "compliance")}
    limits = combine(
        "w", *(limit_set(n) for n in ("pressure", "volume", "auto_peep", "flow_ratio"))
    )
    given = {**lung, "resistance_insp": lung["resistance_exp"], "p_high": 24.0}
    found = search_windows("linear", given, limits)
    edges = [float(found["lower"][0, 0]), float(found["upper"][0, 0])]
    # the strip looks at 361 places from 0.2 to 2 s: 0.005 s apart
    assert moved == [pytest.approx(edges, abs=0.008)]
    words = browser.read("document.getElementById('window').getAttribute('aria-label')")
    assert f"{moved[0][0]:.2f} to {moved[0][1]:.2f} s" in words


def test_end_home_and_page_keys_reach_the_ends(address, browser):
    browser.open(address, *DESK)
    focus(browser, "t_low")
    browser.press("End")
    assert value(browser, "t_low") == pytest.approx(2.0)
    browser.press("ArrowRight")
    assert value(browser, "t_low") == pytest.approx(2.0)
    browser.press("Home")
    assert value(browser, "t_low") == pytest.approx(0.2)
    browser.press("PageUp")
    # browsers choose how far a page goes; one step is 0.01 s
    assert value(browser, "t_low") > 0.25


def test_an_arrow_key_changes_the_rule_and_the_verdict(address, browser):
    browser.open(address, *DESK)
    focus(browser, "restrictive lung")
    browser.press("Enter")
    focus(browser, "flow_ratio")
    before = browser.read("document.getElementById('verdict').textContent"), windows(browser)
    browser.press("ArrowRight")
    assert browser.read(FOCUS) == "exhaled_fraction"
    after = browser.read("document.getElementById('verdict').textContent"), windows(browser)
    assert after[0] != before[0] and after[1] != before[1]


@pytest.mark.parametrize("key", ["Enter", " "])
def test_a_middle_lung_is_chosen_by_key(address, browser, key):
    browser.open(address, *DESK)
    focus(browser, "obstructive lung")
    browser.press(key)
    median = POPULATIONS["obstructive"].median
    # sliders stand on their steps of 0.5 and 1
    assert value(browser, "resistance_exp") == pytest.approx(median["resistance_exp"], abs=0.26)
    assert value(browser, "compliance") == pytest.approx(median["compliance"], abs=0.51)
    assert shown(browser)["trapped_volume"] > 500.0


def beyond(browser):
    """What reaches beyond the left or right edge of the screen."""
    # a phone zooms out when something is too wide, and innerWidth grows with it
    return browser.read(
        "[...document.querySelectorAll('body *')].filter(e => {"
        " const r = e.getBoundingClientRect(), wide = document.documentElement.clientWidth;"
        " return r.width && (r.left < -0.5 || r.right > wide + 0.5);"
        " }).map(e => e.tagName + ' ' + e.textContent)"
    )


def test_a_narrow_phone_needs_no_sideways_scrolling(address, browser):
    browser.open(address, *PHONE, phone=True)
    assert browser.read("document.documentElement.clientWidth") == 360
    lungs = browser.read("document.querySelectorAll('#lungs button').length")
    assert lungs == 3
    for number in range(lungs + 1):
        assert browser.read("document.documentElement.scrollWidth") <= 360
        assert beyond(browser) == []
        if number < lungs:
            browser.read(f"document.querySelectorAll('#lungs button')[{number}].click()")
    # the check would see what is too wide
    browser.read("document.getElementById('about').style.width = '380px'")
    assert beyond(browser)[0].startswith("P Held:")


def test_on_a_phone_every_input_can_be_seen_and_touched(address, browser):
    browser.open(address, *PHONE, phone=True)
    controls = browser.read("document.querySelectorAll('button, input').length")
    assert controls == 8
    for number in range(controls):
        # nothing lies over the middle of it, the line of caution neither
        told = browser.read(
            f"(e => {{ e.focus(); e.scrollIntoView({{block: 'nearest'}});"
            " const r = (e.type === 'radio' ? e.closest('label') : e).getBoundingClientRect();"
            " const top = document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2);"
            " return [r.width, r.height, top === e || (e.type === 'radio' &&"
            " top.closest('label') === e.closest('label'))]; })"
            f"(document.querySelectorAll('button, input')[{number}])"
        )
        assert min(told[:2]) >= LEAST_TARGET and told[2], number


def test_a_touch_moves_a_slider_and_the_curves(address, browser):
    browser.open(address, *PHONE, phone=True)
    before = curves(browser)
    browser.read("document.getElementById('t_low').scrollIntoView({block: 'center'})")
    left, top, width, height = browser.read(
        "(r => [r.left, r.top, r.width, r.height])"
        "(document.getElementById('t_low').getBoundingClientRect())"
    )
    browser.tap(left + 0.75 * width, top + 0.5 * height)
    # three quarters of the way from 0.2 to 2 s, the thumb's own width aside
    assert value(browser, "t_low") == pytest.approx(0.2 + 0.75 * 1.8, abs=0.06)
    assert curves(browser) != before


def test_tab_on_a_phone_keeps_what_has_the_focus_in_sight(address, browser):
    browser.open(address, 360, 500, phone=True)
    for _ in range(7):
        browser.press("Tab")
        top, bottom, foot = browser.read(
            "(r => [r.top, r.bottom, document.querySelector('footer').getBoundingClientRect().top])"
            "(document.activeElement.getBoundingClientRect())"
        )
        assert top >= 0 and bottom <= foot, browser.read(FOCUS)
