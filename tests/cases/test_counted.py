"""Counts of verdicts: the same for every block, engine and number of devices."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from ebbmap.array import where
from ebbmap.cases.counted import count_shares, drawn
from ebbmap.engines import accuracy, use_engine
from ebbmap.errors import EbbmapError
from ebbmap.lungs import lung_model
from ebbmap.registries.bounds import combine
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS

GROUP = POPULATIONS["restrictive"]
LIMITS = combine("both", LIMIT_SETS["pressure"], LIMIT_SETS["flow_ratio"])
SETTINGS = {"t_low": np.linspace(0.2, 1.0, 7), "p_high": np.linspace(20.0, 30.0, 7)}
LUNGS = 500


def counts(lung="linear", **how):
    return count_shares(GROUP, SETTINGS, LIMITS, lung, lungs=LUNGS, **how)


def test_every_lung_is_counted_once_at_every_setting():
    assert (counts().sum(axis=0) == LUNGS).all()


def test_blocks_change_no_count():
    assert np.array_equal(counts(), counts(cases=700))


def test_another_seed_gives_other_lungs():
    assert not np.array_equal(counts(), counts(seed=1))


@pytest.mark.slow
@pytest.mark.parametrize("lung", ["linear", "tube"])
def test_engines_change_no_count(lung):
    pytest.importorskip("jax")
    with use_engine("jax"):
        found = counts(lung, cases=700)
    assert np.array_equal(found, counts(lung))


@pytest.mark.slow
def test_devices_change_no_count():
    pytest.importorskip("jax")
    code = """
import numpy as np, jax
import test_counted as own
from ebbmap.engines import use_engine
assert jax.local_device_count() == 3
with use_engine("jax"):
    print(own.counts(cases=700).tolist())
"""
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        env={
            "PYTHONPATH": ":".join([*sys.path, __file__.rpartition("/")[0]]),
            "XLA_FLAGS": "--xla_force_host_platform_device_count=3",
            "JAX_PLATFORMS": "cpu",
        },
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == str(counts().tolist())


def test_draws_have_the_population_s_middle_and_correlations():
    lungs = drawn(GROUP, 0, np.arange(40_000, dtype=np.uint32))
    other = GROUP.sample(40_000, seed=0)
    for name in GROUP.properties:
        # medians of forty thousand: two hundredths of a spread is four standard errors and more
        spread = np.diff(np.quantile(other[name], (0.16, 0.84)))[0]
        assert np.median(lungs[name]) == pytest.approx(np.median(other[name]), abs=0.02 * spread)
    ranks = [
        np.corrcoef([np.argsort(np.argsort(one[name])) for name in GROUP.properties])
        for one in (lungs, other)
    ]
    np.testing.assert_allclose(*ranks, atol=0.03)


def test_too_many_lungs_are_refused():
    with pytest.raises(EbbmapError, match="2\\^32"):
        count_shares(GROUP, SETTINGS, LIMITS, "linear", lungs=2**33)


@pytest.mark.slow
def test_what_one_way_leaves_goes_to_the_next_on_the_device(monkeypatch):
    pytest.importorskip("jax")
    known = lung_model("linear")

    def short(**parameters):
        solved = known.solve(**parameters)
        return {n: where(parameters["t_low"] < 0.5, v, np.nan) for n, v in solved.items()}

    def shorter(**parameters):
        solved = known.solve(**parameters)
        return {n: where(parameters["t_low"] < 0.7, v, np.nan) for n, v in solved.items()}

    lung = replace(known, compiled=(short, shorter, known.solve))
    monkeypatch.setattr("ebbmap.cases.counted.lung_model", lambda name: lung)
    monkeypatch.setattr("ebbmap.engines.columns.LATER_BLOCK", 256)
    expected = counts()
    with use_engine("jax"):
        # few are left: NumPy solves them
        assert np.array_equal(counts(), expected)
        monkeypatch.setattr("ebbmap.engines.columns.LEAST_LEFT", 1)
        monkeypatch.setattr("ebbmap.engines.columns.LEAST_LAST", 1)
        monkeypatch.setattr("ebbmap.cases.counted.evaluate", lambda *_, **__: pytest.fail("left"))
        assert np.array_equal(counts(), expected)


@pytest.mark.parametrize("lung", ["linear", "tube"])
def test_single_precision_is_measured_and_changes_next_to_no_count(lung):
    pytest.importorskip("jax")
    exact = counts(lung)
    with use_engine("jax", "single"):
        found, measured = counts(lung, cases=700), accuracy()
    assert (found.sum(axis=0) == LUNGS).all()
    # one verdict in a thousand may turn
    assert np.abs(found - exact).sum() <= 2 * 0.001 * exact.sum()
    assert measured.judged == exact.sum()
    assert all(error > 0.0 for error in measured.errors.values())


def test_single_precision_solves_in_seven_digits(monkeypatch):
    pytest.importorskip("jax")
    known = lung_model("linear")
    seen = []

    def solve(**parameters):
        solved = known.solve(**parameters)
        seen.append({name: str(value.dtype) for name, value in solved.items()})
        return solved

    lung = replace(known, solve=solve, compiled=(solve,))
    monkeypatch.setattr("ebbmap.cases.counted.lung_model", lambda name: lung)
    with use_engine("jax", "single"):
        counts()
    assert set(seen[-1].values()) == {"float32"}
    seen.clear()
    with use_engine("jax"):
        counts()
    assert set(seen[-1].values()) == {"float64"}


def test_single_precision_that_turns_verdicts_is_refused(monkeypatch):
    pytest.importorskip("jax")
    monkeypatch.setattr("ebbmap.cases.precision.MOST_DIFFERING", -1.0)
    with use_engine("jax", "single"), pytest.raises(EbbmapError, match="must leave verdicts"):
        counts()
