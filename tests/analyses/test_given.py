"""Indices from lungs as they are, end to end: a map's lungs, correlations kept."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.common.dependence import estimate_dependence
from ebbmap.analyses.given import Given, estimate_given, find_given
from ebbmap.cases.question import Question, draw_cases
from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.registries.limits import limit_set
from ebbmap.registries.populations import Marginal, Population
from ebbmap.tables.given import tables

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


def test_being_unsafe_is_tested_from_the_same_lungs():
    """The flow ratio of a linear lung follows from its time constant: both properties bear on it.

    A property drawn beside them that nothing reads does not.
    """
    idle = Marginal("lognormal", 64.0, 0.1, "invented")
    with_idle = Population(
        "pair", "two properties", "invented", {**LUNGS.marginals, "predicted_body_weight": idle}
    )
    asked = replace(QUESTION, populations=(with_idle,), lungs=400)
    how = Given(outcomes=["release_volume_per_kg"], at=[0.5])
    one = find_given(asked, how).squeeze()
    chance = one["target_p_value"].to_series()
    assert chance["compliance"] < 0.01 and chance["resistance_exp"] < 0.01
    assert chance["predicted_body_weight"] > 0.01
    assert one["target_hsic"].sel(parameter="compliance") > 0.1
    # flow ratio, so its margin too, is exp(-t / tau) whatever the weight
    assert one["conditional_hsic"].sel(parameter="predicted_body_weight") < 0.02
    cases = draw_cases(asked, with_idle, {"t_low": np.array([0.5])})
    tau = cases["compliance"] * cases["resistance_exp"] / 1000.0
    (limit,) = limit_set("flow_ratio").limits
    ratio = np.exp(-0.5 / tau.values)
    unsafe = (ratio < limit.low) | (ratio > limit.high)
    assert one["unsafe_share"] == unsafe.mean()
    *_, table = tables(find_given(asked, how))
    cell, _ = table.column("t_low 0.5")
    assert cell.startswith("compliance 0.") and "resistance_exp" in cell
    assert "predicted_body_weight" not in cell


def test_rows_without_a_verdict_are_left_out_and_few_events_give_no_index():
    x = np.random.default_rng(0).standard_normal((100, 2))
    values = xr.Dataset({"compliance": ("sample", x[:, 0]), "p_high": ("sample", x[:, 1])})
    margin = np.where(x[:, 0] > 1.0, np.nan, x[:, 0] + 1.5)
    outputs = xr.Dataset({"margin_a": ("sample", margin)})
    outputs["safe_a"] = ("sample", np.where(np.isnan(margin), np.nan, margin >= 0))
    found = estimate_dependence(values, outputs, ["a"], rng=0)
    known = np.isfinite(margin)
    assert found["unsafe_share"][1] == (margin[known] < 0).mean()
    assert (margin < 0).sum() < 20 and np.isnan(found["target_hsic"][1]).all()


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
