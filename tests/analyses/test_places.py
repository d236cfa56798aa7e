"""What analyses along one axis share: their layout, their words, and what they refuse."""

import numpy as np
import pytest
import xarray as xr

from ebbmap.analyses.common.factors import by_kind, groups_among
from ebbmap.analyses.common.sensitivity import estimate_by_kept
from ebbmap.analyses.options import OfOutcomes
from ebbmap.analyses.registry import ANALYSES
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.slopes import SlopeBounds
from ebbmap.registries.limits import limit_set
from ebbmap.registries.parameters import PARAMETERS
from ebbmap.registries.populations import POPULATIONS

#: Indices of outcomes, each with the least that it can be asked.
SMALL = {
    "sobol": {"base_size": 16, "replicates": 2, "pawn": False},
    "given": {},
    "screening": {"trajectories": 4, "resamples": 100},
    "slopes": {"resamples": 100},
    "shapley": {"base_size": 32, "replicates": 2},
}
AT = [0.3, 0.9]
FIXED = {"p_high": 24.0, "p_low": 0.0, "t_high": 4.0}


def question(**other):
    groups = (POPULATIONS["normal"], POPULATIONS["obstructive"])
    rules = {"flow_ratio": limit_set("flow_ratio")}
    asked = dict(lung="linear", fixed=FIXED, populations=groups, rules=rules, lungs=128, seed=5)
    return Question(**(asked | other))


def asked(name, **options):
    return ANALYSES[name].options(at=AT, **(SMALL[name] | options))


@pytest.fixture(scope="module", params=SMALL)
def found(request):
    name = request.param
    options = asked(name, outcomes=["auto_peep", "release_volume"])
    return name, ANALYSES[name].pieces(question(), options, {}).whole()


def test_all_that_explain_outcomes_are_looked_at_here():
    explaining = {name for name, one in ANALYSES.items() if issubclass(one.options, OfOutcomes)}
    assert explaining == set(SMALL)


def test_every_index_lies_over_population_place_outcome_and_parameter(found):
    name, result = found
    shape = {"population": 2, "t_low": 2, "parameter": 3, "ci_bound": 2}
    assert {dim: result.sizes[dim] for dim in shape} == shape
    outcomes = result["outcome"].values.tolist()
    assert outcomes[:3] == ["auto_peep", "release_volume", "margin_flow_ratio"]
    assert outcomes[3:] == ([] if name == "slopes" else ["safe_flow_ratio"])
    assert result["t_low"].values.tolist() == AT
    assert result["t_low"].attrs["units"] == "s"
    own = [n for n, array in result.items() if {"outcome", "parameter"} <= set(array.dims)]
    assert own and all({"population", "t_low"} <= set(result[n].dims) for n in own)


def test_every_variable_says_what_it_is_and_the_result_what_made_it(found):
    name, result = found
    declared = ANALYSES[name].variables
    for variable in set(declared) & set(result.variables):
        attrs = declared[variable].attributes(along="t_low")
        assert attrs.items() <= result[variable].attrs.items(), variable
    assert set(result.data_vars) <= set(declared)
    known = {"Conventions": "CF-1.11", "along": "t_low", "seed": 5, "lung": "linear"}
    assert known.items() <= result.attrs.items()
    assert result.attrs["title"].endswith(("along t_low", "from lungs as they are"))
    assert result.attrs["ci_level"] == result["ci_bound"].attrs["ci_level"] == 0.95
    assert result.attrs["ci_method"] == result["ci_bound"].attrs["ci_method"]


def test_failed_cases_are_counted_over_all_places(found):
    _, result = found
    assert result["failed"].dims[0] == "population"
    assert int(result["failed"].sum()) == 0


@pytest.mark.parametrize("name", SMALL)
def test_an_outcome_without_numbers_is_refused_with_what_a_study_can_do(name):
    # at a short T low only the dead space is moved, and PaCO2 has no steady state
    hard = question(fixed=FIXED | {"t_low": 0.3}, rules={})
    with pytest.raises(NonFiniteOutcomeError, match=r"drop_failed = true"):
        ANALYSES[name].pieces(hard, asked(name, outcomes=["paco2"]), {}).whole()


@pytest.mark.parametrize("name", ["given", "slopes"])
def test_indices_of_lungs_as_drawn_have_no_groups(name):
    with pytest.raises(EbbmapError, match=r"^groups: .* have none\. Drop them, or use sobol\.$"):
        ANALYSES[name].pieces(question(), asked(name, groups="kind"), {})


def test_every_parameter_has_a_group_of_its_kind():
    grouped = by_kind(list(PARAMETERS))
    assert sorted(name for members in grouped.values() for name in members) == sorted(PARAMETERS)
    assert len(grouped) == len({entry.kind for entry in PARAMETERS.values()})
    assert groups_among(["p_high", "apparatus_dead_space"], "kind") == {
        "settings": ["p_high"],
        "gas exchange": ["apparatus_dead_space"],
    }


def test_outputs_known_in_the_same_rows_are_estimated_together():
    rng = np.random.default_rng(0)
    values = rng.standard_normal((40, 5))
    values[:3, 1] = values[:3, 4] = np.nan
    values[5:, 2] = np.nan
    kept = np.isfinite(values)
    asked_for = []

    def estimate(rows, columns):
        asked_for.append((int(rows.sum()), columns.tolist()))
        if rows.sum() < 10:
            return None
        own = values[np.ix_(rows, columns)]
        mean = np.stack([own.mean(axis=0), own.std(axis=0)])
        interval = np.stack([mean - 1.0, mean + 1.0], axis=-1)
        return SlopeBounds(mean, interval, mean, interval, mean, interval, own.var(axis=0))

    dims = {"slope": ("parameter",), "least_interval": ("parameter", "ci_bound"), "variance": ()}
    found = estimate_by_kept(kept, dims, 2, estimate)
    assert sorted(asked_for) == [(5, [2]), (37, [1, 4]), (40, [0, 3])]
    mean = np.stack([np.nanmean(values, axis=0), np.nanstd(values, axis=0)])
    mean[:, 2] = np.nan
    # sums in another order
    np.testing.assert_allclose(found["slope"], mean, rtol=1e-12)
    np.testing.assert_allclose(found["least_interval"], np.stack([mean - 1, mean + 1], -1))
    np.testing.assert_allclose(found["variance"], mean[1] ** 2, rtol=1e-12)


def test_a_result_keeps_its_words_in_a_file(found, tmp_path):
    _, result = found
    path = tmp_path / "result.nc"
    result.to_netcdf(path)
    with xr.open_dataset(path) as again:
        assert again.attrs["comment"] == result.attrs["comment"]
        assert again["failed"].attrs["long_name"] == result["failed"].attrs["long_name"]
