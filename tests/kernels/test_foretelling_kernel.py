"""Releases told apart by a threshold, beside counting them one by one."""

import numpy as np
import pytest

from ebbmap.kernels.choosing import t_low_reaching
from ebbmap.kernels.foretelling import WORTH, best_band, count_releases, foretold

SEED = 7


@pytest.fixture(scope="module", params=[True, False], ids=["falls", "rises"])
def drawn(request):
    rng = np.random.default_rng(SEED)
    measure = rng.uniform(0.0, 1.0, (30, 8))
    measure[rng.random(measure.shape) < 0.05] = np.nan
    what = rng.integers(0, 3, measure.shape)
    thresholds = np.linspace(0.1, 0.9, 9)
    return (
        measure,
        what == 0,
        what == 1,
        thresholds[::-1] if request.param else thresholds,
        (request.param),
    )


def by_hand(measure, harmed, unharmed, keeps):
    """Count single releases; ``keeps(value)`` is the rule."""
    counts = dict.fromkeys(("kept", "all", "kept_un", "un", "broken_harm", "harm"), 0)
    for value, bad, good in zip(measure.flat, harmed.flat, unharmed.flat, strict=True):
        if np.isnan(value):
            continue
        kept = keeps(value)
        counts["all"] += 1
        counts["kept"] += kept
        counts["un"] += good
        counts["kept_un"] += kept and good
        counts["harm"] += bad
        counts["broken_harm"] += bad and not kept
    return counts


def test_every_share_is_what_counting_one_by_one_gives(drawn):
    measure, harmed, unharmed, thresholds, falls = drawn
    counted = count_releases(measure, harmed, unharmed, thresholds, falls=falls)
    told = foretold(counted, np.ones((1, len(measure))))
    for place, threshold in enumerate(thresholds):
        c = by_hand(
            measure,
            harmed,
            unharmed,
            lambda value, end=threshold: value >= end if falls else value <= end,
        )
        assert told.kept_share[0, place] == c["kept"] / c["all"]
        assert told.kept_unharmed[0, place] == c["kept_un"] / c["kept"]
        beyond = (c["un"] - c["kept_un"]) / (c["all"] - c["kept"])
        assert told.broken_unharmed[0, place] == beyond
        assert told.sensitivity[0, place] == c["broken_harm"] / c["harm"]
        assert told.specificity[0, place] == c["kept_un"] / c["un"]


def test_a_lung_that_counts_twice_is_as_two_lungs(drawn):
    measure, harmed, unharmed, thresholds, falls = drawn
    taken = np.random.default_rng(SEED).integers(0, len(measure), len(measure))
    weights = np.bincount(taken, minlength=len(measure))[None]
    once = count_releases(measure, harmed, unharmed, thresholds, falls=falls)
    again = count_releases(measure[taken], harmed[taken], unharmed[taken], thresholds, falls=falls)
    some, same = foretold(once, weights), foretold(again, np.ones((1, len(taken))))
    for name in ("kept_unharmed", "broken_unharmed", "sensitivity", "specificity", "youden"):
        np.testing.assert_array_equal(getattr(some, name), getattr(same, name))


def test_the_best_band_is_the_best_of_all_bands(drawn):
    measure, harmed, unharmed, thresholds, falls = drawn
    # harm on both sides, so that a band is better than any single threshold
    middle = np.abs(measure - 0.5) < 0.2
    harmed, unharmed = ~middle | (harmed & middle), middle & ~harmed
    counted = count_releases(measure, harmed, unharmed, thresholds, falls=falls)
    first, last, best = best_band(foretold(counted, np.ones((1, len(measure)))).youden)
    ends = [-np.inf, *thresholds, np.inf] if not falls else [np.inf, *thresholds, -np.inf]

    def youden(start, end):
        low, high = (end, start) if falls else (start, end)
        c = by_hand(
            measure,
            harmed,
            unharmed,
            lambda v: low <= v < high if falls else low < v <= high,
        )
        return c["broken_harm"] / c["harm"] + c["kept_un"] / c["un"] - 1.0

    every = {
        (i, j): youden(ends[i], ends[j]) for i in range(len(ends)) for j in range(i + 1, len(ends))
    }
    assert every[first[0] + 1, last[0] + 1] == pytest.approx(best[0], abs=1e-12)
    # rounding of a few sums of shares
    assert best[0] == pytest.approx(max(every.values()), abs=1e-12)


def test_a_second_threshold_must_be_worth_it():
    small = np.array([[-WORTH / 2, 0.3, 0.6, 0.2]])
    first, last, best = best_band(small)
    assert (first[0], last[0], best[0]) == (-1, 2, 0.6)
    large = np.array([[-2 * WORTH, 0.3, 0.6, 0.2]])
    assert [int(x[0]) for x in best_band(large)[:2]] == [0, 2]
    # harm within alone: the rule is to release longer
    first, last, best = best_band(np.array([[-0.1, -0.5, -0.2]]))
    assert (first[0], last[0], best[0]) == (1, 3, 0.5)


def test_nothing_is_best_where_nothing_is_harmed():
    assert np.isnan(best_band(np.full((1, 3), np.nan))[2]).all()
    counted = count_releases(
        np.ones((2, 2)), np.zeros((2, 2), bool), np.ones((2, 2), bool), np.ones(1), falls=False
    )
    assert np.isnan(foretold(counted, np.ones((1, 2))).sensitivity).all()


def test_t_low_is_the_closed_form_of_a_linear_lung():
    tau = np.array([0.3, 0.8, 2.0])
    targets = np.array([0.75, 0.5, 0.25])
    found = t_low_reaching(
        lambda t_low, lung: np.exp(-t_low / tau[lung]), targets, 3, low=0.02, high=20.0
    )
    # found to 1e-6 of its logarithm
    np.testing.assert_allclose(found, -tau[:, None] * np.log(targets), rtol=2e-6)


def test_what_is_never_reached_has_no_t_low():
    found = t_low_reaching(
        lambda t_low, lung: np.where(lung == 0, np.nan, np.exp(-t_low)),
        np.array([0.5, 1.5]),
        2,
        low=0.02,
        high=20.0,
    )
    assert np.isnan(found).tolist() == [[True, True], [False, True]]
