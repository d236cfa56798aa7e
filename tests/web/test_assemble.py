"""Putting a page together: what is in it, and that nothing in it can end a script early."""

import json
from html.parser import HTMLParser

import pytest

from ebbmap.caution import CAUTION
from ebbmap.registries.limits import limit_set
from ebbmap.web import SHARED, Part, assemble, entry_of, scripts_of


class Scripts(HTMLParser):
    """Texts of the scripts of a page, by id."""

    def __init__(self):
        super().__init__()
        self.found, self.inside = {}, None

    def handle_starttag(self, tag, attrs):
        if tag == "script":
            self.inside = dict(attrs).get("id", "code")

    def handle_endtag(self, tag):
        self.inside = None

    def handle_data(self, data):
        if self.inside:
            self.found[self.inside] = self.found.get(self.inside, "") + data


@pytest.fixture(scope="module")
def text():
    return assemble(
        Part("ebbmap.teaching", "body.html"),
        title="a title",
        styles=(Part(SHARED, "page.css"),),
        scripts=(Part(SHARED, "numbers.js"), 'const own = "</script>__DATA__";'),
        data={"word": "</script><b> é __SCRIPT__"},
    )


def test_data_and_scripts_stay_within_their_elements(text):
    reader = Scripts()
    reader.feed(text)
    assert set(reader.found) == {"data", "code"}
    assert json.loads(reader.found["data"]) == {"word": "</script><b> é __SCRIPT__"}
    assert 'const own = "<\\/script>__DATA__";' in reader.found["code"]


def test_the_page_has_the_caution_and_no_empty_place(text):
    assert text.count(CAUTION) == 1
    assert "<title>a title</title>" in text
    for place in ("__STYLE__", "__CAUTION__", "__BODY__", "__TITLE__"):
        assert place not in text


def test_a_number_that_is_none_is_refused():
    with pytest.raises(ValueError, match="JSON"):
        assemble(
            Part("ebbmap.teaching", "body.html"),
            title="",
            styles=(),
            scripts=(),
            data={"x": float("nan")},
        )


def test_entries_say_what_sliders_need():
    entry = entry_of("t_low")
    assert (entry["low"], entry["high"], entry["usual"]) == (0.01, 60.0, [0.2, 1.8])
    assert entry_of("paco2") == {"label": "PaCO₂", "units": "mmHg"}


def test_scripts_take_limits_as_inputs_and_name_what_they_hold():
    scripts = scripts_of("linear", limit_set("harm"))
    assert set(scripts) == {"solve", "settled_state", "rest_state", "after", "curves"}
    assert '"hard_ph_low"' in scripts["solve"].split("SOLVE_OUTPUTS")[0]
    assert '"margin_of_hard_ph_low"' in scripts["solve"]
    assert "function curves(at, out)" in scripts["curves"]
