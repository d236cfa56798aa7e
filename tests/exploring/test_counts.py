"""The explorer's counts against the map of the program, on the same lungs, in a real browser."""

import numpy as np
import pytest

from browser import opened
from ebbmap.analyses.map import Map, find_map
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError
from ebbmap.exploring import build_explorer
from ebbmap.kernels.judging import CAUTION, SAFE
from ebbmap.registries.limits import Limit, LimitSet, combine, limit_set
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.registries.populations import population

LUNGS, CELLS = 30, 24

#: Counts every cell and gives them back, with the places of the axes.
COUNT = """() => {
  const counter = new Counter(questionNow());
  while (!counter.done) counter.work(1000);
  return { x: [...counter.xs], y: [...counter.ys], safe: [...counter.safe],
           unknown: [...counter.unknown], broken: counter.broken.map((one) => [...one]) };
}"""

#: The same from the draft alone.
DRAFT = """() => {
  const counter = new Counter(questionNow());
  while (counter.stage === "draft") counter.work(1000);
  return [...counter.draft.safe];
}"""


@pytest.fixture(scope="module", params=["linear", "tube", "paired"])
def lung(request):
    return request.param


@pytest.fixture(scope="module")
def page(lung, tmp_path_factory, chromium):
    path = tmp_path_factory.mktemp("explorer") / "page.html"
    path.write_text(build_explorer(lung, lungs=LUNGS, cells=CELLS).html, encoding="utf-8")
    with opened(chromium, path.as_uri(), (1366, 768)) as one:
        one.wait_for_selector("body[data-settled=yes]")
        yield one
        assert one.errors == [] and one.requests == []


def mapped(lung, group, found, x, y, limits, **fixed):
    question = Question(
        lung, fixed, {}, (population(group),), {limits.name: limits}, lungs=LUNGS, seed=0
    )
    axes = {x: np.array(found["x"]), y: np.array(found["y"])}
    return find_map(question, Map(x=x, y=y), axes=axes).isel(population=0, rule=0)


def counts_of(shares):
    return np.rint(shares.values * LUNGS).astype(int)


HARM = limit_set("harm")
FIXED = {"p_low": 0.0, "t_high": 5.0, "fio2": 0.6}


def test_the_opening_is_counted_as_the_program_counts(lung, page):
    found = page.evaluate(COUNT)
    exact = mapped(
        lung, "restrictive", found, "t_low", SPONTANEOUS, HARM, plateau_peep=10.0, **FIXED
    )
    shape = (CELLS, CELLS)
    assert np.array_equal(np.reshape(found["safe"], shape), counts_of(exact["safe_share"]))
    unknown = np.reshape(found["unknown"], shape)
    assert np.array_equal(unknown, counts_of(exact["undetermined_share"]))
    for place, bound in enumerate(HARM.hard):
        broken = np.reshape(found["broken"][place], shape)
        assert np.array_equal(broken, counts_of(exact["broken_share"].sel(bound=bound.name)))
    # what is counted is no empty map
    assert 0 < sum(found["safe"]) < LUNGS * CELLS**2


@pytest.mark.parametrize("group", ["normal", "obstructive", "severe_asthma"])
def test_other_axes_and_lungs_are_counted_alike(lung, page, group):
    page.evaluate(
        "group => { state.group = group; state.x = axisOf('p_high'); state.y = axisOf('t_low');"
        "state.modes.p_high = 'p_high'; state.settings.t_high = 3.5; }",
        group,
    )
    found = page.evaluate(COUNT)
    fixed = {**FIXED, "t_high": 3.5, SPONTANEOUS: 2.0}
    exact = mapped(lung, group, found, "p_high", "t_low", HARM, **fixed)
    shape = (CELLS, CELLS)
    assert np.array_equal(np.reshape(found["safe"], shape), counts_of(exact["safe_share"]))
    page.evaluate("setOpening()")


def test_a_moved_limit_and_a_rule_are_counted_alike(lung, page):
    page.evaluate(
        "state.limits.hard_ph_low = 7.3; state.rules.flow_ratio = true;"
        "state.x = axisOf('t_low_in_time_constants'); followAxes();"
    )
    found = page.evaluate(COUNT)
    ph = Limit("ph", "invented", low=7.3, width=0.4)
    moved = tuple(ph if one.outcome == "ph" and one.low else one for one in HARM.limits)
    limits = combine("moved", LimitSet("own", "own", moved), limit_set("flow_ratio"))
    exact = mapped(
        lung,
        "restrictive",
        found,
        "t_low_in_time_constants",
        SPONTANEOUS,
        limits,
        plateau_peep=10.0,
        **FIXED,
    )
    shape = (CELLS, CELLS)
    assert np.array_equal(np.reshape(found["safe"], shape), counts_of(exact["safe_share"]))
    page.evaluate("setOpening()")


def test_the_draft_is_near_the_count(page):
    whole, draft = np.array(page.evaluate(COUNT)["safe"]), np.array(page.evaluate(DRAFT))
    off = np.abs(whole - draft)
    # edges of the draft are right to a cell: few lungs are wrong, and in few cells
    assert off.sum() < 0.02 * LUNGS * CELLS**2
    assert off.max() <= 0.4 * LUNGS


def test_one_lung_in_a_cell_is_what_the_program_solves(lung, page):
    # the lungs of a cell are those that were counted in it
    safe = page.evaluate("drawCell().then(() => +by('cell_says').dataset.safe)")
    found = page.evaluate(COUNT)
    cell = page.evaluate("state.cell")
    assert safe == np.reshape(found["safe"], (CELLS, CELLS))[cell["j"], cell["i"]]


def test_verdicts_that_count_as_safe_are_those_of_the_judge():
    assert {SAFE, CAUTION} == {0, 1}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"lungs": 0}, "at least one lung"),
        ({"cells": 1}, "two cells along each axis"),
    ],
)
def test_what_the_explorer_cannot_take_is_refused(options, words):
    with pytest.raises(EbbmapError, match=words):
        build_explorer("linear", **options)


#: A map of a property, which others hang together with, and of two such properties.
PROPERTY_MAPS = [("resistance_exp", "t_low"), ("compliance", "predicted_body_weight")]


@pytest.mark.parametrize("axes", PROPERTY_MAPS)
def test_lungs_are_drawn_given_a_property_on_an_axis(page, lung, axes):
    page.evaluate("([x, y]) => { state.x = axisOf(x); state.y = axisOf(y); followAxes(); }", axes)
    try:
        found = page.evaluate(COUNT)
        assert page.evaluate("leftAsDrawn(questionNow())") == []
        settings = page.evaluate("settingsNow()")
        cell = page.evaluate(
            "() => { state.cell = { i: 3, j: 17 };"
            " return drawCell().then(() => +by('cell_says').dataset.safe); }"
        )
    finally:
        page.evaluate("setOpening()")
    harm = limit_set("harm")
    group = population("restrictive")
    fixed = {name: value for name, value in settings.items() if name not in axes}
    question = Question(lung, fixed, {}, (group,), {harm.name: harm}, lungs=LUNGS, seed=0)
    places = {axes[0]: np.array(found["x"]), axes[1]: np.array(found["y"])}
    exact = find_map(question, Map(x=axes[0], y=axes[1]), axes=places).isel(population=0, rule=0)
    counts = np.rint(exact["safe_share"].values * LUNGS).astype(int)
    told = np.reshape(found["safe"], (CELLS, CELLS))
    # the browser's last digits differ, so a verdict may at an edge
    assert np.abs(told - counts).sum() <= 2
    assert 0 < counts.sum() < LUNGS * CELLS**2
    assert cell == told[17, 3]
