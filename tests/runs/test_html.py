"""Results in a notebook: readable, and harmless whatever a file says."""

from html.parser import HTMLParser

import numpy as np
import xarray as xr

from ebbmap.caution import CAUTION
from ebbmap.runs.api import EXAMPLE, run
from ebbmap.runs.html import results_html


class Reader(HTMLParser):
    """Texts and tags of a piece of HTML."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.texts = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)

    def handle_data(self, data):
        self.texts.append(data.strip())


def test_results_are_told_with_names_units_and_the_caution():
    read = Reader(run(EXAMPLE)._repr_html_())
    assert CAUTION in read.texts
    place = read.texts.index("auto_peep")
    assert read.texts[place : place + 4] == ["auto_peep", "auto-PEEP", "cmH₂O", "population, t_low"]


def test_what_a_file_says_is_escaped():
    bad = "<script>alert(1)</script>"
    dataset = xr.Dataset(
        {bad: ("x", np.zeros(2), {"long_name": bad, "units": bad})}, attrs={"title": bad}
    )
    read = Reader(results_html(bad, {bad: dataset}))
    assert "script" not in read.tags
    assert read.tags.count("table") == 1
