"""A policy by either engine: lungs solved by JAX, and whole minutes compiled and repeated."""

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from ebbmap.array import where
from ebbmap.engines import use_engine
from ebbmap.files.policy import parse_policy
from ebbmap.lungs import lung_model
from ebbmap.policies import compiled
from ebbmap.policies.cohort import draw_cohort
from ebbmap.policies.physiology import Drift
from ebbmap.policies.simulate import Course, Simulation

SMALL = (Path(__file__).parents[1] / "files" / "policy" / "small_policy.toml").read_text(
    encoding="utf-8"
)
STUDIES = Path(__file__).parents[2] / "studies" / "policies"
#: All of a course that is counted or decided.
COUNTED = [
    entry.name for entry in fields(Course) if entry.name not in ("group", "bounds", "beyond")
]


def of_lung(text, lung, lungs):
    policy = parse_policy(text)
    return replace(policy, protocol=replace(policy.protocol, lung=lung_model(lung), lungs=lungs))


@pytest.fixture(scope="module")
def linear():
    policy = of_lung(SMALL, "linear", 64)
    return policy, draw_cohort(policy, policy.protocol.groups[0], 60)


@pytest.fixture
def compiling(monkeypatch):
    """Take minutes compiled however few patients there are."""
    pytest.importorskip("jax")
    monkeypatch.setattr(compiled, "WORTH", 0)
    with use_engine("jax"):
        yield


def same(theirs, ours):
    for name in COUNTED:
        np.testing.assert_array_equal(getattr(theirs, name), getattr(ours, name), err_msg=name)
    # distances beyond a bound add up over the minutes, to rounding
    np.testing.assert_allclose(theirs.beyond, ours.beyond, rtol=1e-9, atol=1e-8)


def by_numpy(policy, cohort, minutes, numbers=None):
    with use_engine("numpy"):
        return Simulation(policy, cohort, numbers).run(minutes)


@pytest.mark.slow
@pytest.mark.parametrize("lung", ["linear", "tube", "paired"])
@pytest.mark.parametrize("name", ["textbook", "conventional_6"])
def test_two_days_compiled_decide_as_numpy_does(compiling, lung, name):
    policy = of_lung((STUDIES / f"{name}.toml").read_text(encoding="utf-8"), lung, 100)
    changes = 0
    for group in policy.protocol.groups:
        cohort = draw_cohort(policy, group, 100)
        ours = by_numpy(policy, cohort, 60 * 48)
        same(Simulation(policy, cohort).run(60 * 48), ours)
        changes += ours.changes.sum()
    assert changes > 1000


def test_compiled_minutes_decide_as_numpy_does(compiling, linear):
    policy, cohort = linear
    ours = by_numpy(policy, cohort, 60 * 8)
    same(Simulation(policy, cohort).run(60 * 8), ours)
    assert ours.changes.sum() > 50


@pytest.mark.slow
@pytest.mark.timeout(1800)  # the compiler takes minutes of a busy processor
def test_compiled_minutes_solve_the_default_lung(compiling):
    policy = of_lung((STUDIES / "textbook.toml").read_text(encoding="utf-8"), "whole", 40)
    cohort = draw_cohort(policy, policy.protocol.groups[2], 40)
    ours = by_numpy(policy, cohort, 60 * 12)
    same(Simulation(policy, cohort).run(60 * 12), ours)
    assert ours.changes.sum() > 10


def test_a_lung_that_no_compiled_way_solves_is_solved_by_numpy(compiling, linear):
    policy, cohort = linear
    lung = policy.protocol.lung

    def few(**parameters):
        solved = lung.solve(**parameters)
        lost = parameters["compliance"] > np.median(cohort.values["compliance"])
        return {name: where(lost, np.nan, value) for name, value in solved.items()}

    partial = replace(policy.protocol, lung=replace(lung, compiled=(few,)))
    policy = replace(policy, protocol=partial)
    same(Simulation(policy, cohort).run(60 * 8), by_numpy(policy, cohort, 60 * 8))


def test_a_disease_moves_the_same_lungs_compiled(compiling, linear):
    policy, cohort = linear
    policy = replace(
        policy, disease=(Drift("compliance", (0.0, 2.0, 4.0), (1.0, 0.5, 0.8)),), hours=5
    )
    same(Simulation(policy, cohort).run(300), by_numpy(policy, cohort, 300))


@pytest.mark.parametrize("size", [25, 60])
def test_no_patient_depends_on_pieces(compiling, linear, size):
    policy, cohort = linear
    whole = by_numpy(policy, cohort, 240)
    for start in range(0, cohort.size, size):
        numbers = np.arange(start, min(start + size, cohort.size))
        part = Simulation(policy, cohort.part(numbers), numbers).run(240)
        for name in ("changes", "left", "safe_at", "outside", "reversals"):
            np.testing.assert_array_equal(
                getattr(part, name), getattr(whole, name)[..., numbers], err_msg=name
            )


def test_only_what_pays_is_compiled(linear):
    pytest.importorskip("jax")
    policy, _ = linear
    assert not compiled.worth_compiling(policy, 10**6, 2880)
    with use_engine("jax"):
        assert compiled.worth_compiling(policy, 10**6, 2880)
        assert not compiled.worth_compiling(policy, 100, 2880)
    with use_engine("jax", "single"):
        assert not compiled.worth_compiling(policy, 10**6, 2880)


def test_a_policy_counts_the_same_where_jax_solves_its_lungs(linear):
    pytest.importorskip("jax")
    policy, cohort = linear
    ours = Simulation(policy, cohort).run(240)
    with use_engine("jax"):
        theirs = Simulation(policy, cohort).run(240)
    same(theirs, ours)
    assert ours.changes.sum() > 0
