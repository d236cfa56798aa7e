from itertools import product

import numpy as np
import pytest

from ebbmap.kernels.safe_boxes import largest_boxes


def half_spaces(grid, lungs, seed):
    """Safe regions cut out by random planes: convex, as limits mostly make them."""
    rng = np.random.default_rng(seed)
    axes = np.meshgrid(*[np.linspace(0.0, 1.0, g) for g in grid], indexing="ij")
    safe = np.ones((*grid, lungs), bool)
    for _ in range(5):
        tilt = rng.normal(size=(len(grid), lungs))
        level = rng.uniform(0.0, 1.2, lungs)
        safe &= sum(axis[..., None] * t for axis, t in zip(axes, tilt, strict=True)) < level
    return safe


def every_box(safe):
    """Largest box for at least 0, 1, ... n lungs, by looking at every box on its own."""
    *grid, n = safe.shape
    best = np.zeros(n + 1, int)
    for ends in product(*[[(a, b) for a in range(g) for b in range(a, g)] for g in grid]):
        cut = tuple(slice(a, b + 1) for a, b in ends)
        served = safe[cut].reshape(-1, n).all(axis=0).sum()
        best[served] = max(best[served], np.prod([b - a + 1 for a, b in ends]))
    return np.maximum.accumulate(best[::-1])[::-1]


@pytest.mark.parametrize("grid", [(1,), (7,), (4, 5), (4, 3, 4), (3, 3, 2, 3)])
@pytest.mark.parametrize("lungs", [1, 64, 70])
def test_search_finds_what_exhaustive_search_finds(grid, lungs):
    safe = half_spaces(grid, lungs, seed=lungs)
    found = largest_boxes(safe)
    np.testing.assert_array_equal(found.size, every_box(safe))
    for count, size in enumerate(found.size):
        if size:
            cut = tuple(
                slice(a, b + 1) for a, b in zip(found.first[count], found.last[count], strict=True)
            )
            assert safe[cut].reshape(-1, lungs).all(axis=0).sum() >= count
            assert np.prod(found.last[count] - found.first[count] + 1) == size


def test_scattered_safe_places_are_no_trouble():
    safe = np.random.default_rng(3).random((4, 4, 3, 40)) < 0.8
    np.testing.assert_array_equal(largest_boxes(safe).size, every_box(safe))


def test_no_safe_place_means_no_box():
    found = largest_boxes(np.zeros((3, 3, 10), bool))
    assert found.serving(0.1) is None
    assert found.size[0] == 9


def test_share_that_is_asked_for_is_reached():
    safe = half_spaces((6, 6), 50, seed=1)
    first, last = largest_boxes(safe).serving(0.4)
    cut = tuple(slice(a, b + 1) for a, b in zip(first, last, strict=True))
    assert safe[cut].reshape(-1, 50).all(axis=0).mean() >= 0.4
