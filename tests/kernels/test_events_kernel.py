"""Sobol indices of yes-or-no outputs: which have an interval, and of what count."""

import numpy as np
import pytest
from scipy.stats import beta, gamma

from ebbmap.kernels.events import (
    FEW,
    LEAST_EVENTS,
    count_intervals,
    enough_events,
    two_values,
)
from ebbmap.kernels.sobol import sobol_indices


def test_an_index_needs_as_many_events_whatever_its_order():
    events = np.array([[LEAST_EVENTS, LEAST_EVENTS - 1.0], [LEAST_EVENTS, LEAST_EVENTS + 1.0]])
    enough = enough_events(events, [(0, 1)])
    # first order of both factors, totals of both, their pair; the second output lacks one event
    assert enough.tolist() == [[True, False], [True, True], [True, False], [True, True], [True] * 2]
    assert not enough_events(np.full((2, 1), np.nan), []).any()


def test_few_events_give_jeffreys_interval_of_a_share():
    first, total, events = np.array([[[0.2]], [[0.9]], [[30.0]]])
    low, high = count_intervals(first, total, events, 0.95, within=True)
    for row, (share, trials) in enumerate(((0.2, 30.0 / 1.8), (0.9, 30.0 / 1.9))):
        spread = beta(trials * share + 0.5, trials * (1.0 - share) + 0.5)
        assert (low[row, 0], high[row, 0]) == pytest.approx(spread.ppf([0.025, 0.975]))


def test_without_rows_of_their_own_counts_are_poissons():
    first, total, events = np.array([[[0.2]], [[0.3]], [[30.0]]])
    low, high = count_intervals(first, total, events, 0.9, within=False)
    for row, (share, trials) in enumerate(((0.2, 30.0 / 1.8), (0.3, 30.0))):
        spread = gamma(trials * share + 0.5, scale=1.0 / trials)
        assert (low[row, 0], high[row, 0]) == pytest.approx(spread.ppf([0.05, 0.95]))


def test_no_event_and_nothing_but_events_end_at_the_edge():
    first, total, events = np.array([[[-0.1]], [[1.2]], [[30.0]]])
    low, high = count_intervals(first, total, events, 0.95, within=True)
    assert low[0, 0] == 0.0 < high[0, 0] < 0.25
    assert 0.75 < low[1, 0] < 1.0 == high[1, 0]


def test_many_events_are_left_to_the_replicates():
    share, events = np.array([[0.5]]), np.array([[4.0 * FEW]])
    assert np.isnan(count_intervals(share, share, events, 0.95, within=True)).all()
    assert np.isnan(count_intervals(share, share, events * np.nan, 0.95, within=True)).all()


def test_rows_that_are_left_out_do_not_make_a_third_value():
    blocks = np.random.default_rng(0).integers(0, 2, size=(64, 6, 1)).astype(float)
    kept = np.ones((64, 1), bool)
    kept[5], blocks[5] = False, 0.25
    assert two_values(blocks, kept) == [1.0]
    assert np.isnan(two_values(blocks, kept | True)).all()
    assert np.isnan(two_values(np.ones((4, 6, 1)), np.ones((4, 1), bool))).all()


@pytest.mark.parametrize("second_order", [True, False])
def test_intervals_of_events_do_not_depend_on_how_yes_and_no_are_written(second_order):
    rows = 256 * (8 if second_order else 5)
    event = (np.random.default_rng(3).random((rows, 1)) < 0.03).astype(float)
    outputs = np.concatenate([event, 7.0 - 3.0 * event], axis=1)
    found = sobol_indices(outputs, factors=3, second_order=second_order, replicates=16)
    for ends in (found.first_interval, found.total_interval):
        assert np.isfinite(ends).all()
        # the same products but for rounding
        np.testing.assert_allclose(ends[:, 0], ends[:, 1], rtol=1e-9, atol=1e-12)
