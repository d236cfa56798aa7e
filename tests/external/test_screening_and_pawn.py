"""Elementary effects and PAWN indices against SALib's on the same points."""

import numpy as np
import pytest
from SALib.analyze import morris as salib_morris
from SALib.analyze import pawn as salib_pawn
from SALib.sample import morris as salib_sample

from ebbmap.cases.design import draw_morris_design
from ebbmap.errors import DesignMismatchError, EbbmapError, NonFiniteOutcomeError
from ebbmap.kernels.morris import elementary_effects
from ebbmap.kernels.pawn import pawn_indices

NAMES = list("abcd")
PROBLEM = {"num_vars": 4, "names": NAMES, "bounds": [[0.0, 1.0]] * 4}


def model(x):
    return np.sin(3.0 * x[:, 0]) + x[:, 1] * x[:, 2]


def test_elementary_effects_equal_those_of_salib():
    points = salib_sample.sample(PROBLEM, 50, num_levels=8, seed=1)
    outputs = model(points)
    theirs = salib_morris.analyze(
        PROBLEM, points, outputs, num_levels=8, num_resamples=4000, seed=1
    )
    ours = elementary_effects(
        points, outputs[:, None], np.eye(4, dtype=bool), resamples=4000, rng=0
    )
    # means of fifty numbers of order one
    assert ours.mu[:, 0] == pytest.approx(np.asarray(theirs["mu"]), abs=1e-12)
    assert ours.mu_star[:, 0] == pytest.approx(np.asarray(theirs["mu_star"]), abs=1e-12)
    assert ours.sigma[:, 0] == pytest.approx(np.asarray(theirs["sigma"]), abs=1e-12)
    half = np.diff(ours.mu_star_interval)[:, 0, 0] / 2.0
    # a standard deviation of 4000 resamples is known to 1.1 %, a ratio of two to 1.6 %
    assert half == pytest.approx(np.asarray(theirs["mu_star_conf"], float), rel=0.06, abs=1e-12)


def test_groups_equal_those_of_salib():
    problem = PROBLEM | {"groups": list("xyxz")}
    points = salib_sample.sample(problem, 50, num_levels=8, seed=1)
    outputs = model(points)
    theirs = salib_morris.analyze(problem, points, outputs, num_levels=8, num_resamples=10, seed=1)
    members = np.array([[1, 0, 1, 0], [0, 1, 0, 0], [0, 0, 0, 1]], bool)
    ours = elementary_effects(points, outputs[:, None], members, rng=0)
    assert list(theirs["names"]) == ["x", "y", "z"]
    assert ours.mu_star[:, 0] == pytest.approx(np.asarray(theirs["mu_star"], float), abs=1e-12)
    assert np.isnan(ours.mu[0, 0])


def test_a_design_changes_one_factor_at_a_time_by_half_of_its_range():
    design = draw_morris_design(NAMES, 10, levels=6, groups={"pair": ["a", "c"]}, seed=2)
    unit = design.unit.values.reshape(10, 4, 4)
    step = np.diff(unit, axis=1)
    assert sorted(np.unique(np.abs(step).round(12))) == [0.0, 0.5]
    assert (step[..., 0] != 0.0).tolist() == (step[..., 2] != 0.0).tolist()
    assert ((unit > 0.0) & (unit < 1.0)).all()


def test_a_design_reaches_the_tails():
    unit = draw_morris_design(NAMES, 64, seed=1).unit.values.reshape(64, 5, 4)
    # 64 evenly drawn places and their opposites: none within 2 % of an end has a chance of 1e-4
    assert unit.min(axis=(0, 1)).max() < 0.04 and unit.max(axis=(0, 1)).min() > 0.96
    # an outcome that acts beyond 95 % only is seen in a tenth of the trajectories
    effects = elementary_effects(
        unit.reshape(-1, 4), (unit.reshape(-1, 4)[:, :1] > 0.95) * 1.0, np.eye(4, dtype=bool), rng=0
    )
    assert effects.mu_star[0, 0] > 0.05 and (effects.mu_star[1:] == 0).all()


def test_a_linear_model_has_its_coefficients_as_effects():
    design = draw_morris_design(NAMES, 8, seed=0)
    outputs = (design.unit.values @ [3.0, -2.0, 0.0, 1.0])[:, None]
    found = elementary_effects(design.unit.values, outputs, np.eye(4, dtype=bool), rng=0)
    assert found.mu[:, 0] == pytest.approx([3.0, -2.0, 0.0, 1.0], abs=1e-12)
    assert found.mu_star[:, 0] == pytest.approx([3.0, 2.0, 0.0, 1.0], abs=1e-12)
    assert found.sigma == pytest.approx(0.0, abs=1e-12)


def test_reordered_or_broken_trajectories_are_refused():
    unit = draw_morris_design(NAMES, 8, seed=0).unit.values
    with pytest.raises(DesignMismatchError, match="one at a time"):
        elementary_effects(unit[::-1][1:6], np.zeros((5, 1)), np.eye(4, dtype=bool))
    with pytest.raises(DesignMismatchError, match="multiple of 5 rows"):
        elementary_effects(unit[1:], np.zeros((39, 1)), np.eye(4, dtype=bool))
    with pytest.raises(EbbmapError, match="levels must be even"):
        draw_morris_design(NAMES, 8, levels=5, seed=0)


