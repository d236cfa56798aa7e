"""The largest empty box beside an exact search of a grid, and where its budget ends."""

import numpy as np
import pytest

from ebbmap.kernels.empty_boxes import largest_empty_box
from ebbmap.kernels.safe_boxes import largest_boxes


def test_it_is_the_largest_box_of_a_grid():
    rng = np.random.default_rng(0)
    for _ in range(60):
        d = int(rng.integers(1, 5))
        grid = rng.integers(2, 6, size=d)
        safe = rng.random(grid) < rng.choice([0.5, 0.8, 0.95])
        taken = np.argwhere(~safe)
        found = largest_empty_box(taken / grid, (taken + 1) / grid)
        exact = largest_boxes(safe[..., None]).size[1] / safe.size
        assert found.volume == pytest.approx(exact, abs=1e-12) and found.most == found.volume
        middles = (np.argwhere(safe) + 0.5) / grid
        grown = largest_empty_box(taken / grid, (taken + 1) / grid, seeds=middles)
        assert grown.volume == pytest.approx(exact, abs=1e-12)


def test_a_slack_or_a_budget_leaves_a_bound():
    rng = np.random.default_rng(1)
    low = rng.random((300, 3)) * 0.95
    high = low + 0.05
    exact = largest_empty_box(low, high)
    near = largest_empty_box(low, high, slack=0.2)
    short = largest_empty_box(low, high, budget=2000, seeds=np.array([[0.5, 0.5, 0.99]]))
    for found in (near, short):
        assert found.volume <= exact.volume <= found.most
        assert not ((low < found.high) & (high > found.low)).all(axis=1).any()
    assert near.volume * 1.2 >= exact.volume and short.most > short.volume > 0


def test_without_others_it_is_the_cube_and_without_room_there_is_none():
    nothing = np.empty((0, 2))
    assert largest_empty_box(nothing, nothing).volume == 1.0
    full = largest_empty_box(np.zeros((1, 2)), np.ones((1, 2)))
    assert full.volume == full.most == 0.0
