"""Bounds of sensitivity from slopes: they hold the Sobol indices, by either engine."""

import numpy as np
import pytest

from ebbmap import find_slopes, find_sobol
from ebbmap.cases.question import Question
from ebbmap.engines import use_engine
from ebbmap.errors import EbbmapError, NonFiniteOutcomeError
from ebbmap.registries.limits import limit_set
from ebbmap.registries.populations import population
from ebbmap.tables.slopes import tables

AT = {"at": [0.5], "drop_failed": True}
FEW = {**AT, "outcomes": ["auto_peep", "time_constant_exp"], "resamples": 100}


def asked(lungs=1000, lung="linear", **fixed):
    return Question(
        lung,
        {"p_high": 25.0, "p_low": 0.0, "t_high": 5.0, **fixed},
        populations=(population("restrictive"),),
        rules={"flow_ratio": limit_set("flow_ratio")},
        lungs=lungs,
    )


@pytest.mark.parametrize("lung", ["linear", "tube"])
def test_sobol_indices_of_bundled_lungs_lie_within(lung):
    outcomes = ["auto_peep", "release_volume", "paco2"]
    own = {**AT, "outcomes": outcomes, "resamples": 100}
    bounds = find_slopes(asked(1000, lung), own)
    indices = find_sobol(asked(1000, lung), {**own, "base_size": 512, "pawn": False})
    indices = indices.sel(outcome=bounds["outcome"], parameter=bounds["parameter"])
    low = bounds["least_interval"].sel(ci_bound="lower")
    high = bounds["most_interval"].sel(ci_bound="upper")
    # an index that hardly any row carries has no interval
    first = indices["first_interval"].sel(ci_bound="upper").fillna(np.inf)
    total = indices["total_interval"].sel(ci_bound="lower").fillna(-np.inf)
    assert bool((low <= first).all())
    assert bool((high >= total).all())
    assert float(bounds["most"].max()) > 0.3
    assert bool((bounds["least"] <= bounds["most"] + 1e-12).all())


def test_exact_slopes_are_those_of_differences():
    pytest.importorskip("jax")
    ours = find_slopes(asked(200), FEW)
    with use_engine("jax"):
        theirs = find_slopes(asked(200), FEW)
    assert ours.attrs["derivatives"].startswith("central differences")
    assert theirs.attrs["derivatives"].startswith("exact")
    for name in ("slope", "least", "most"):
        # steps of a thousandth: a millionth of the third derivative
        np.testing.assert_allclose(theirs[name], ours[name], rtol=1e-5, atol=1e-6)


def test_a_slope_is_the_change_with_one_standard_deviation():
    """Of the logarithm of a lognormal, by hand: the time constant changes by its own log-SD."""
    found = find_slopes(asked(400), FEW).isel(population=0, t_low=0)
    one = found.sel(outcome="time_constant_exp", parameter="compliance")
    spread = asked().populations[0].marginals["compliance"].spread
    # E f = e^(A/2) of the medians' product, here estimated by the same lungs
    assert 0.8 * spread < float(one["slope"]) / 0.4 < 3.0 * spread
    assert str(found["slope_units"].sel(outcome="time_constant_exp").values) == "s"


def test_lungs_that_fail_are_refused_or_counted():
    # P high below P low in some places is no case at all
    impossible = asked(100, p_low=26.0)
    with pytest.raises(NonFiniteOutcomeError, match="auto_peep"):
        find_slopes(impossible, {**FEW, "drop_failed": False})
    found = find_slopes(impossible, FEW)
    assert found["failed"].values.tolist() == [100]
    assert np.isnan(found["most"]).all()
    assert found["dropped"].values.max() == 100


def test_groups_are_refused():
    with pytest.raises(EbbmapError, match="groups: slopes have none"):
        find_slopes(asked(), {**FEW, "groups": "kind"})


def test_the_table_lists_leaders_and_names_the_rest():
    (table,) = tables(find_slopes(asked(300), FEW))
    rows = table.written()
    assert [row[2] for row in rows] == ["compliance", "resistance_exp"]
    assert "300 lungs" in table.title
    assert "central differences" in table.title
    assert "resistance_insp" in table.notes[-1]
    assert rows[0][5].startswith("+0.")
