import numpy as np
import pytest

from ebbmap.kernels.serving import (
    best_place_interval,
    overlap_share,
    served_counts,
    serves,
)
from ebbmap.kernels.shares import largest_gap


@pytest.fixture(scope="module")
def windows():
    rng = np.random.default_rng(11)
    low = rng.uniform(0.1, 1.0, (2, 60))
    high = low + rng.uniform(0.0, 0.4, (2, 60))
    lost = rng.random((2, 60)) < 0.2
    low[lost], high[lost] = np.nan, np.nan
    return low, high


def test_counts_against_looking_at_every_lung(windows):
    low, high = windows[0][0], windows[1][0]
    places = np.r_[np.linspace(0.1, 1.4, 50), np.sort(low[:5]), np.sort(high[:5])]
    places = places[~np.isnan(places)]
    every = ((low[:, None] <= places) & (places <= high[:, None])).sum(axis=0)
    np.testing.assert_array_equal(served_counts(low, high, places), every)


def test_overlap_against_all_pairs(windows):
    (a, c), (b, d) = windows
    pairs = (a[:, None] <= d) & (c <= b[:, None])
    assert overlap_share(a, b, c, d) == pytest.approx(pairs.mean(), abs=1e-15)


def test_best_place_lies_in_its_interval_and_the_seed_decides(windows):
    low, high = windows[0][0], windows[1][0]
    places = np.linspace(0.1, 1.4, 60)
    one = best_place_interval(low, high, places, resamples=200, level=0.95, seed=0)
    assert one[1] <= one[0] <= one[2]
    assert one == best_place_interval(low, high, places, resamples=200, level=0.95, seed=0)


def test_no_windows_have_no_best_place():
    gone = np.full(5, np.nan)
    found = best_place_interval(gone, gone, np.array([0.5]), resamples=10, level=0.95, seed=0)
    assert np.isnan(found).all()


def test_gap_is_scipys_two_sample_statistic():
    from scipy.stats import ks_2samp

    rng = np.random.default_rng(2)
    one, other = rng.normal(size=80), rng.normal(0.5, size=120)
    # the same fraction of counts, added in another order
    assert largest_gap(one, other) == pytest.approx(ks_2samp(one, other).statistic, abs=1e-14)


@pytest.fixture(scope="module")
def pieces():
    """Two groups of lungs with none to three pieces each."""
    rng = np.random.default_rng(5)
    edges = np.sort(rng.uniform(0.1, 2.0, (2, 80, 6)), axis=-1)
    low, high = edges[..., ::2].copy(), edges[..., 1::2].copy()
    gone = np.arange(3) >= rng.integers(0, 4, (2, 80, 1))
    low[gone] = high[gone] = np.nan
    return low, high


def test_a_place_in_any_piece_is_served(pieces):
    low, high = pieces[0][0], pieces[1][0]
    places = np.r_[np.linspace(0.1, 2.0, 40), low[~np.isnan(low)][:5], high[~np.isnan(high)][:5]]
    one_by_one = [
        sum(
            any(a <= place <= b for a, b in zip(*lung, strict=True))
            for lung in zip(low, high, strict=True)
        )
        for place in places
    ]
    assert served_counts(low, high, places).tolist() == one_by_one
    np.testing.assert_array_equal(serves(low, high, places).sum(axis=0), one_by_one)


def test_windows_overlap_where_any_pieces_do(pieces):
    (a, c), (b, d) = pieces
    meet = [
        any(
            x <= v and u <= y
            for x, y in zip(*one, strict=True)
            for u, v in zip(*other, strict=True)
        )
        for one in zip(a, b, strict=True)
        for other in zip(c, d, strict=True)
    ]
    assert overlap_share(a, b, c, d) == np.mean(meet)


def test_the_best_place_serves_most_lungs_by_any_piece(pieces):
    low, high = pieces[0][0], pieces[1][0]
    places = np.linspace(0.1, 2.0, 96)
    best, *_ = best_place_interval(low, high, places, resamples=20, level=0.9, seed=0)
    count = served_counts(low, high, places)
    assert count[np.searchsorted(places, best)] == count.max()
