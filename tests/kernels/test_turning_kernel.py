"""Where a margin first changes its sign, against roots by hand."""

import numpy as np

from ebbmap.kernels.turning import NARROW, turning_points


def found(margin, slope=0.0, step=1.0, room=10.0, ways=1):
    before, beyond = turning_points(
        margin, np.full(ways, slope), np.full(ways, step), np.full(ways, room)
    )
    return before, beyond


def test_roots_of_many_shapes():
    """A line, a bent one, one that turns late, one that rises out of the bad, a jump."""
    shapes = [
        lambda x: 2.0 - x,
        lambda x: np.exp(-x) - 0.25,
        lambda x: 1.0 - (x / 9.0) ** 9,
        lambda x: x**3 - 1.0,
        lambda x: np.where(x < 3.3, 1.0, -5.0),
    ]
    roots = [2.0, np.log(4.0), 9.0, 1.0, 3.3]

    def margin(size):
        return np.array([shape(one) for shape, one in zip(shapes, size, strict=True)])

    before, beyond = found(margin, ways=5)
    assert np.all(before <= np.array(roots) + 1e-12)
    assert np.all(beyond >= np.array(roots) - 1e-12)
    assert np.all(beyond - before <= NARROW)


def test_a_slope_finds_a_line_at_once():
    calls = []

    def margin(size):
        calls.append(size.copy())
        return 4.0 - 2.0 * size

    before, _ = found(margin, slope=-2.0)
    assert abs(before.item() - 2.0) < NARROW
    assert len(calls) < 8


def test_no_turn_within_the_room_or_before_the_end():
    before, beyond = found(lambda x: 20.0 - x)
    assert np.isnan([before, beyond]).all()
    before, beyond = found(lambda x: np.where(x < 2.0, 1.0, np.nan))
    assert np.isnan([before, beyond]).all()
    before, beyond = found(lambda x: np.full_like(x, np.nan))
    assert np.isnan([before, beyond]).all()
    before, beyond = found(lambda x: 1.0 - x, room=0.0)
    assert np.isnan([before, beyond]).all()
