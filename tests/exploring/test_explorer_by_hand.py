"""The explorer by keys, mouse and touch: what a drag redraws, what a click opens, what is saved."""

import pytest

import ebbmap
from browser import opened, press
from ebbmap.exploring import build_explorer

pytestmark = pytest.mark.slow

LAPTOP, PHONE = (1366, 768), (390, 844)

RECT = "e => { const r = e.getBoundingClientRect(); return [r.top, r.bottom, r.left, r.right]; }"


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("explorer") / "page.html"
    path.write_text(build_explorer("linear", lungs=40, cells=30).html, encoding="utf-8")
    return path.as_uri()


def rested(page):
    page.wait_for_selector("body[data-settled=yes]")


@pytest.fixture
def desk(address, chromium):
    with opened(chromium, address, LAPTOP) as page:
        rested(page)
        yield page
        assert page.errors == []


def safe(page):
    rested(page)
    return int(page.get_attribute("#map", "data-safe"))


def test_keys_on_a_slider_redraw_the_map_and_the_address(desk):
    before = safe(desk)
    desk.focus("#plateau_peep")
    press(desk, "ArrowRight", 6)
    assert safe(desk) != before
    assert "plateau_peep=13" in desk.evaluate("location.hash")
    assert "every cell counted, 40 lungs" in desk.inner_text("#progress")
    press(desk, "ArrowLeft", 6)
    assert safe(desk) == before


def test_a_drag_that_ends_where_it_began_settles(desk):
    before = safe(desk)
    top, bottom, left, right = desk.locator("#t_high").evaluate(RECT)
    y = 0.5 * (top + bottom)
    middle = float(desk.input_value("#t_high"))
    share = (middle - 2.0) / 6.0
    x = left + 8 + share * (right - left - 16)
    desk.mouse.move(x, y)
    desk.mouse.down()
    for step in (20, 40, 20, 0):
        desk.mouse.move(x + step, y)
    desk.mouse.up()
    desk.evaluate("by('t_high').value = 5; by('t_high').dispatchEvent(new Event('input'))")
    assert safe(desk) == before
    assert len(desk.evaluate("redraws")) >= 3


def test_a_click_opens_a_cell_its_cycle_what_binds_and_the_steps(desk):
    top, _, left, _ = desk.locator("#map").evaluate(RECT)
    place = desk.evaluate("placed")
    desk.mouse.click(left + place["left"] + 5, top + place["bottom"] - 5)
    rested(desk)
    assert desk.evaluate("state.cell") == {"i": 0, "j": 0}
    assert "lungs are safe" in desk.inner_text("#cell_says")
    assert desk.locator("#cycle path.lung").count() == 3
    assert desk.locator("#margins tr").count() == 7
    # up and down of every setting but own breathing, which lies at its end
    assert desk.locator("#steps tr").count() >= 9
    assert "cell=0%2C0" in desk.evaluate("location.hash")


def test_arrow_keys_move_the_cell_and_the_worst_lung_is_worse_than_the_best(desk):
    desk.focus("#map")
    before = desk.evaluate("state.cell")
    press(desk, "ArrowRight", 2)
    press(desk, "Shift+ArrowUp")
    rested(desk)
    now = desk.evaluate("state.cell")
    assert now["i"] == before["i"] + 2 and now["j"] == min(before["j"] + 10, 29)
    desk.focus("#which")
    press(desk, "Home")
    worst = desk.evaluate("lungInCell().margin")
    press(desk, "End")
    assert desk.evaluate("lungInCell().margin") >= worst


def test_other_lungs_limits_and_rules_redraw(desk):
    seen = [safe(desk)]
    desk.select_option("#group", "normal")
    seen.append(safe(desk))
    desk.uncheck("#on_hard_ph_low")
    seen.append(safe(desk))
    desk.check("#use_flow_ratio")
    seen.append(safe(desk))
    assert len(set(seen)) == 4
    # a limit less never makes fewer safe, a rule more never more
    assert seen[2] > seen[1] and seen[3] < seen[2]
    desk.click("#again")
    assert safe(desk) == seen[0]


def test_a_factor_moves_a_property_of_all_lungs(desk):
    before = safe(desk)
    desk.click("summary:has-text('Properties')")
    desk.focus("#factor_resistance_exp")
    press(desk, "ArrowRight", 30)
    assert safe(desk) != before
    assert "× 1.2" in desk.get_attribute("#factor_resistance_exp", "aria-valuetext")


def test_brushing_says_how_many_are_safe_and_counts_them_alone(desk):
    whole = safe(desk)
    desk.focus("#brush_low")
    press(desk, "ArrowRight", 60)
    rested(desk)
    said = desk.inner_text("#parallel_says")
    assert "Brushed: " in said
    many = int(said.split("Brushed: ")[1].split(" lungs")[0])
    assert 0 < many < 40
    desk.check("#only")
    assert safe(desk) < whole
    assert f"every cell counted, {many} lung" in desk.inner_text("#progress")
    desk.click("#brush_none")
    assert safe(desk) == whole


