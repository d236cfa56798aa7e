"""No two texts of a page overlap, none leaves it, and none stands on what is not its own."""

import pytest
from matplotlib.figure import Figure

from ebbmap.lungs import LUNGS
from ebbmap.plotting.style import CYCLE, colour_of, mark_of
from ebbmap.registries.populations import POPULATIONS
from plotting.drawn import layout_problems
from plotting.every_page import DRAWN, MORE_STUDIES, STUDIES, pages, tasks

# every page is drawn several times
pytestmark = pytest.mark.slow

#: The study whose pages are drawn in every run of the tests: 10 s of a processor.
QUICK = "linear, one"


@pytest.mark.parametrize(
    "name",
    [
        QUICK,
        *(
            pytest.param(name, marks=pytest.mark.slow)
            for name in (STUDIES | MORE_STUDIES)
            if name != QUICK
        ),
    ],
)
def test_texts_of_every_page_have_room(name):
    problems = {}
    for kind, page, figure in pages(name):
        if found := layout_problems(figure):
            problems[kind, page] = found
    assert problems == {}


def test_every_lung_every_population_and_every_page_are_among_the_studies():
    studies = (STUDIES | MORE_STUDIES).values()
    asked = {(lung, name) for lung, names, _ in studies for name in names}
    assert asked >= {(lung, name) for lung in LUNGS for name in POPULATIONS}
    assert {task.kind for name in STUDIES for task in tasks(name)} == DRAWN


def test_texts_that_overlap_leave_or_stand_on_other_axes_are_found():
    figure = Figure(figsize=(4.0, 2.0))
    figure.text(0.5, 0.9, "one text")
    figure.text(0.52, 0.9, "another")
    figure.text(0.9, 0.05, "beyond the edge")
    left, right = figure.add_axes((0.1, 0.2, 0.3, 0.4)), figure.add_axes((0.6, 0.2, 0.3, 0.4))
    for ax in (left, right):
        ax.set_xticks([])
        ax.set_yticks([])
    left.text(1.8, 0.5, "elsewhere")
    assert sorted(layout_problems(figure)) == [
        "off the page: 'beyond the edge'",
        "on other axes: 'elsewhere'",
        "overlap: 'one text' and 'another'",
    ]


def test_no_two_of_fourteen_factors_share_colour_and_mark():
    seen = {(colour_of("factor", number), mark_of(number)) for number in range(len(CYCLE) ** 2)}
    assert len(seen) == len(CYCLE) ** 2
