"""The page by keys, mouse and touch, on a desk and on a phone: what moves, and what covers what."""

import pytest

from browser import opened, press
from ebbmap.teaching import build_page

pytestmark = pytest.mark.slow

LAPTOP, PHONE = (1366, 768), (390, 844)

#: Least side of something to be touched, by the web's accessibility guidelines (from memory) [px].
LEAST_TARGET = 24

RECT = "e => { const r = e.getBoundingClientRect(); return [r.top, r.bottom, r.left, r.right]; }"


@pytest.fixture(scope="module")
def built():
    return build_page("linear")


@pytest.fixture(scope="module")
def address(built, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(built.html, encoding="utf-8")
    return path.as_uri()


def rested(page):
    page.wait_for_selector("body[data-settled=yes]")


@pytest.fixture
def desk(address, chromium):
    with opened(chromium, address, LAPTOP) as page:
        rested(page)
        yield page
        assert page.errors == []


@pytest.fixture
def phone(address, chromium):
    with opened(chromium, address, PHONE, phone=True) as page:
        rested(page)
        yield page
        assert page.errors == []


def path_of(page, slot, kind="lung"):
    return page.evaluate(
        "([slot, kind]) => [...document.querySelectorAll(`#curves_${slot} path.${kind}`)]"
        ".map(e => e.getAttribute('d')).join('|')",
        [slot, kind],
    )


def rect(page, selector):
    return page.locator(selector).evaluate(RECT)


def test_keys_move_a_slider_both_lungs_and_the_address(desk, built):
    before = path_of(desk, "a"), path_of(desk, "b")
    desk.focus("#t_low")
    press(desk, "ArrowRight", 5)
    rested(desk)
    moved = built.opening.settings["t_low"] + 0.05
    assert float(desk.input_value("#t_low")) == pytest.approx(moved)
    assert desk.get_attribute("#t_low", "aria-valuetext") == f"{moved:.2f} s"
    assert path_of(desk, "a") != before[0] and path_of(desk, "b") != before[1]
    kept = desk.evaluate("new URLSearchParams(location.hash.slice(1)).get('t_low')")
    assert float(kept) == pytest.approx(moved)
    press(desk, "ArrowLeft", 5)
    rested(desk)
    assert (path_of(desk, "a"), path_of(desk, "b")) == before


def test_axes_never_change_and_time_is_true(desk):
    def ticks():
        return desk.evaluate(
            "[...document.querySelectorAll('#curves_a .tick')]"
            ".map(e => [e.textContent, e.getAttribute('x'), e.getAttribute('y')])"
        )

    def release():
        return float(
            desk.evaluate("document.querySelector('#curves_a .release').getAttribute('width')")
        )

    before, short = ticks(), release()
    t_low = float(desk.input_value("#t_low"))
    desk.evaluate("state.settings.t_low *= 3; state.settings.p_high = 30; draw()")
    assert ticks() == before
    # drawn to a tenth of a pixel
    assert release() == pytest.approx(3.0 * short, abs=0.3)
    assert t_low == pytest.approx(float(desk.input_value("#t_low")) / 3.0, abs=0.005)


def test_a_link_opens_what_it_was_made_from(desk, address, chromium):
    desk.focus("#a_compliance")
    press(desk, "ArrowRight", 3)
    desk.select_option("#lung_b", "normal")
    desk.check("input[name=view][value=cycles]")
    rested(desk)
    link = desk.evaluate("linkTo(addressOf())")
    with opened(chromium, link, LAPTOP) as other:
        rested(other)
        assert path_of(other, "a") == path_of(desk, "a")
        assert path_of(other, "b") == path_of(desk, "b")
        assert other.is_checked("input[name=view][value=cycles]")


@pytest.mark.parametrize(
    "nonsense",
    [
        "#a=nobody&b=__proto__&t_low=abc&p_high=1e999&view=nonsense&rule=x",
        "#%E0%A4%A&&&===",
        "#t_low=0,5&p_high=-3&p_low=99&a_compliance=NaN",
        "#" + "x" * 5000,
    ],
)
def test_a_link_of_nonsense_opens_a_whole_page(address, chromium, nonsense):
    with opened(chromium, address + nonsense, LAPTOP) as page:
        rested(page)
        assert page.errors == []
        assert path_of(page, "a") and path_of(page, "b")
        assert page.locator("#numbers td").count() > 20
        assert "NaN" not in page.inner_text("main")
        if "0,5" in nonsense:
            assert float(page.input_value("#t_low")) == 0.5


def test_a_new_address_is_taken_without_loading_anew(desk):
    desk.evaluate("location.hash = '#a=normal&b=severe_asthma&t_low=0.8'")
    desk.wait_for_function("document.getElementById('lung_a').value === 'normal'")
    rested(desk)
    assert desk.input_value("#lung_b") == "severe_asthma"


def test_frozen_curves_stay_while_others_move(desk):
    desk.click("#freeze")
    frozen = path_of(desk, "a", "frozen")
    assert frozen == path_of(desk, "a")
    desk.focus("#t_low")
    press(desk, "ArrowRight", 10)
    assert path_of(desk, "a", "frozen") == frozen != path_of(desk, "a")
    assert desk.locator("#numbers thead th").count() == 5
    desk.click("#freeze")
    assert path_of(desk, "a", "frozen") == ""


def test_the_mouse_and_the_slider_read_the_curves(desk):
    top, bottom, left, _ = rect(desk, "#curves_a svg")
    ends = desk.evaluate(
        "(({ left, right }) => [+left, +right])(document.querySelector('#curves_a svg').dataset)"
    )
    desk.mouse.move(left + 0.5 * sum(ends), 0.5 * (top + bottom))
    rested(desk)
    # half way between -0.5 and 2.5 s, to a pixel
    assert " at 1.00 s" in desk.inner_text("#pointed") or " at 1.01 s" in desk.inner_text(
        "#pointed"
    )
    assert desk.locator("#curves_b .cursor").count() == 1
    before = desk.inner_text("#pointed")
    desk.focus("#read_at")
    press(desk, "ArrowLeft", 20)
    assert desk.inner_text("#pointed") != before


def test_the_first_cycles_play_and_end(desk):
    desk.emulate_media(reduced_motion="reduce")
    desk.click("#play")
    # the page forbids the text of a script, by which a driver would wait for anything else
    desk.wait_for_selector("#play:text('Play the first cycles')")
    rested(desk)
    assert desk.is_checked("input[name=view][value=start]")
    assert "first 40 s" in desk.inner_text("#news")


def test_the_game_hides_the_answer_and_counts(desk):
    desk.click("#game_start")
    assert not desk.is_visible("#verdict_a") and not desk.is_visible("#numbers")
    desk.click("#game_say")
    assert "Not safe" in desk.inner_text("#game_says")
    # the model knows where to look
    desk.evaluate(
        "{ const [a, b] = safePieces(shownLung('a').values)[0];"
        "state.settings.t_low = (a + b) / 2; draw(); }"
    )
    desk.click("#game_say")
    assert "2 points, 2 in all" in desk.inner_text("#game_says")
    assert desk.is_visible("#verdict_a")
    desk.click("#game_next")
    assert "Lung 2 of 5" in desk.inner_text("#game_says")
    desk.click("#game_start")
    assert desk.input_value("#lung_a") in desk.evaluate("Object.keys(page.presets)")


def test_a_card_says_whether_the_choice_was_right(desk):
    card = desk.locator("#card_1")
    card.locator("[data-right=false]").first.click()
    assert card.locator(".why").inner_text().startswith("No: ")
    card.locator("[data-right=true]").click()
    assert card.locator(".why").inner_text().startswith("Yes.")


@pytest.mark.parametrize("look", ["dark", "lecture"])
def test_looks_are_kept_in_the_address(desk, address, chromium, look):
    desk.click(f"#{look}")
    rested(desk)
    assert desk.get_attribute(f"#{look}", "aria-pressed") == "true"
    assert f"{look}=1" in desk.evaluate("location.hash")


def test_tables_and_sentences_stand_beside_the_curves(desk):
    for slot in "ab":
        assert "mL leave and" in desk.get_attribute(f"#curves_{slot}", "aria-label")
        assert "safe" in desk.get_attribute(f"#strip_{slot}", "aria-label")
        assert desk.locator(f"#table_{slot} tr").count() == 7


def test_every_slider_is_native_and_named(desk):
    sliders = desk.locator("input[type=range]")
    assert sliders.count() == 11
    for number in range(sliders.count()):
        name = sliders.nth(number).get_attribute("id")
        assert desk.locator(f"label[for={name}]").count() == 1


@pytest.mark.parametrize("size", [LAPTOP, PHONE, (1920, 1080), (360, 740)])
def test_nothing_is_wider_than_the_screen_and_the_caution_covers_no_curve(address, chromium, size):
    with opened(chromium, address, size, phone=size[0] < 700) as page:
        rested(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        assert rect(page, ".caution")[1] <= rect(page, "#curves_a")[0]
        page.evaluate("window.scrollTo(0, 400)")
        position = page.evaluate("getComputedStyle(document.querySelector('.caution')).position")
        assert position == "static"


def test_on_a_phone_the_curves_stay_beside_the_slider_that_is_touched(phone):
    for name in ("t_low", "own_b >> input >> nth=1"):
        slider = phone.locator(f"#{name}")
        slider.scroll_into_view_if_needed()
        slider.tap()
        rested(phone)
        top, bottom, _, _ = slider.evaluate(RECT)
        first = rect(phone, "#curves_a")
        assert first[0] >= 0 and first[0] + 90 <= PHONE[1]
        assert first[1] <= top + 2 and bottom <= PHONE[1]


def test_touch_moves_t_low_and_targets_are_large(phone):
    before = path_of(phone, "a")
    top, bottom, left, right = rect(phone, "#t_low")
    phone.touchscreen.tap(left + 0.7 * (right - left), 0.5 * (top + bottom))
    rested(phone)
    assert float(phone.input_value("#t_low")) > 1.0
    assert path_of(phone, "a") != before
    for selector in ("button:visible", "select", "input[type=range]"):
        for number in range(phone.locator(selector).count()):
            top, bottom, _, _ = phone.locator(selector).nth(number).evaluate(RECT)
            assert bottom - top >= LEAST_TARGET, selector