def test_dragging_along_an_axis_brushes(desk):
    desk.locator("#parallel").scroll_into_view_if_needed()
    top, _, left, _ = desk.locator("#parallel").evaluate(RECT)
    data = desk.evaluate("({...by('parallel').dataset})")
    x, y = left + float(data["left"]), top + float(data["top"])
    desk.mouse.move(x, y + 5)
    desk.mouse.down()
    desk.mouse.move(x, y + 0.5 * float(data["high"]), steps=4)
    desk.mouse.up()
    rested(desk)
    assert desk.locator("#parallel .brush").count() == 1
    assert "Brushed: " in desk.inner_text("#parallel_says")


def test_a_saved_study_runs_and_has_the_maps_shares(desk, tmp_path):
    desk.focus("#t_high")
    press(desk, "ArrowLeft", 5)
    desk.check("#use_flow_ratio")
    counted = safe(desk)
    with desk.expect_download() as waiting:
        desk.click("#save_study")
    text = waiting.value.path().read_text(encoding="utf-8")
    assert "Research and teaching only" in text
    (found,) = ebbmap.run(text).values()
    assert round(float(found["safe_share"].sum()) * 40) == counted


def test_a_study_with_moved_limits_runs_too(desk):
    desk.focus("#hard_ph_low")
    press(desk, "ArrowRight", 4)
    desk.uncheck("#on_hard_spo2_low")
    counted = safe(desk)
    text = desk.evaluate("studyText()")
    assert "[[limits.own]]" in text and "spo2" not in text
    (found,) = ebbmap.run(text).values()
    assert round(float(found["safe_share"].sum()) * 40) == counted


def test_python_and_picture_can_be_taken_along(desk):
    python = desk.evaluate("pythonText()")
    compile(python, "explored.py", "exec")
    with desk.expect_download() as waiting:
        desk.click("#save_picture")
    assert waiting.value.suggested_filename == "explored.png"
    assert waiting.value.path().read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_link_opens_the_same_map(desk, address, chromium):
    desk.select_option("#x", "compliance")
    desk.check("input[name=show][value=limit]")
    counted = safe(desk)
    link = desk.evaluate("linkTo(addressOf())")
    with opened(chromium, link, LAPTOP) as other:
        assert safe(other) == counted
        assert other.input_value("#x") == "compliance"
        assert other.is_checked("input[name=show][value=limit]")


@pytest.mark.parametrize(
    "nonsense",
    [
        "#lungs=nobody&x=t_low&y=t_low&cell=-1,x&t_high=abc",
        "#x=__proto__&y=constructor&by_p_high=x&times_compliance=1e99&cell=9999,9999",
        "#%E0%A4%A&&&===&hard_ph_low=NaN",
    ],
)
def test_a_link_of_nonsense_opens_a_whole_page(address, chromium, nonsense):
    with opened(chromium, address + nonsense, LAPTOP) as page:
        assert safe(page) > 0
        assert page.errors == []
        assert "NaN" not in page.inner_text("main")


@pytest.mark.parametrize("size", [LAPTOP, PHONE, (1920, 1080), (1000, 700)])
def test_nothing_is_wider_than_the_screen(address, chromium, size):
    with opened(chromium, address, size, phone=size[0] < 700) as page:
        rested(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        caution = page.locator(".caution").evaluate(RECT)
        assert caution[1] <= page.locator("#map").evaluate(RECT)[0]


def test_on_a_phone_the_map_stays_beside_the_slider_and_a_tap_chooses(address, chromium):
    with opened(chromium, address, PHONE, phone=True) as page:
        rested(page)
        slider = page.locator("#fio2")
        slider.scroll_into_view_if_needed()
        slider.tap()
        rested(page)
        shown = page.locator("#map").evaluate(RECT)
        assert 0 <= shown[0] and shown[1] <= slider.evaluate(RECT)[0]
        place = page.evaluate("placed")
        page.touchscreen.tap(shown[2] + place["right"] - 4, shown[0] + place["top"] + 4)
        rested(page)
        assert page.evaluate("state.cell") == {"i": 29, "j": 29}
        assert page.errors == []


def test_the_map_has_a_sentence_and_a_table(desk):
    assert "of lungs at best" in desk.get_attribute("#map", "aria-label")
    assert desk.locator("#map_table tr").count() == 6
    for name in ("cycle", "parallel"):
        assert desk.get_attribute(f"#{name}", "aria-label")
    assert desk.locator("#parallel_table tr").count() >= 4
