import numpy as np
import pytest
from scipy.stats import binomtest

from ebbmap.kernels.judging import CAUTION, NO_BOUND, SAFE, UNDETERMINED, UNSAFE
from ebbmap.kernels.shares import crossing, share_words, shares, wilson


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99])
@pytest.mark.parametrize(("successes", "trials"), [(0, 1), (1, 1), (0, 20), (7, 20), (1999, 2000)])
def test_wilson_interval_is_scipys(successes, trials, level):
    expected = binomtest(successes, trials).proportion_ci(level, method="wilson")
    # rounding; the ends at 0 and 1 are kept inside
    assert wilson(successes, trials, level) == pytest.approx(tuple(expected), abs=1e-14)


def test_ends_of_an_interval_are_exact_for_every_number_of_trials():
    trials = np.arange(1, 20_001)
    for level in (0.5, 0.9, 0.95, 0.99):
        assert (wilson(np.zeros_like(trials), trials, level)[0] == 0.0).all()
        assert (wilson(trials, trials, level)[1] == 1.0).all()
        assert (wilson(trials * 0.5, trials * 0.5, level)[1] == 1.0).all()
    assert wilson(0, 7, 0.95)[0] == 0.0
    assert wilson(7, 7, 0.95)[1] == 1.0


def test_an_interval_never_leaves_zero_to_one():
    low, high = wilson(np.arange(11), 10, 0.999)
    assert (low >= 0).all()
    assert (high <= 1).all()
    assert (low < high).all()


@pytest.fixture
def judged():
    rng = np.random.default_rng(0)
    verdict = rng.choice(np.arange(4, dtype=np.int8), size=(5, 4, 60))
    verdict[0, 0] = UNDETERMINED
    verdict[0, 1] = SAFE
    binding = rng.integers(0, 3, verdict.shape).astype(np.int8)
    return verdict, np.where(verdict == UNDETERMINED, np.int8(NO_BOUND), binding)


def test_shares_are_what_counting_one_by_one_gives(judged):
    verdict, binding = judged
    counted = shares(verdict, binding, bounds=3)
    for cell in np.ndindex(verdict.shape[:-1]):
        cases = list(zip(verdict[cell].tolist(), binding[cell].tolist(), strict=True))
        n = len(cases)
        assert counted.undetermined[cell] == sum(v == UNDETERMINED for v, _ in cases) / n
        assert counted.safe[cell] == sum(v in (SAFE, CAUTION) for v, _ in cases) / n
        assert counted.caution[cell] == sum(v == CAUTION for v, _ in cases) / n
        broken = [sum(case == (UNSAFE, k) for case in cases) for k in range(3)]
        assert (counted.broken[(slice(None), *cell)] == np.array(broken) / n).all()
        most = broken.index(max(broken)) if max(broken) else NO_BOUND
        assert counted.commonest[cell] == most


def test_safe_broken_and_undetermined_shares_add_up_to_one(judged):
    counted = shares(*judged, bounds=3)
    total = counted.safe + counted.broken.sum(axis=0) + counted.undetermined
    np.testing.assert_allclose(total, 1, atol=1e-15)  # rounding of five numbers below one


def test_what_is_unknown_never_counts_as_safe(judged):
    counted = shares(*judged, bounds=3)
    assert counted.undetermined[0, 0] == 1.0
    assert counted.safe[0, 0] == counted.safe_low[0, 0] == 0.0
    assert counted.commonest[0, 0] == NO_BOUND


def test_an_interval_counts_all_cases(judged):
    verdict, binding = judged
    counted = shares(verdict, binding, bounds=3, level=0.9)
    safe = int(np.isin(verdict[2, 2], (SAFE, CAUTION)).sum())
    expected = wilson(safe, 60, 0.9)
    assert (counted.safe_low[2, 2], counted.safe_high[2, 2]) == pytest.approx(expected)


def test_words_say_what_a_share_divides_by():
    for name in (
        "safe_share",
        "caution_share",
        "undetermined_share",
        "broken_share",
        "served_share",
        "window_share",
    ):
        assert share_words(name).startswith("share of all lungs ")
        assert share_words(name, "cases").startswith("share of all cases ")


X = np.array([0.0, 1.0, 2.0, 4.0])


@pytest.mark.parametrize(
    ("share", "first", "last"),
    [
        ([0.0, 1.0, 1.0, 0.0], 0.5, 3.0),
        ([0.0, 0.5, 0.0, 0.0], 1.0, 1.0),
        ([1.0, 1.0, 1.0, 1.0], 0.0, 4.0),
        ([0.8, 0.6, 0.4, 0.0], 0.0, 1.5),
        ([0.0, 0.2, 0.4, 0.9], 2.4, 4.0),
        ([0.0, 1.0, 0.0, 1.0], 0.5, 4.0),
        ([0.0, 0.4, 0.4, 0.0], np.nan, np.nan),
        ([np.nan, np.nan, np.nan, np.nan], np.nan, np.nan),
    ],
)
def test_where_a_share_crosses_one_half(share, first, last):
    found = crossing(X, np.array(share), 0.5)
    np.testing.assert_allclose(found, (first, last), atol=1e-14)  # rounding


def test_many_rows_cross_at_once():
    rows = np.array([[0.0, 1.0, 1.0, 0.0], [1.0, 1.0, 1.0, 1.0]])
    first, last = crossing(X, rows, 0.5)
    assert (first.tolist(), last.tolist()) == ([0.5, 0.0], [3.0, 4.0])


def test_ends_of_an_interval_lie_around_the_share_to_the_last_digit():
    """No share of up to 400 trials lies outside its interval; the ends are exact."""
    for trials in range(1, 401):
        counts = np.arange(trials + 1)
        low, high = wilson(counts, trials, 0.95)
        share = counts / trials
        assert ((low <= share) & (share <= high)).all()
        assert low[0] == 0.0
        assert high[-1] == 1.0
        assert (low[1:] > 0.0).all()
        assert (high[:-1] < 1.0).all()


def test_ends_hold_for_trials_that_are_no_whole_number():
    rng = np.random.default_rng(0)
    trials = rng.uniform(0.5, 500.0, 20_000)
    share = np.concatenate([np.full(5000, 1e-17), np.full(5000, 1 - 1e-16), rng.random(10_000)])
    low, high = wilson(share * trials, trials, 0.95)
    assert ((low >= 0.0) & (high <= 1.0)).all()
    assert ((low <= (share * trials) / trials) & (high >= (share * trials) / trials)).all()
