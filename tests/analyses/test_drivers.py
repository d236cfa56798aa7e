from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from scipy.special import ndtri

from ebbmap.analyses.common.sensitivity import estimate_sobol
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.cases.design import draw_sobol_design
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.judging import judge
from ebbmap.lungs import lung_model
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS, Marginal, folded

#: As a question folds it: the lung has neither a tube nor a slow part.
GROUP = folded(POPULATIONS["restrictive"], lung_model("linear"))
RULES = {rule: LIMIT_SETS[rule] for rule in ("flow_ratio", "exhaled_fraction")}
OUTCOMES = ("auto_peep", "release_rate", "release_volume_per_kg")
#: What these outcomes can depend on, in the population's order.
FACTORS = ("compliance", "resistance_insp", "resistance_exp", "predicted_body_weight")
SIZE = dict(base_size=64, resamples=100, replicates=1)


@pytest.fixture(scope="module")
def question():
    return Question(
        lung="linear", populations=(GROUP,), rules=RULES, fixed={"p_high": 24.0}, seed=0
    )


@pytest.fixture(scope="module")
def found(question):
    grid = np.array([0.3, 0.6, 0.9])
    return find_sobol(
        question, Sobol(along="t_low", outcomes=OUTCOMES, **SIZE), axes={"t_low": grid}
    )


def test_dimensions_and_factors(found):
    assert set(found["total"].dims) == {"population", "t_low", "outcome", "parameter"}
    assert set(found["second"].dims) - set(found["total"].dims) == {"parameter_other"}
    assert found["parameter"].values.tolist() == list(FACTORS)
    assert found["population"].values.tolist() == ["restrictive"]
    assert found["t_low"].attrs == {"units": "s", "long_name": "T low"}
    assert (found.attrs["base_size"], found.attrs["seed"]) == (64, 0)
    assert (found["failed"] == 0).all()


def test_margins_and_being_safe_are_outcomes_too(found):
    judged = [f"{kind}_{rule}" for rule in RULES for kind in ("margin", "safe")]
    assert found["outcome"].values.tolist() == [*OUTCOMES, *judged]


def test_indices_are_those_of_the_design_solved_by_hand(question, found):
    """One release time, step by step."""
    unit = draw_sobol_design(FACTORS, 64, seed=0)
    lungs = {
        name: GROUP.marginals[name].at(ndtri(unit["unit"].values[:, column]))
        for column, name in enumerate(FACTORS)
    }
    solved = simulate("linear", p_high=24.0, t_low=0.6, **lungs)
    outputs = xr.Dataset({name: ("sample", solved[name].values) for name in OUTCOMES})
    for rule, limits in RULES.items():
        judged = judge(limits, {rule: solved[rule].values})
        outputs[f"margin_{rule}"] = ("sample", judged.margin)
        outputs[f"safe_{rule}"] = ("sample", (judged.verdict < 2).astype(float))
    outputs = outputs.assign_coords(sample=unit["sample"])
    expected = estimate_sobol(unit, outputs, resamples=100, seed=0)
    one = found.isel(population=0).sel(t_low=0.6)
    for index in ("first", "total", "second", "total_interval", "first_interval"):
        here = one[index].transpose(*expected[index].dims)
        # sums in another order
        np.testing.assert_allclose(here, expected[index], rtol=1e-9, atol=1e-12, err_msg=index)


def test_an_outcome_that_no_lung_changes_has_no_indices(found):
    assert found["total"].sel(outcome="release_rate").isnull().all()
    assert found["total"].sel(outcome="auto_peep").notnull().all()


def test_weight_drives_nothing_but_what_is_taken_per_kg(found):
    total = found["total"].sel(parameter="predicted_body_weight")
    assert (total.sel(outcome="auto_peep") == 0).all()
    assert (total.sel(outcome="release_volume_per_kg") > 0.01).all()


def test_a_fixed_property_is_no_factor(question):
    held = replace(question, fixed={"compliance": 40.0})
    found = find_sobol(
        held, Sobol(along="t_low", outcomes=OUTCOMES, **SIZE), axes={"t_low": np.array([0.5])}
    )
    assert "compliance" not in found["parameter"].values


def test_the_property_along_which_indices_are_taken_is_no_factor(question):
    grid = np.array([30.0, 60.0])
    found = find_sobol(
        question, Sobol(along="compliance", outcomes=OUTCOMES, **SIZE), axes={"compliance": grid}
    )
    assert "compliance" not in found["parameter"].values
    assert found["total"].sizes["compliance"] == 2


@pytest.mark.parametrize(
    ("name", "low", "high"), [("t_high", 3.0, 6.0), ("t_low_in_time_constants", 0.3, 1.2)]
)
def test_a_sampled_setting_is_a_factor(question, name, low, high):
    wide = Question(
        lung="linear",
        populations=(GROUP,),
        rules=RULES,
        samples={name: Marginal("uniform", low, high, "invented")},
    )
    found = find_sobol(
        wide, Sobol(along="p_high", outcomes=OUTCOMES, **SIZE), axes={"p_high": np.array([25.0])}
    )
    assert name in found["parameter"].values
    assert float(found["total"].sel(parameter=name, outcome="auto_peep").item()) > 0


def test_every_population_is_explained():
    groups = (GROUP, POPULATIONS["obstructive"])
    found = find_sobol(
        Question(lung="linear", populations=groups, rules=RULES),
        Sobol(along="t_low", outcomes=("auto_peep",), second_order=False, **SIZE),
        axes={"t_low": np.array([0.5])},
    )
    assert found["population"].values.tolist() == ["restrictive", "obstructive"]
    assert "second" not in found
    assert not found["total"][0].identical(found["total"][1])


def test_cases_that_could_not_be_solved_stop_the_analysis(question):
    broken = Question(
        lung="linear",
        populations=(GROUP,),
        rules=RULES,
        fixed={"p_high": 10.0},
        samples={"p_low": Marginal("uniform", 5.0, 12.0, "invented")},
    )
    with pytest.raises(NonFiniteOutcomeError, match="non-finite"):
        find_sobol(broken, Sobol(along="t_low", **SIZE), axes={"t_low": np.array([0.5])})


def test_a_base_size_that_is_no_power_of_two_is_refused(question):
    with pytest.raises(EbbmapError, match="power of two"):
        find_sobol(question, Sobol(along="t_low", base_size=100), axes={"t_low": np.array([0.5])})
