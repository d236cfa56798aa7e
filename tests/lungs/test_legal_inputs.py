"""Whatever lies inside the hard bounds gets finite numbers, without a warning."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmap.cases.evaluate import OK, evaluate, start_up
from ebbmap.lungs import LUNGS
from ebbmap.registries.outcomes import plan
from ebbmap.registries.parameters import PARAMETERS

NAMES = ("linear", "tube", "paired")


@st.composite
def legal_case(draw, lung):
    """One case: every parameter at any legal number, its bounds and its usual range included."""
    case = {}
    for name in plan(lung, lung.solves).parameters:
        entry = PARAMETERS[name]
        case[name] = draw(
            st.one_of(
                st.floats(entry.low, entry.high),
                st.floats(entry.usual_low, entry.usual_high),
                st.sampled_from([entry.low, entry.high]),
            )
        )
    if case["p_high"] <= case["p_low"]:
        case["p_low"] = case["p_high"] * draw(st.floats(0.0, 1.0, exclude_max=True))
    if case["p_low"] >= case["p_high"]:
        case["p_low"] = 0.0
    return case


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=300, deadline=None, derandomize=True, database=None)
@given(data=st.data())
def test_every_outcome_is_finite(name, data):
    lung = LUNGS[name]
    case = data.draw(legal_case(lung))
    # underflow to zero is the right answer for a release of thousands of time constants
    with np.errstate(all="raise", under="ignore"):
        values = {key: np.array([value]) for key, value in case.items()}
        result = evaluate(lung, values, lung.solves)
    assert result.status.tolist() == [OK]
    for key, value in result.outcomes.items():
        assert np.isfinite(value).all(), key


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(data=st.data())
def test_every_start_and_every_waveform_is_finite(name, data):
    lung = LUNGS[name]
    case = data.draw(legal_case(lung))
    start = data.draw(st.floats(0.0, 80.0))
    own = {key: case[key] for key in lung.parameters}
    times = np.linspace(0.0, own["t_high"] + own["t_low"], 9)
    with np.errstate(all="raise", under="ignore"):
        outcomes = start_up(lung, own, start_pressure=start, cycles=2, names=lung.solves)
        drawn = lung.waveform(lung.rest(start, **own), times, **own)
        settled = lung.waveform(lung.settle(**own), times, **own)
    for value in (*outcomes.values(), *drawn.values(), *settled.values()):
        assert np.isfinite(value).all()
