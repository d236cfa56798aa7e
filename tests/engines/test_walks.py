"""Every lung and outcome through NumPy, array-api-strict and JAX: one set of formulas."""

from pathlib import Path

import numpy as np
import pytest

from ebbmap.cases.evaluate import compute, evaluate
from ebbmap.engines import use_engine
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import judge
from ebbmap.lungs import LUNGS, lung_model
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.outcomes import outcomes_of, plan
from walks import CLOSED, COMPILED, agree, runs_where, walk


@pytest.fixture(scope="module", params=CLOSED)
def walked(request):
    lung = lung_model(request.param)
    values = walk(lung)
    with np.errstate(all="ignore"):
        return lung, values, evaluate(lung, values)


def test_every_lung_is_walked_or_says_that_numpy_alone_solves_it():
    assert set(COMPILED) == {"linear", "tube", "paired", "whole"}
    for name in set(LUNGS) - set(COMPILED):
        with use_engine("auto"):
            assert evaluate(LUNGS[name], {}, ("release_volume",)).status == 0


def test_the_guide_has_the_table_of_what_runs_where():
    guide = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert runs_where() in guide


def test_the_standard_gives_what_numpy_gives(walked):
    strict = pytest.importorskip("array_api_strict")
    lung, values, expected = walked
    todo = plan(lung)
    with np.errstate(all="ignore"):
        known, flags = compute(lung, todo, {n: strict.asarray(v) for n, v in values.items()})
    assert np.array_equal(np.asarray(flags), expected.status)
    found = {name: np.asarray(known[name]) for name in todo.outcomes}
    for name in todo.outcomes:
        agree(expected.outcomes, found, name)
    for limits in LIMIT_SETS.values():
        if limits.hard and set(limits.outcomes) <= set(known):
            theirs = judge(limits, {n: strict.asarray(found[n]) for n in limits.outcomes})
            ours = judge(limits, {n: found[n] for n in limits.outcomes})
            assert np.array_equal(np.asarray(theirs.verdict), ours.verdict), limits.name
            assert np.array_equal(np.asarray(theirs.binding), ours.binding), limits.name


@pytest.mark.slow
def test_jax_gives_what_numpy_gives(walked):
    pytest.importorskip("jax")
    lung, values, expected = walked
    with use_engine("jax"):
        found = evaluate(lung, values)
    assert np.array_equal(found.status, expected.status)
    for name in outcomes_of(lung):
        agree(expected.outcomes, found.outcomes, name)


@pytest.mark.slow
def test_jax_solves_the_default_lung():
    pytest.importorskip("jax")
    lung = lung_model("whole")
    values = walk(lung, 400)
    names = ("release_volume", "end_release_flow", "peak_expiratory_flow", "mean_alveolar_pressure")
    expected = evaluate(lung, values, names)
    with use_engine("jax"):
        found = evaluate(lung, values, names)
    assert np.array_equal(found.status, expected.status)
    for name in names:
        agree(expected.outcomes, found.outcomes, name)


def test_double_precision_stays_where_it_was_asked_for():
    jax = pytest.importorskip("jax")
    with use_engine("jax"):
        evaluate(lung_model("linear"), {"t_low": np.array([0.3, 0.5])}, ("flow_ratio",))
    assert jax.numpy.asarray(1.0).dtype == jax.numpy.float32


def test_one_case_without_an_axis():
    pytest.importorskip("jax")
    lung = lung_model("linear")
    with use_engine("jax"):
        found = evaluate(lung, {}, ("flow_ratio",))
    assert found.outcomes["flow_ratio"].shape == found.status.shape == ()
    agree(evaluate(lung, {}, ("flow_ratio",)).outcomes, found.outcomes, "flow_ratio")


def test_a_lung_that_numpy_alone_solves_is_refused():
    pytest.importorskip("jax")
    with use_engine("jax"), pytest.raises(EbbmapError, match=r"'stepped'.*NumPy alone"):
        evaluate(lung_model("stepped"), {}, ("flow_ratio",))


def test_an_unknown_engine_is_refused():
    with pytest.raises(EbbmapError, match="unknown engine 'jaxx'"), use_engine("jaxx"):
        pass


def test_a_missing_package_is_named(monkeypatch):
    monkeypatch.setattr("ebbmap.engines.find_spec", lambda name: None)
    with pytest.raises(EbbmapError, match=r"Install ebbmap\[jax\]"), use_engine("jax"):
        pass
