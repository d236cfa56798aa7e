"""Indices from lungs as they are, end to end: a map's lungs, correlations kept."""

import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.given import Given, estimate_given, find_given
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.registries.limits import limit_set
from ebbmap.registries.populations import Marginal, Population

LUNGS = Population(
    "pair",
    "two properties",
    "invented",
    {
        "compliance": Marginal("lognormal", 50.0, 0.3, "invented"),
        "resistance_exp": Marginal("lognormal", 12.0, 0.2, "invented"),
    },
    {("compliance", "resistance_exp"): -0.5},
)
QUESTION = Question(
    lung="linear",
    populations=(LUNGS,),
    fixed={"p_high": 24.0, "p_low": 0.0, "t_high": 60.0, "resistance_insp": 5.0},
    rules={"flow_ratio": limit_set("flow_ratio")},
    lungs=2000,
)


def test_the_log_of_a_time_constant_has_closed_indices():
    """The log is a sum of normal scores, 0.3 and 0.2 times those of two correlated properties."""
    found = find_given(QUESTION, Given(outcomes=["time_constant_exp"], at=[0.5]))
    one = found.sel(outcome="time_constant_exp", population="pair").isel(t_low=0)
    weights, covariance = np.array([0.3, 0.2]), np.array([[1.0, -0.5], [-0.5, 1.0]])
    variance = weights @ covariance @ weights
    # the time constant itself is lognormal: indices of exp(a sum of normal scores)
    full = np.expm1((covariance @ weights) ** 2) / np.expm1(variance)
    own = weights**2 * 0.75
    left = (np.expm1(variance) - np.expm1(variance - own)) / np.expm1(variance)
    # half the widest interval here is 0.06
    assert one["first"].values == pytest.approx(full, abs=0.06)
    assert one["independent_total"].values == pytest.approx(left, abs=0.06)
    assert one["failed"] == 0 and (one["dropped"] == 0).all()


def test_what_is_unknown_is_refused_or_left_out_and_counted():
    x = np.random.default_rng(0).standard_normal((200, 2))
    values = xr.Dataset({"compliance": ("sample", x[:, 0]), "p_high": ("sample", x[:, 1])})
    outputs = xr.Dataset({"auto_peep": ("sample", x.sum(axis=1)), "ph": ("sample", x[:, 0] ** 3)})
    whole = estimate_given(values, outputs)
    outputs["ph"][:150] = np.nan
    with pytest.raises(NonFiniteOutcomeError, match="ph has 150"):
        estimate_given(values, outputs)
    found = estimate_given(values, outputs, nan_policy="drop_block")
    assert found["dropped"].values.tolist() == [0, 150]
    np.testing.assert_allclose(found["first"][0], whole["first"][0], rtol=1e-12)  # rounding
    assert np.isnan(found["first"][1]).all()
    outputs["ph"][:120] = 1.0
    outputs["ph"][120:150] = 2.0
    assert np.isfinite(estimate_given(values, outputs)["total"]).all()


def test_groups_are_refused():
    with pytest.raises(EbbmapError, match="groups: indices from given data have none"):
        find_given(QUESTION, Given(groups="kind", at=[0.5]))
