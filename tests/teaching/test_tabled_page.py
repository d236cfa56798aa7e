"""The page to play with of the default lung: tables and followed curves against the program."""

import numpy as np
import pytest

import ebbmap.teaching.lungs as lungs
import ebbmap.teaching.tables as tables
from browser import DESK, opened
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.cases.waveforms import waveforms
from ebbmap.lungs import DEFAULT_LUNG
from ebbmap.registries.populations import POPULATIONS
from ebbmap.teaching import build_page

pytestmark = pytest.mark.slow

PAIR = ("restrictive", "obstructive")


@pytest.fixture(scope="module")
def built():
    """Two lungs and a small table: what is said of it is measured on it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lungs, "POPULATIONS", {name: POPULATIONS[name] for name in PAIR})
        patch.setattr(lungs, "DRAWN", 2)
        patch.setattr(tables, "LEVELS", ((2, 4, 3, 10),))
        patch.setattr(tables, "OWN_NODES", (5,))
        yield build_page(DEFAULT_LUNG)


@pytest.fixture(scope="module")
def page(built, tmp_path_factory, chromium):
    path = tmp_path_factory.mktemp("tabled") / "page.html"
    path.write_text(built.html, encoding="utf-8")
    with opened(chromium, path.as_uri(), DESK) as one:
        one.wait_for_selector("body[data-settled=yes]")
        yield one
        assert one.errors == [] and one.requests == []


def middle(name):
    group = POPULATIONS[name]
    return middle_lung(Question(DEFAULT_LUNG, populations=(group,)), group, {})


def test_outcomes_are_within_the_error_that_the_page_states(built, page):
    stated = page.evaluate(
        "Object.fromEntries(page.tables[0].errors.map((one) => [one.label, one.worst]))"
    )
    shown = page.evaluate("SLOTS.map((slot) => shownLung(slot).found)")
    for name, found in zip((built.opening.safe, built.opening.fails), shown, strict=True):
        wanted = ("paco2", "spo2", "release_volume", "auto_peep")
        exact = simulate(DEFAULT_LUNG, outcomes=wanted, **middle(name), **built.opening.settings)
        for outcome in wanted:
            label = exact[outcome].attrs["long_name"]
            assert abs(found[outcome] - float(exact[outcome])) <= stated[label], (name, outcome)
        assert found["verdict"] == (2 if name == built.opening.fails else 0)


def test_curves_are_followed_as_the_program_draws_them(built, page):
    settings = built.opening.settings
    high, low = settings["t_high"], settings["t_low"]
    released = high + np.array([0.03, 0.5 * low, 0.98 * low])
    times = np.concatenate([[0.05, 0.5, 2.0, high - 0.01], released])
    for slot, name in (("a", built.opening.safe), ("b", built.opening.fails)):
        exact = waveforms(DEFAULT_LUNG, times=times, **middle(name), **settings)
        told = page.evaluate(
            "([slot, times]) => { const { values } = shownLung(slot);"
            " return signalsAlong(values, stateSettled(values), times); }",
            [slot, times.tolist()],
        )
        # steps of up to 0.03 s: a hundredth of a unit, half a millilitre
        for signal, near in (("alveolar_pressure", 0.01), ("flow", 0.005), ("volume", 0.5)):
            drawn = [one[signal] for one in told]
            np.testing.assert_allclose(drawn, np.ravel(exact[signal]), atol=near, err_msg=signal)


def test_a_lungs_own_slider_moves_its_outcomes_as_the_program_has_them(built, page):
    name, settings = built.opening.safe, built.opening.settings
    lung = middle(name)
    own = {**lung, "resistance_exp": 2.0 * lung["resistance_exp"], "compliance": 60.0}
    own["resistance_insp"] = 2.0 * lung["resistance_insp"]
    exact = float(simulate(DEFAULT_LUNG, outcomes=("paco2",), **own, **settings)["paco2"])
    told = page.evaluate(
        "(name) => { const lung = presetLung(name); setOwn(lung, 'compliance', 60);"
        " setOwn(lung, 'resistance_exp', 2 * lung.values.resistance_exp);"
        " return solved(caseOf(lung, state.settings)).paco2; }",
        name,
    )
    stated = page.evaluate("page.tables[0].errors.find((one) => one.label.includes('CO₂')).worst")
    assert abs(told - exact) <= stated


def test_the_page_says_how_near_it_is(page):
    said = page.inner_text("#how")
    assert "Held against the solver" in said and "% of 2000 verdicts differ" in said
    page.click("#near summary")
    assert page.locator("#near_tables table").count() == 2


def test_the_first_cycles_build_up_to_the_settled_ones(page):
    ends = page.evaluate(
        "() => { const { values } = shownLung('a'); let state = stateAtRest(5);"
        " for (let k = 0; k < 12; k++) state = stateAfter(values, state);"
        " return [state.state_fast, stateSettled(values).state_fast]; }"
    )
    assert ends[0] == pytest.approx(ends[1], abs=0.01)
