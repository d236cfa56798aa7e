"""Curves, states and moved limits as graphs: they give what the lungs and the judge give."""

import numpy as np
import pytest

from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.trace import input_of, trace, trace_course
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import Limit, LimitSet, limit_set
from walks import CLOSED, walk

HARM = limit_set("harm")


@pytest.fixture(scope="module", params=CLOSED)
def walked(request):
    lung = lung_model(request.param)
    values = {name: value[:500] for name, value in walk(lung, 500).items()}
    legal = values["p_high"] > values["p_low"]
    return lung, {name: value[legal] for name, value in values.items()}


def parts(state):
    return state if isinstance(state, tuple) else (state,)


def named(state):
    return {f"state_{place}": part for place, part in enumerate(parts(state))}


def test_states_are_those_of_the_lung(walked):
    lung, values = walked
    own = {name: values[name] for name in lung.parameters}
    graphs = trace_course(lung.name)
    with np.errstate(all="ignore"):
        state = lung.settle(**own)
        for name, part in named(state).items():
            found = graphs["settled"].evaluate(values)[name]
            np.testing.assert_allclose(found, part, rtol=1e-12)
        rest = lung.rest(5.0, **own)
        for name, part in named(rest).items():
            assert float(graphs["rest"].evaluate({"start_pressure": 5.0})[name]) == float(part)
        start = tuple(np.full(values["p_high"].shape, 5.0) for _ in parts(rest))
        _, after = lung.cycle(start if len(start) > 1 else start[0], **own)
        told = graphs["after"].evaluate({**values, **named(start)})
        for name, part in named(after).items():
            np.testing.assert_allclose(told[name], part, rtol=1e-12)


def test_curves_are_those_of_the_lung(walked):
    lung, values = walked
    own = {name: values[name] for name in lung.parameters}
    graph = trace_course(lung.name)["curves"]
    with np.errstate(all="ignore"):
        state = lung.settle(**own)
        for share in (0.0, 0.3, 0.999):
            time = share * (values["t_high"] + values["t_low"])
            found = graph.evaluate({**values, **named(state), "time": time})
            for number in range(0, time.size, 25):
                one = {name: value[number] for name, value in own.items()}
                at = tuple(part[number] for part in parts(state))
                exact = lung.waveform(at if len(at) > 1 else at[0], [time[number]], **one)
                for name, value in exact.items():
                    # flows near none are differences of large pressures
                    assert found[name][number] == pytest.approx(value[0], rel=1e-9, abs=1e-9)


def test_moved_limits_judge_as_limits_of_that_value_do():
    moved = LimitSet("own", "own", (Limit("ph", "invented", low=7.3, width=0.4),))
    traced = trace([], "linear", limit_set("co2"), moving=True)
    values = {name: value[:2000] for name, value in walk(lung_model("linear"), 2000).items()}
    inputs = {input_of(b): b.value for b in (*limit_set("co2").hard, *limit_set("co2").caution)}
    with np.errstate(all="ignore"):
        found = traced.evaluate(**values, **{**inputs, "hard_ph_low": 7.3})
        exact = evaluate(lung_model("linear"), values, moved.outcomes)
    margin = judge(moved, exact.outcomes).margin
    np.testing.assert_allclose(found["margin_of_hard_ph_low"], margin, rtol=1e-9)


def test_a_given_parameter_stands_for_what_it_derives():
    traced = trace(["release_volume"], "linear", HARM, given=["plateau_peep"])
    assert "p_high" not in traced.graph.inputs
    values = {"plateau_peep": np.array([8.0, 12.0]), "t_low": np.array([0.4, 0.6])}
    exact = evaluate(lung_model("linear"), values, ("release_volume",))
    np.testing.assert_allclose(
        traced.evaluate(**values)["release_volume"], exact.outcomes["release_volume"], rtol=1e-12
    )


@pytest.mark.parametrize("lung", ["whole", "stepped", "breathing"])
def test_a_lung_that_looks_at_values_has_no_course(lung):
    with pytest.raises(EbbmapError, match="cannot be traced"):
        trace_course(lung)
