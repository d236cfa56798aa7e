import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmap.kernels.fronts import non_dominated


def brute_force(costs):
    """Compare every row with every other."""
    keep = []
    for one in costs:
        beaten = any(np.all(other <= one) and np.any(other < one) for other in costs)
        keep.append(bool(np.isfinite(one).all()) and not beaten)
    return keep


@pytest.mark.parametrize("k", [1, 2, 3])
@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(data=st.data())
def test_the_front_is_that_of_all_pairs(k, data):
    n = data.draw(st.integers(1, 40))
    # few values, so that ties and repeated rows occur
    costs = np.array(
        data.draw(
            st.lists(st.lists(st.integers(0, 6), min_size=k, max_size=k), min_size=n, max_size=n)
        ),
        float,
    )
    assert non_dominated(costs).tolist() == brute_force(costs)


def test_a_setting_with_an_unknown_cost_is_never_on_the_front():
    costs = [[np.nan, 0.0], [1.0, 1.0], [np.inf, 0.0]]
    assert non_dominated(costs).tolist() == [False, True, False]


def test_equal_settings_are_kept_together():
    assert non_dominated([[1.0, 2.0], [1.0, 2.0], [2.0, 1.0]]).tolist() == [True, True, True]


def test_nothing_known_leaves_no_front():
    assert not non_dominated(np.full((4, 2), np.nan)).any()
