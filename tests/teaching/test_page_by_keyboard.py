"""The page by keyboard and on a phone: real keys and touches, and what moves."""

import json

import pytest

from browser import DESK, PHONE, opened, press
from ebbmap.analyses.common.windows import search_windows
from ebbmap.cases.simulate import simulate
from ebbmap.registries.limits import limit_set
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.teaching import build_page, teaching_grid
from ebbmap.teaching.grid import SHOWN, TUBE

pytestmark = pytest.mark.slow

#: What the page holds besides its sliders, at the level of own breathing that it starts with.
HELD = {"p_high": 20.0, "fio2": 0.6, "resistance_quadratic": TUBE, SPONTANEOUS: 2.0}

#: Least side of something to be touched, by the web's accessibility guidelines (from memory) [px].
LEAST_TARGET = 24

#: What has the focus: its id, its value for a radio button, or its text.
FOCUS = """(e => e.name === "own" ? e.value : e.id || e.textContent)(document.activeElement)"""

LUNG_PATH = """document.querySelectorAll("#curves path[stroke='#123f6d']")"""


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(build_page(teaching_grid(p_high=20.0)), encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def desk(address, chromium):
    with opened(chromium, address, DESK) as page:
        yield page


@pytest.fixture
def phone(address, chromium):
    with opened(chromium, address, PHONE, phone=True) as page:
        yield page


def shown(page):
    return page.evaluate(
        "Object.fromEntries([...document.querySelectorAll('#numbers dd')]"
        ".map(e => [e.dataset.name, +e.dataset.value]))"
    )


def curves(page):
    """Heights of the three curves as drawn, in pixels downwards."""
    drawn = page.evaluate(f"[...{LUNG_PATH}].map(e => e.getAttribute('d'))")
    assert len(drawn) == 3
    return [[float(part.split(" ")[1]) for part in one[1:].split("L")] for one in drawn]


def windows(page):
    return json.loads(page.evaluate("document.getElementById('verdict').dataset.windows"))


def value(page, name):
    return float(page.evaluate(f"document.getElementById('{name}').value"))


def focus(page, name):
    """Walk to something with the Tab key."""
    for _ in range(12):
        press(page, "Tab")
        if page.evaluate(FOCUS) == name:
            return
    raise AssertionError(f"Tab does not lead to {name}")


def test_tab_leads_through_everything_in_reading_order(desk):
    order = [f"{name} lung" for name in ("normal", "restrictive", "obstructive")]
    order += ["t_low", "resistance_exp", "compliance", "2"]
    seen = []
    for _ in order:
        press(desk, "Tab")
        seen.append(desk.evaluate(FOCUS))
        outline = desk.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline == "solid"
    assert sorted(seen[:3]) == sorted(order[:3])
    assert seen[3:] == order[3:]
    press(desk, "Shift+Tab")
    assert desk.evaluate(FOCUS) == "compliance"


def test_arrow_keys_move_t_low_the_numbers_and_the_curves(desk):
    before, numbers = curves(desk), shown(desk)
    marker = "document.querySelector(\"#window path[stroke='#b3322e']\").getAttribute('d')"
    mark = desk.evaluate(marker)
    focus(desk, "t_low")
    press(desk, "ArrowRight", 12)
    assert value(desk, "t_low") == pytest.approx(0.62)
    assert desk.evaluate("document.getElementById('t_low_text').textContent") == "0.62 s"
    after, told = curves(desk), shown(desk)
    lung = {
        "t_low": 0.62,
        "resistance_exp": value(desk, "resistance_exp"),
        "compliance": value(desk, "compliance"),
    }
    exact = simulate(**HELD, resistance_insp=lung["resistance_exp"], outcomes=SHOWN, **lung)
    for name in SHOWN:
        # the grid's error, as tests/teaching/test_page.py measures it
        assert told[name] == pytest.approx(float(exact[name]), rel=0.02), name
    assert told["release_volume"] > numbers["release_volume"]
    # a longer release ends at a lower pressure: further down on the screen
    assert after[0][-1] > before[0][-1] + 3.0
    assert desk.evaluate(marker) != mark
    # the window belongs to the lung and the rule, not to T low
    press(desk, "ArrowLeft", 12)
    assert value(desk, "t_low") == pytest.approx(0.5)
    assert shown(desk) == numbers and curves(desk) == before


@pytest.mark.parametrize(
    ("name", "key"), [("compliance", "ArrowDown"), ("resistance_exp", "ArrowUp")]
)
def test_arrow_keys_move_the_window_with_the_lung(desk, name, key):
    focus(desk, name)
    before = windows(desk)
    press(desk, key, 10)
    moved = windows(desk)
    assert moved != before
    lung = {each: value(desk, each) for each in ("resistance_exp", "compliance")}
    given = {**lung, "resistance_insp": lung["resistance_exp"], **HELD}
    found = search_windows("whole", given, limit_set("harm"))
    edges = [float(found["lower"][0, 0]), float(found["upper"][0, 0])]
    # the strip looks at 361 places from 0.2 to 2 s: 0.005 s apart
    assert moved == [pytest.approx(edges, abs=0.008)]
    words = desk.evaluate("document.getElementById('window').getAttribute('aria-label')")
    assert f"{moved[0][0]:.2f} to {moved[0][1]:.2f} s" in words


def test_end_home_and_page_keys_reach_the_ends(desk):
    focus(desk, "t_low")
    press(desk, "End")
    assert value(desk, "t_low") == pytest.approx(2.0)
    press(desk, "ArrowRight")
    assert value(desk, "t_low") == pytest.approx(2.0)
    press(desk, "Home")
    assert value(desk, "t_low") == pytest.approx(0.2)
    press(desk, "PageUp")
    # browsers choose how far a page goes; one step is 0.01 s
    assert value(desk, "t_low") > 0.25


def test_an_arrow_key_changes_own_breathing_and_the_verdict(desk):
    focus(desk, "obstructive lung")
    press(desk, "Enter")
    focus(desk, "2")
    before = desk.evaluate("document.getElementById('verdict').textContent"), windows(desk)
    press(desk, "ArrowLeft")
    assert desk.evaluate(FOCUS) == "0"
    after = desk.evaluate("document.getElementById('verdict').textContent"), windows(desk)
    assert after[0] != before[0] and after[1] != before[1]


@pytest.mark.parametrize("key", ["Enter", " "])
def test_a_middle_lung_is_chosen_by_key(desk, key):
    focus(desk, "obstructive lung")
    press(desk, key)
    median = POPULATIONS["obstructive"].median
    # sliders stand on their steps of 0.5 and 1
    assert value(desk, "resistance_exp") == pytest.approx(median["resistance_exp"], abs=0.26)
    assert value(desk, "compliance") == pytest.approx(median["compliance"], abs=0.51)
    assert shown(desk)["trapped_volume"] > 500.0


def beyond(page):
    """What reaches beyond the left or right edge of the screen."""
    # a phone zooms out when something is too wide, and innerWidth grows with it
    return page.evaluate(
        "[...document.querySelectorAll('body *')].filter(e => {"
        " const r = e.getBoundingClientRect(), wide = document.documentElement.clientWidth;"
        " return r.width && (r.left < -0.5 || r.right > wide + 0.5);"
        " }).map(e => e.tagName + ' ' + e.textContent)"
    )


def test_a_narrow_phone_needs_no_sideways_scrolling(phone):
    assert phone.evaluate("document.documentElement.clientWidth") == 360
    lungs = phone.evaluate("document.querySelectorAll('#lungs button').length")
    assert lungs == 3
    for number in range(lungs + 1):
        assert phone.evaluate("document.documentElement.scrollWidth") <= 360
        assert beyond(phone) == []
        if number < lungs:
            phone.evaluate(f"document.querySelectorAll('#lungs button')[{number}].click()")
    # the check would see what is too wide
    phone.evaluate("document.getElementById('about').style.width = '380px'")
    assert beyond(phone)[0].startswith("P Held:")


def test_on_a_phone_every_input_can_be_seen_and_touched(phone):
    controls = phone.evaluate("document.querySelectorAll('button, input').length")
    assert controls == 9
    for number in range(controls):
        # nothing lies over the middle of it, the line of caution neither
        told = phone.evaluate(
            f"(e => {{ e.focus(); e.scrollIntoView({{block: 'nearest'}});"
            " const r = (e.type === 'radio' ? e.closest('label') : e).getBoundingClientRect();"
            " const top = document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2);"
            " return [r.width, r.height, top === e || (e.type === 'radio' &&"
            " top.closest('label') === e.closest('label'))]; })"
            f"(document.querySelectorAll('button, input')[{number}])"
        )
        assert min(told[:2]) >= LEAST_TARGET and told[2], number


def test_a_touch_moves_a_slider_and_the_curves(phone):
    before = curves(phone)
    phone.evaluate("document.getElementById('t_low').scrollIntoView({block: 'center'})")
    left, top, width, height = phone.evaluate(
        "(r => [r.left, r.top, r.width, r.height])"
        "(document.getElementById('t_low').getBoundingClientRect())"
    )
    phone.touchscreen.tap(left + 0.75 * width, top + 0.5 * height)
    # three quarters of the way from 0.2 to 2 s, the thumb's own width aside
    assert value(phone, "t_low") == pytest.approx(0.2 + 0.75 * 1.8, abs=0.06)
    assert curves(phone) != before


def test_tab_on_a_phone_keeps_what_has_the_focus_in_sight(address, chromium):
    with opened(chromium, address, (360, 500), phone=True) as page:
        for _ in range(7):
            press(page, "Tab")
            top, bottom, foot = page.evaluate(
                "(r => [r.top, r.bottom,"
                " document.querySelector('footer').getBoundingClientRect().top])"
                "(document.activeElement.getBoundingClientRect())"
            )
            assert top >= 0 and bottom <= foot, page.evaluate(FOCUS)
