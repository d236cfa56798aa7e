"""Kernels that set cases side by side, and boxes that hold them."""

import numpy as np
import pytest
from scipy.stats import ks_2samp, norm

from ebbmap.errors import DesignMismatchError, EbbmapError
from ebbmap.kernels.boxes import box_stability, find_box, inside
from ebbmap.kernels.contrast import LEAST_CASES, contrast_events, event_quantiles


@pytest.fixture(scope="module")
def cases():
    """A corner of the unit square with four fifths of its cases failing, and a bystander."""
    rng = np.random.default_rng(5)
    x = rng.random((2000, 3))
    return x, (x[:, 0] > 0.7) & (x[:, 1] < 0.5)


def test_distances_are_those_of_scipy(cases):
    x, corner = cases
    ties = np.round(x, 1)
    events = np.stack([corner, x[:, 2] > 0.5], axis=1)
    for values in (x, ties):
        found = contrast_events(values, events, rng=0)
        for event in range(2):
            for j in range(3):
                here = events[:, event]
                expected = ks_2samp(values[here, j], values[~here, j]).statistic
                # the same counts divided in another order
                assert found.distance[event, j] == pytest.approx(expected, abs=1e-12)
    assert found.direction[0, :2].tolist() == [1.0, -1.0]
    assert found.with_event.tolist() == events.sum(axis=0).tolist()


def test_equal_distributions_stay_within_the_noise():
    x = np.random.default_rng(1).random((1500, 40))
    event = np.random.default_rng(2).random((1500, 1)) < 0.2
    found = contrast_events(x, event, resamples=50, rng=0)
    # 95 % of forty; three noises of a share at 40 are 10 %
    assert (found.distance < found.noise).mean() >= 0.85
    below = found.distance < found.noise[:, None]
    assert (found.interval[..., 0][below] == 0.0).all()


def test_too_few_cases_give_no_distance():
    x = np.random.default_rng(1).random((100, 2))
    event = (np.arange(100) < LEAST_CASES - 1)[:, None]
    found = contrast_events(x, event, rng=0)
    assert np.isnan(found.distance).all()
    assert np.isnan(event_quantiles(x, event, [0.5])[0, 0]).all()
    assert np.isfinite(event_quantiles(x, event, [0.5])[0, 1]).all()


def test_unknown_cases_do_not_count(cases):
    x, corner = cases
    known = np.random.default_rng(3).random(2000) < 0.6
    found = contrast_events(x, corner[:, None], known=known, rng=0)
    left = contrast_events(x[known], corner[known][:, None], rng=0)
    np.testing.assert_array_equal(found.distance, left.distance)


def test_each_event_counts_the_cases_of_which_it_is_known(cases):
    x, corner = cases
    rng = np.random.default_rng(4)
    events = np.stack([corner, x[:, 2] > 0.5, ~corner, x[:, 1] > 0.2], axis=1)
    known = rng.random((2000, 4)) < 0.7
    known[:, 2] = known[:, 0]
    found = contrast_events(x, events, known=known, rng=0)
    quantiles = event_quantiles(x, events, [0.1, 0.5], known=known)
    for event in range(4):
        own = known[:, event]
        alone = contrast_events(x[own], events[own, event : event + 1], rng=0)
        # resamples differ, what they are drawn from does not
        for name in ("distance", "direction", "noise", "with_event", "without_event"):
            np.testing.assert_array_equal(getattr(found, name)[event], getattr(alone, name)[0])
        np.testing.assert_array_equal(
            quantiles[event], event_quantiles(x[own], events[own, event : event + 1], [0.1, 0.5])[0]
        )
    same = contrast_events(x, events, known=np.ones((2000, 4), bool), rng=0)
    for name, array in vars(contrast_events(x, events, rng=0)).items():
        np.testing.assert_array_equal(array, getattr(same, name))


def test_rows_must_agree():
    with pytest.raises(DesignMismatchError, match="same rows"):
        contrast_events(np.zeros((5, 2)), np.zeros((4, 1), bool))
    with pytest.raises(DesignMismatchError, match="same rows"):
        find_box(np.zeros((5, 2)), np.zeros(4, bool))


