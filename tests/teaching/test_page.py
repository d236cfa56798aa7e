"""The page to play with: how it opens, and that what a browser shows is what the program solves."""

import json
import math

import numpy as np
import pytest

from browser import DESK, opened
from ebbmap.analyses.common.windows import search_windows
from ebbmap.cases.cohort import cohort
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.waveforms import waveforms
from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.registries.limits import limit_set
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.teaching import build_page
from ebbmap.teaching.page import SHOWN

HARM = limit_set("harm")


@pytest.fixture(scope="module", params=["tube", "linear", "paired"])
def built(request):
    return build_page(request.param)


@pytest.fixture(scope="module")
def address(built, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(built.html, encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def desk(address, chromium):
    with opened(chromium, address, DESK) as page:
        page.wait_for_selector("body[data-settled=yes]")
        yield page


def lungs_of(lung):
    asked = Question(lung, populations=tuple(POPULATIONS.values()))
    return {group.name: middle_lung(asked, group, {}) for group in asked.populations}


def numbers(page, slot):
    return page.evaluate(
        "slot => Object.fromEntries([...document.querySelectorAll(`td[data-slot=${slot}]`)]"
        ".map(e => [e.dataset.name, +e.dataset.value]))",
        slot,
    )


def verdict(lung, values):
    solved = simulate(lung, outcomes=HARM.outcomes, **values)
    return int(judge(HARM, {name: solved[name].values for name in HARM.outcomes}).verdict)


def test_it_opens_where_one_lung_is_safe_and_the_other_fails(built):
    lungs, settings = lungs_of(built.lung), built.opening.settings
    assert verdict(built.lung, {**lungs[built.opening.safe], **settings}) <= 1
    assert verdict(built.lung, {**lungs[built.opening.fails], **settings}) == 2
    assert round(settings["t_low"] / 0.01, 6) == round(settings["t_low"] / 0.01)


def test_the_page_shows_what_the_program_solves(built, desk):
    assert desk.errors == [] and desk.requests == []
    lungs = lungs_of(built.lung)
    for slot, name in (("a", built.opening.safe), ("b", built.opening.fails)):
        exact = simulate(built.lung, outcomes=tuple(SHOWN), **lungs[name], **built.opening.settings)
        for outcome, value in numbers(desk, slot).items():
            # the formulas are the same, the last digits are the browser's
            assert value == pytest.approx(float(exact[outcome]), rel=1e-11), (slot, outcome)


def test_every_preset_is_a_middle_lung_with_all_its_properties(built, desk):
    for name, own in lungs_of(built.lung).items():
        desk.select_option("#lung_b", name)
        exact = simulate(built.lung, outcomes=("paco2",), **own, **built.opening.settings)
        value = numbers(desk, "b")["paco2"]
        if math.isnan(float(exact["paco2"])):
            assert math.isnan(value)
        else:
            assert value == pytest.approx(float(exact["paco2"]), rel=1e-11)


def test_curves_are_those_of_the_program(built, desk):
    settings = built.opening.settings
    own = lungs_of(built.lung)[built.opening.fails]
    drawn = desk.evaluate(
        "courseOf(shownLung('b').values, 'release').filter(p => p.time >= 0).slice(0, 100)"
    )
    times = np.array([point["time"] for point in drawn]) + settings["t_high"]
    period = settings["t_high"] + settings["t_low"]
    exact = waveforms(
        built.lung, times=np.minimum.accumulate(times[::-1])[::-1], cycles=2, **own, **settings
    )
    assert times[0] < period < times[-1]
    for name in ("airway_pressure", "alveolar_pressure", "flow", "volume"):
        found = np.array([point[name] for point in drawn])
        # times behind a jump are as exact as adding up cycles lets them be
        np.testing.assert_allclose(found, exact[name].values, rtol=1e-7, atol=1e-7, err_msg=name)


def test_the_first_cycles_begin_at_rest_and_settle(built, desk):
    desk.check("input[name=view][value=start]")
    course = desk.evaluate("courseOf(shownLung('b').values, 'start')")
    assert course[0]["alveolar_pressure"] == pytest.approx(5.0)
    own = lungs_of(built.lung)[built.opening.fails]
    exact = waveforms(
        built.lung,
        times=[point["time"] for point in course],
        start_pressure=5.0,
        **own,
        **built.opening.settings,
    )
    found = np.array([point["alveolar_pressure"] for point in course])
    np.testing.assert_allclose(found, exact["alveolar_pressure"].values, rtol=1e-7, atol=1e-7)


def test_the_strip_is_the_window_of_the_program(built, desk):
    own = lungs_of(built.lung)[built.opening.safe]
    settings = {n: v for n, v in built.opening.settings.items() if n != "t_low"}
    exact = search_windows(built.lung, {**own, **settings}, HARM, searched=(0.2, 1.8))
    shown = json.loads(desk.evaluate("by('verdict_a').dataset.windows"))
    ends = [[float(exact[side].values[0, 0]) for side in ("lower", "upper")]]
    # the page halves until a tenth of a millisecond
    np.testing.assert_allclose(shown, ends, atol=1e-4)


def test_the_answers_of_the_cards_are_the_models(built, desk):
    settings, lungs = built.opening.settings, lungs_of(built.lung)
    right = desk.evaluate(
        "[...document.querySelectorAll('.card')].map("
        "c => c.querySelector('[data-right=true]').textContent)"
    )
    assert len(right) == 5
    names = (built.opening.safe, built.opening.fails)
    kept = {
        name: float(
            simulate(built.lung, outcomes=("trapped_volume",), **lungs[name], **settings)[
                "trapped_volume"
            ]
        )
        for name in names
    }
    assert right[0] == f"the {max(kept, key=kept.get)} lung"
    steps = {
        "T low 0.1 s longer": {"t_low": settings["t_low"] + 0.1},
        "T high 1 s shorter": {"t_high": settings["t_high"] - 1.0},
        "P low 2 cmH₂O higher": {"p_low": settings["p_low"] + 2.0},
        "FiO₂ 10 % lower": {"fio2": settings["fio2"] - 0.1},
    }
    gas = {
        words: float(
            simulate(built.lung, outcomes=("paco2",), **lungs[names[1]], **{**settings, **step})[
                "paco2"
            ]
        )
        for words, step in steps.items()
    }
    assert right[1] == min(gas, key=gas.get)
    halves = {"tube": "more than half", "linear": "one half", "paired": "less than half"}
    assert right[3] == halves[built.lung]
    assert right[4] == "SpO₂"


def test_the_page_names_its_lung_and_the_usual_one(built, desk):
    said = desk.inner_text("#model")
    assert f"lung model {built.lung}" in said
    lacking = {"tube": "a slow part", "linear": "a slow part and a tube", "paired": "a tube"}
    assert f"whole adds {lacking[built.lung]} and, in obstructive lungs, flow limitation" in said
    assert CAUTION in desk.inner_text(".caution")


def test_given_settings_hold_and_widen_the_sliders():
    page = build_page("linear", t_high=10.0, **{SPONTANEOUS: 1.0})
    assert page.opening.settings["t_high"] == 10.0
    assert page.opening.settings[SPONTANEOUS] == 1.0
    data = json.loads(page.html.split('id="data">')[1].split("</script>")[0])
    assert data["sliders"]["t_high"]["high"] == 10.0


@pytest.mark.parametrize(
    ("lung", "values", "words"),
    [
        ("tube", {"t_low": 0.5}, "t_low is what the page moves"),
        ("tube", {"plateau_peep": 12.0}, "Give p_high itself"),
        ("linear", {"p_low": 40.0}, "no T low is safe for one middle lung"),
    ],
)
def test_what_the_page_cannot_take_is_refused(lung, values, words):
    with pytest.raises(EbbmapError, match=words):
        build_page(lung, **values)


def own_group(name="patient", **marginals):
    """Ten lungs that were fitted, as a population of their rows."""
    stream = np.random.default_rng(0)
    table = {one: middle * stream.uniform(0.95, 1.05, 10) for one, middle in marginals.items()}
    return cohort(table, name, source="own table")


def test_a_lung_of_ones_own_stands_beside_the_bundled_ones(tmp_path, chromium):
    group = own_group(compliance=30.0, resistance_insp=9.0, resistance_exp=11.0)
    page = build_page("linear", first=group)
    assert "patient" in (page.opening.safe, page.opening.fails)
    path = tmp_path / "own.html"
    path.write_text(page.html, encoding="utf-8")
    with opened(chromium, path.as_uri(), DESK) as desk:
        desk.wait_for_selector("body[data-settled=yes]")
        assert desk.errors == []
        slot = "a" if page.opening.safe == "patient" else "b"
        assert desk.input_value(f"#lung_{slot}") == "patient"
        asked = Question("linear", populations=(group,))
        own = middle_lung(asked, asked.populations[0], {})
        exact = simulate("linear", outcomes=("paco2",), **own, **page.opening.settings)
        assert numbers(desk, slot)["paco2"] == pytest.approx(float(exact["paco2"]), rel=1e-11)
        assert "invented, but for" in desk.inner_text(".caution")
        assert "own table" in desk.inner_text("#invented")


def test_a_bundled_lung_can_open_the_page():
    opening = build_page("linear", first=POPULATIONS["normal"]).opening
    assert "normal" in (opening.safe, opening.fails)


def test_lungs_that_cannot_stand_beside_the_bundled_ones_are_refused():
    properties = {"compliance": 30.0, "resistance_insp": 9.0, "resistance_exp": 11.0}
    with pytest.raises(EbbmapError, match="a bundled population is called 'normal' too"):
        build_page("linear", first=own_group("normal", **properties))
    apart = {"compliance_fast": 30.0, "compliance_slow": 9.0}
    with pytest.raises(EbbmapError, match="not given as the bundled ones are"):
        build_page("paired", first=own_group(**apart))


def test_progress_is_told():
    said = []
    build_page("linear", told=said.append)
    assert said[0] == "tracing the formulas of the lung linear"
    assert len(said) >= 4
