"""The offline form in a browser: it writes the same file and says the same sentences."""

import pytest

from browser import DESK, PHONE, opened, started
from ebbmap.errors import EbbmapError
from ebbmap.files.new.asked import KINDS
from ebbmap.files.new.form import form_page
from ebbmap.files.new.lines import text_of
from ebbmap.files.protocol import parse_protocol

FILLED = [
    {},
    {"p_high_rule": "plateau", "plateau_peep": "12", "exclude_above": "2.5"},
    {"t_low_rule": "flow_ratio", "flow_ratio": "0,7", "weight_normal": "0", "title": 'a "b" \\ c'},
    {"t_low_rule": "time_constant", "multiple": "0.65", "limits": "pressure", "p_low": "5"},
    {"t_high_rule": "frequency", "per_minute_low": "11", "t_low_rule": "flow_ratio"},
    {"p_low_rule": "share_of_p_high", "p_low_share": "0.25", "p_high_rule": "plateau"},
    {
        "own_restrictive": "their own",
        "restrictive_p_high_low": "24",
        "restrictive_p_high_high": "28",
        "own_obstructive": "their own",
        "obstructive_t_low_low": "0.8",
        "obstructive_t_low_high": "1.2",
        "obstructive_fio2": "0.4",
    },
]

WRONG = [
    {"p_high_low": "2"},
    {"p_low": "25"},
    {"wanted": "80"},
    {"fio2": "60"},
    {"t_high_low": "9"},
    {"t_low_low": "400"},
    {"p_low": "high"},
    {"own_restrictive": "their own", "restrictive_p_low": "20"},
    {"own_obstructive": "their own", "obstructive_t_low_low": "1.4"},
    {"weight_normal": "0", "weight_restrictive": "0", "weight_obstructive": "0"},
]


@pytest.fixture(scope="module")
def browser():
    with started() as one:
        yield one


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("form") / "form.html"
    path.write_text(form_page(), encoding="utf-8")
    return path.as_uri()


def fill(page, answers):
    for key, text in answers.items():
        question = KINDS["protocol"].question(key)
        if question.kind == "choice":
            page.select_option(f"#{key}", text)
        else:
            page.fill(f"#{key}", text)


@pytest.mark.parametrize("answers", FILLED)
def test_the_form_writes_what_the_command_writes(browser, address, answers):
    with opened(browser, address) as page:
        fill(page, answers)
        assert page.text_content("#state") == "The file is ready."
        with page.expect_download() as download:
            page.click("#save")
        text = download.value.path().read_text(encoding="utf-8")
        assert download.value.suggested_filename == "protocol.toml"
        assert (page.errors, page.requests) == ([], [])
    assert text == text_of("protocol", KINDS["protocol"].answers(answers))
    parse_protocol(text)


@pytest.mark.parametrize("answers", WRONG)
def test_the_form_refuses_what_the_command_refuses_with_its_words(browser, address, answers):
    with pytest.raises(EbbmapError) as raised:
        KINDS["protocol"].answers(answers)
    with opened(browser, address) as page:
        fill(page, answers)
        said = [text for text in page.locator(".problem").all_text_contents() if text]
        assert said == str(raised.value).splitlines()
        assert page.is_disabled("#save")
        assert page.text_content("#file") == ""
        assert page.text_content("#state").startswith("1 answer needs correcting")


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_the_form_fits_its_screen_and_can_be_filled_in_by_keyboard(browser, address, size):
    with opened(browser, address, size, phone=size is PHONE) as page:
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        # every field has a label, and what is wrong is tied to it
        unnamed = (
            "[...document.querySelectorAll('input, select')].filter(one => !one.labels.length)"
        )
        assert page.evaluate(f"{unnamed}.length") == 0
        page.focus("#title")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.id") == "institution"
        assert page.is_hidden("#plateau_peep")
        page.select_option("#p_high_rule", "plateau")
        assert page.is_visible("#plateau_peep")
        assert page.is_hidden("#p_high_low")