@pytest.mark.slow
@pytest.mark.parametrize("shift", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("events", [60, 300])
def test_intervals_of_distances_cover(shift, events):
    """Two normal distributions: the distance is 2 Phi(shift / 2) - 1. 200 seeds: noise 1.5 %."""
    truth = 2.0 * norm.cdf(shift / 2.0) - 1.0
    happens = (np.arange(1500) < events)[:, None]
    covered = []
    for seed in range(200):
        x = np.random.default_rng(seed).standard_normal((1500, 1)) + shift * happens
        low, high = contrast_events(x, happens, rng=seed).interval[0, 0]
        covered.append(low <= truth <= high)
    # 92 to 98 % less or more one noise
    assert 0.905 <= np.mean(covered) <= 0.995


def test_a_box_finds_the_corner(cases):
    x, corner = cases
    box = find_box(x, corner, density=0.95)
    # a peel takes 5 % of what is left, a paste gives 1 % back: edges are as good as that
    assert box.lower[0] == pytest.approx(0.7, abs=0.02)
    assert box.upper[1] == pytest.approx(0.5, abs=0.02)
    assert np.isinf([box.upper[0], box.lower[1], box.lower[2], box.upper[2]]).all()
    assert box.coverage > 0.97
    assert box.density >= 0.95
    chosen = inside(x, box.lower, box.upper)
    assert box.density == pytest.approx(corner[chosen].mean())
    assert box.coverage == pytest.approx(corner[chosen].sum() / corner.sum())
    assert box.support == pytest.approx(chosen.mean())


def test_the_trajectory_starts_with_everything_and_only_shrinks(cases):
    x, corner = cases
    box = find_box(x, corner)
    assert (box.path_coverage[0], box.path_support[0]) == (1.0, 1.0)
    assert (np.diff(box.path_support) < 0).all()
    assert (np.diff(box.path_coverage) <= 0).all()
    for step in (0, 5, -1):
        chosen = inside(x, box.path_lower[step], box.path_upper[step])
        assert chosen.mean() == pytest.approx(box.path_support[step])
        assert corner[chosen].mean() == pytest.approx(box.path_density[step])


def test_a_property_on_a_few_levels_can_be_peeled():
    rng = np.random.default_rng(0)
    x = np.column_stack([rng.integers(0, 4, 1000), rng.random(1000)])
    box = find_box(x, x[:, 0] >= 2, density=0.99)
    assert box.lower[0] == 2.0
    assert (box.coverage, box.density) == (1.0, 1.0)


def test_noise_gives_an_unstable_box_that_fails_on_other_cases():
    rng = np.random.default_rng(0)
    x, event = rng.random((400, 3)), rng.random(400) < 0.3
    box = find_box(x, event, density=0.9)
    found = box_stability(x, event, density=0.9, resamples=40, rng=0)
    assert box.density > 0.5
    # on cases left out it is worth the 30 % that all cases have, give or take a small box
    assert found.density.mean() < box.density - 0.1
    # every edge comes and goes
    assert (found.restricted < 1.0).all()


def test_a_true_box_is_stable(cases):
    x, corner = cases
    found = box_stability(x, corner, density=0.9, resamples=30, rng=0)
    assert found.restricted[0, 0] == found.restricted[1, 1] == 1.0
    assert found.restricted[2].max() < 0.3
    assert found.edges[0, 0, 0] <= 0.7 + 0.01
    assert found.edges[0, 0, 1] >= 0.7 - 0.03
    assert found.density[0] > 0.8


def test_zero_is_a_seed(cases):
    x, corner = cases
    zero, again, one = (box_stability(x, corner, resamples=5, rng=s) for s in (0, 0, 1))
    np.testing.assert_array_equal(zero.edges, again.edges)
    assert (zero.edges != one.edges).any()


def test_what_cannot_be_is_refused(cases):
    x, corner = cases
    with pytest.raises(EbbmapError, match=r"density must be in \(0, 1\]; got 1.2"):
        find_box(x, corner, density=1.2)
    with pytest.raises(EbbmapError, match="at least one case"):
        find_box(x, corner & False)


def test_values_that_are_not_finite_are_refused(cases):
    x, corner = cases
    broken = np.where(np.arange(x.size).reshape(x.shape) == 7, np.nan, x)
    with pytest.raises(EbbmapError, match="values must be finite; 1 are not"):
        find_box(broken, corner, density=0.9)
    with pytest.raises(EbbmapError, match="values must be finite; 1 are not"):
        contrast_events(broken, corner[:, None], resamples=50, rng=0)