def test_a_lost_case_takes_its_trajectory_with_it():
    unit = draw_morris_design(NAMES, 16, seed=0).unit.values
    outputs = np.repeat(model(unit)[:, None], 2, axis=1)
    outputs[7, 0] = np.nan
    with pytest.raises(NonFiniteOutcomeError, match="1 of 16 trajectories"):
        elementary_effects(unit, outputs, np.eye(4, dtype=bool))
    found = elementary_effects(unit, outputs, np.eye(4, dtype=bool), rng=0, nan_policy="drop_block")
    assert found.dropped.tolist() == [1, 0]
    left = np.delete(np.arange(80), range(5, 10))
    without = elementary_effects(unit[left], outputs[left, 1:], np.eye(4, dtype=bool), rng=0)
    assert found.mu_star[:, 0] == pytest.approx(without.mu_star[:, 0], abs=1e-12)
    assert found.sigma[:, 0] == pytest.approx(without.sigma[:, 0], abs=1e-12)


@pytest.mark.parametrize("rounded", [False, True])
def test_pawn_indices_equal_those_of_salib(rounded):
    x = np.random.default_rng(0).random((2000, 4))
    outputs = np.round(model(x), 1) if rounded else model(x)
    theirs = salib_pawn.analyze(PROBLEM, x, outputs, S=10)
    ours = pawn_indices(x, outputs[:, None], slices=10, rng=0)
    # they leave the largest value of a factor out of its last slice of 200: 1 in 200 at most
    assert ours.index[:, 0] == pytest.approx(np.asarray(theirs["median"]), abs=0.005)


def test_pawn_of_a_factor_without_influence_stays_within_the_noise():
    hits = []
    for seed in range(40):
        x = np.random.default_rng(seed).random((1024, 2))
        found = pawn_indices(x, x[:, :1] ** 3, rng=seed)
        hits.append(found.index[1, 0] < found.noise)
    # 95 % of the time; 40 seeds have a noise of 3.4 %, three of these below
    assert np.mean(hits) >= 0.85


def test_pawn_says_when_a_factor_acts_in_few_cases():
    hits = []
    for seed in range(20):
        x = np.random.default_rng(seed).random((2048, 3))
        outputs = x[:, 1] + 3.0 * (x[:, 0] > 0.95)
        found = pawn_indices(x, outputs[:, None], rng=seed)
        # half of the last slice has outputs that no other slice has
        assert found.largest[0, 0] == pytest.approx(0.5, abs=0.1)
        assert found.largest[0, 0] > 2.0 * found.largest_noise
        hits.append(found.largest[2, 0] > found.largest_noise)
    # of a factor without influence one in twenty is above its noise; 20 seeds stray by 5 %
    assert np.mean(hits) <= 0.2


def test_pawn_of_a_factor_with_two_values_compares_these():
    rng = np.random.default_rng(0)
    x = np.stack([rng.random(4000) < 0.05, rng.random(4000)], axis=1).astype(float)
    found = pawn_indices(x, (x[:, 1] + 3.0 * x[:, 0])[:, None], rng=0)
    # the twentieth is apart from all else: distances 0.95 and 0.05
    assert found.largest[0, 0] == pytest.approx(0.95, abs=0.01)
    assert found.index[0, 0] == pytest.approx(0.5, abs=0.01)


def test_pawn_needs_finite_outputs_and_sensible_slices():
    x = np.random.default_rng(0).random((100, 2))
    with pytest.raises(NonFiniteOutcomeError):
        pawn_indices(x, np.full((100, 1), np.nan))
    with pytest.raises(EbbmapError, match="slices must be 2 to 50"):
        pawn_indices(x, x, slices=51)
    assert np.isnan(pawn_indices(x, np.ones((100, 1)), rng=0).index).all()


@pytest.mark.slow
def test_pawn_intervals_cover_the_index_of_a_large_sample():
    """The index of 400,000 cases stands for the truth: its own noise is below 0.002."""
    large = np.random.default_rng(99).random((400_000, 4))
    truth = salib_pawn.analyze(PROBLEM, large, model(large), S=10)["median"][:3]
    covered = []
    for seed in range(100):
        x = np.random.default_rng(seed).random((1024, 4))
        interval = pawn_indices(x, model(x)[:, None], rng=0).interval[:3, 0]
        covered.append((interval[:, 0] <= truth) & (truth <= interval[:, 1]))
    # an interval that errs to the wide side: never far below its level
    assert np.mean(covered, axis=0).min() >= 0.9


def test_pawn_refuses_factors_that_are_not_finite():
    x = np.random.default_rng(0).random((200, 2))
    broken = np.where(np.arange(400).reshape(200, 2) == 7, np.nan, x)
    with pytest.raises(EbbmapError, match="values of the factors must be finite; 1 are not"):
        pawn_indices(broken, x[:, :1], rng=0)
