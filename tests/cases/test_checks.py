import sys
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr

from ebbmap.cases import checks
from ebbmap.cases.checks import check_memory, complaint
from ebbmap.cases.simulate import as_arrays, simulate, start_up
from ebbmap.errors import EbbmapError, TooLargeError


@pytest.mark.parametrize(
    ("name", "values", "text"),
    [
        ("t_low", [-0.2], "t_low must be between 0.01 and 60 s; got -0.2."),
        ("t_low", [0.5, 61.0], "t_low must be between 0.01 and 60 s; got 61 (sample 1)."),
        ("t_low", [np.nan], "t_low must be a finite number [s]; got nan."),
        ("p_high", [20, np.inf], "p_high must be a finite number [cmH₂O]; got inf (sample 1)."),
        ("p_high", [-np.inf], "p_high must be a finite number [cmH₂O]; got -inf."),
        ("t_low", [], "t_low must have at least one value; got none. Give a value or a range."),
        (
            "t_low",
            [500.0],
            "t_low must be between 0.01 and 60 s; got 500. This looks like milliseconds: 0.5 s?",
        ),
        (
            "compliance",
            [50.0, 0.05],
            "compliance must be between 1 and 1000 mL/cmH₂O; got 0.05 "
            "(sample 1). This looks like L/cmH₂O: 50 mL/cmH₂O?",
        ),
        (
            "height",
            [1.75],
            "height must be between 120 and 250 cm; got 1.75. This looks like metres: 175 cm?",
        ),
    ],
)
def test_a_value_that_cannot_be_gets_its_sentence(name, values, text):
    assert complaint(name, np.array(values, float)) == text


@pytest.mark.parametrize("value", [0.01, 0.5, 60.0])
def test_bounds_are_legal(value):
    assert complaint("t_low", np.array(value)) is None


@pytest.mark.parametrize("at", [0, 2**16 - 1, 2**16, 2**17 + 5])
def test_the_first_bad_value_of_many_is_found(at):
    values = np.full(2**17 + 9, 0.5)
    values[at:] = -1.0
    assert f"(sample {at})" in complaint("t_low", values)


def test_all_problems_are_listed_at_once():
    with pytest.raises(EbbmapError) as error:
        as_arrays({"t_lo": np.ones(1), "p_high": np.array([np.nan]), "t_low": np.array([99.0])})
    lines = str(error.value).splitlines()
    assert [line.split()[0] for line in lines] == ["unknown", "p_high", "t_low"]


def test_what_does_not_fit_in_memory_is_refused_with_size_and_remedy(monkeypatch):
    free = SimpleNamespace(virtual_memory=lambda: SimpleNamespace(available=10**9))
    monkeypatch.setattr(checks, "psutil", free)
    check_memory(10**7, 10, "the map")
    with pytest.raises(TooLargeError) as error:
        check_memory(10**7, 11, "the map")
    text = str(error.value)
    assert text.startswith("the map must fit in memory (1.0 GB free); it has 10,000,000 cases x")
    assert "= 0.9 GB. Take fewer points on the axes, fewer lungs, or name fewer outcomes." in text


@pytest.fixture
def absurd():
    """Three axes of 10,000 values: a million million cases that no machine holds."""
    return {
        name: xr.DataArray(np.linspace(20, 30, 10_000), dims=name)
        for name in ("p_high", "compliance", "resistance_exp")
    }


@pytest.mark.parametrize("solve", [simulate, start_up])
def test_an_absurd_grid_is_refused_before_any_work(absurd, solve, monkeypatch):
    def work(*_, **__):
        raise AssertionError("work was started")

    # the package shows the function of this name, not its module
    module = sys.modules["ebbmap.cases.simulate"]
    monkeypatch.setattr(module, "evaluate", work)
    monkeypatch.setattr(module, "run_start_up", work)
    with pytest.raises(TooLargeError, match="000,000,000,000 cases"):
        solve(**absurd)
