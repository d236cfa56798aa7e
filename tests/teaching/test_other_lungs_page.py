"""Pages of lungs that remember more: collapse that is followed, and a patient who breathes."""

import numpy as np
import pytest

import ebbmap.teaching.lungs as lungs
from browser import DESK, opened
from ebbmap.cases.evaluate import resolve
from ebbmap.cases.question import Question, middle_lung
from ebbmap.cases.simulate import simulate
from ebbmap.lungs import LUNGS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.teaching import build_page

pytestmark = pytest.mark.slow

PAIR = ("restrictive", "obstructive")

#: What is held in every lung of the two pages.
HELD = {"breathing": {}, "stepped": {"recruitable_share": 0.3, "recoil_curvature": 0.08}}


@pytest.fixture(scope="module", params=list(HELD))
def built(request):
    """Two lungs, and few to guess."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lungs, "POPULATIONS", {name: POPULATIONS[name] for name in PAIR})
        patch.setattr(lungs, "DRAWN", 2)
        patch.setattr(lungs, "GUESSED", 1)
        yield build_page(request.param, **HELD[request.param])


@pytest.fixture(scope="module")
def page(built, tmp_path_factory, chromium):
    path = tmp_path_factory.mktemp("other") / "page.html"
    path.write_text(built.html, encoding="utf-8")
    with opened(chromium, path.as_uri(), DESK) as one:
        one.wait_for_selector("body[data-settled=yes]")
        yield one
        assert one.errors == [] and one.requests == []


def values_of(built, name):
    """A middle lung at the settings that the page opens with."""
    asked = Question(built.lung, HELD[built.lung], populations=(POPULATIONS[name],))
    return {**middle_lung(asked, asked.populations[0], {}), **built.opening.settings}


def all_values(built, name):
    """The same, with every parameter of the lung."""
    found = resolve(values_of(built, name), LUNGS[built.lung].parameters)
    return {one: float(value) for one, value in found.items()}


def test_outcomes_are_within_the_error_that_the_page_states(built, page):
    stated = page.evaluate(
        "Object.fromEntries(page.tables[0].errors.map((one) => [one.label, one.worst]))"
    )
    shown = page.evaluate("SLOTS.map((slot) => shownLung(slot).found)")
    wanted = ("paco2", "spo2", "release_volume", "auto_peep", "closed_fraction")
    for name, found in zip((built.opening.safe, built.opening.fails), shown, strict=True):
        exact = simulate(built.lung, outcomes=wanted, **values_of(built, name))
        for outcome in wanted:
            label = exact[outcome].attrs["long_name"]
            assert abs(found[outcome] - float(exact[outcome])) <= stated[label], (name, outcome)


def test_a_cycle_of_the_page_is_one_of_the_lungs(built, page):
    model, name = LUNGS[built.lung], built.opening.fails
    case = all_values(built, name)
    times = [0.05, 0.6, 2.0, case["t_high"] - 0.01, case["t_high"] + 0.5 * case["t_low"]]
    begun, told, after = page.evaluate(
        "(times) => { const { values } = shownLung('b'); const state = stateSettled(values);"
        " return [state, signalsAlong(values, state, times), stateAfter(values, state)]; }",
        times,
    )
    more = {"airway": "airway_pressure"} if built.lung == "stepped" else {}
    parts = {more.get(part, part): begun[f"state_{part}"] for part in model.followed.state._fields}
    if built.lung == "breathing":
        parts["peak"] = float(model.solve(**case)["peak_muscle_pressure"])
    # fresh gas in the dead space moves no curve
    state = model.rest(5.0, **case)._replace(fresh=0.0, **parts)
    state = type(state)(*(np.asarray(float(part)) for part in state))
    exact = model.waveform(state, np.array(times), **case)
    for signal, near in (("alveolar_pressure", 0.02), ("flow", 0.005), ("volume", 0.7)):
        drawn = [one[signal] for one in told]
        np.testing.assert_allclose(drawn, np.ravel(exact[signal]), atol=near, err_msg=signal)
    _, end = model.cycle(state, **case)
    first = model.followed.state._fields[0]
    assert after[f"state_{first}"] == pytest.approx(float(getattr(end, first)), abs=0.7)


def test_the_page_settles_where_the_lung_does(built, page):
    model, name = LUNGS[built.lung], built.opening.fails
    case = all_values(built, name)
    told = page.evaluate("stateSettled(shownLung('b').values)")
    if built.lung == "stepped":
        settled = model.settle(**case)
        assert told["state_volume"] == pytest.approx(float(settled.volume), abs=0.5)
        assert told["state_openness"] == pytest.approx(float(settled.openness), abs=2e-3)
        return
    # many cycles from rest, the last of which begins with an effort, as the page's does
    rhythm, cycles = 60.0 / case["effort_rate"], 30
    state = model.rest(case["p_low"], **case)
    clock = rhythm - (cycles * (case["t_high"] + case["t_low"])) % rhythm
    state = state._replace(clock=np.asarray(clock))
    for _ in range(cycles):
        _, state = model.cycle(state, **case)
    assert told["state_fast"] == pytest.approx(float(state.fast), abs=0.05)
    assert told["state_slow"] == pytest.approx(float(state.slow), abs=0.05)


def test_what_is_moved_and_what_is_said(built, page):
    said = page.inner_text("#how")
    assert page.is_hidden(".owns")
    if built.lung == "breathing":
        assert "curves show one of many cycles" in said
        before = page.evaluate("shownLung('a').found.paco2")
        page.evaluate("by('effort_pressure').value = 9;"
                      "by('effort_pressure').dispatchEvent(new Event('input'))")  # fmt: skip
        assert page.evaluate("shownLung('a').found.paco2") < before
        assert page.locator("#curves_a path.muscle").count() == 1
    else:
        assert "There are no sliders for compliance and resistance" in said
        assert page.evaluate("shownLung('a').found.closed_fraction") > 0.0
