"""Pieces and holes of windows on margins whose answer is known, at random places."""

import numpy as np
import pytest

from ebbmap.errors import EbbmapError
from ebbmap.kernels.changes import find_changes
from ebbmap.kernels.windows import (
    OPEN,
    RESOLUTION,
    UNKNOWN,
    looks,
    release_windows,
)

LOW, HIGH = 0.02, 20.0

#: Random placements, one for each invented lung.
N = 4000

#: Edges are roots in log T low, to rounding of it: 4 eps times a logarithm below 4.
EDGE = 1e-14


def places(seed, width):
    """Beginning and end of something as wide as this share of T low, clear of the range's ends."""
    begin = np.exp(np.random.default_rng(seed).uniform(np.log(0.03), np.log(13.0), N))
    return begin, begin * (1.0 + width)


def search(margins, n=N, **options):
    return release_windows(margins, n, low=LOW, high=HIGH, **options)


def broad(t, centre, floor):
    """A hump over the whole range that stays below zero by `floor`."""
    return -floor - 0.02 * np.log(t / centre) ** 2


@pytest.mark.parametrize("height", [1e-6, 0.3, 100.0])
@pytest.mark.parametrize("width", [RESOLUTION, 0.05, 0.3])
def test_every_hole_of_the_stated_width_is_found_in_a_step_margin(width, height):
    begin, end = places(1, width)

    def step(t, lung):
        return np.where((begin[lung] < t) & (t < end[lung]), -height, height)[None]

    found = search(step)
    assert (found.count == 2).all()
    np.testing.assert_allclose(found.upper[:, 0], begin, rtol=EDGE)
    np.testing.assert_allclose(found.lower[:, 1], end, rtol=EDGE)
    assert (found.lower[:, 0] == LOW).all()
    assert (found.upper[:, 1] == HIGH).all()


@pytest.mark.parametrize("near", [1e-4, 0.1])
@pytest.mark.parametrize("width", [RESOLUTION, 0.05, 0.3])
def test_every_window_of_the_stated_width_is_found_beside_a_near_miss(width, near):
    begin, end = places(2, width)
    centre = np.exp(np.random.default_rng(3).uniform(np.log(0.05), np.log(10.0), N))

    def step(t, lung):
        inside = (begin[lung] < t) & (t < end[lung])
        return np.where(inside, 0.01, broad(t, centre[lung], near))[None]

    found = search(step)
    assert (found.count == 1).all()
    np.testing.assert_allclose(found.lower[:, 0], begin, rtol=EDGE)
    np.testing.assert_allclose(found.upper[:, 0], end, rtol=EDGE)
    assert ((begin < found.best) & (found.best < end)).all()
    assert (found.best_margin == 0.01).all()


@pytest.mark.parametrize("width", [1e-2, 1e-3, 1e-5])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_turns_of_a_smooth_margin_are_found_far_below_the_stated_width(width, sign):
    begin, end = places(4, width)
    middle, half = np.log(begin * end) / 2, np.log(end / begin) / 2

    def parabola(t, lung):
        return (sign * (half[lung] ** 2 - (np.log(t) - middle[lung]) ** 2))[None]

    found = search(parabola)
    # the minimiser meets the middle to its root of rounding, 1e-8 of T low, far inside the piece
    if sign > 0:
        assert (found.count == 1).all()
        lower, upper = found.lower[:, 0], found.upper[:, 0]
    else:
        assert (found.count == 2).all()
        lower, upper = found.upper[:, 0], found.lower[:, 1]
    # a parabola this flat loses digits: rounding of log T low over the width of the piece
    np.testing.assert_allclose(lower, begin, rtol=1e-14 / width)
    np.testing.assert_allclose(upper, end, rtol=1e-14 / width)


@pytest.mark.parametrize("width", [1e-3, 1e-6, 1e-9])
def test_two_bounds_that_leave_a_gap_of_any_width_are_found(width):
    begin, end = places(5, width)

    def pair(t, lung):
        return np.stack([np.log(t / begin[lung]), np.log(end[lung] / t)])

    found = search(pair)
    assert (found.count == 1).all()
    np.testing.assert_allclose(found.lower[:, 0], begin, rtol=EDGE)
    np.testing.assert_allclose(found.upper[:, 0], end, rtol=EDGE)
    assert (found.lower_bound == 0).all()
    assert (found.upper_bound == 1).all()


@pytest.mark.parametrize("width", [1e-3, 1e-6, 1e-9])
def test_two_bounds_that_overlap_by_any_width_leave_no_window(width):
    begin, end = places(6, width)

    def pair(t, lung):
        return np.stack([np.log(t / end[lung]), np.log(begin[lung] / t)])

    found = search(pair)
    assert (found.count == 0).all()
    assert not found.undetermined.any()
    # each fails where the other is kept
    assert (found.shorter_fails == 0).all()
    assert (found.longer_fails == 1).all()
    assert (found.best_margin < 0).all()


def test_many_pieces_and_holes_of_random_widths_are_all_found():
    rng = np.random.default_rng(7)
    edges = np.exp(np.log(0.03) + np.cumsum(rng.uniform(np.log1p(RESOLUTION), 0.6, (N, 9)), axis=1))
    edges = np.minimum(edges, 19.0 * (1 + 1e-3 * np.arange(9)))

    def wave(t, lung):
        # inside an odd number of edges below: safe
        return np.where((edges[lung] < t[..., None]).sum(axis=-1) % 2 == 1, 1.0, -1.0)[None]

    apart = (np.diff(edges, axis=1) > RESOLUTION * edges[:, :-1]).all(axis=1)
    found = search(wave)
    assert apart.sum() > 1000
    assert (found.count[apart] == 5).all()
    np.testing.assert_allclose(found.lower[apart, :5], edges[apart, ::2], rtol=EDGE)
    np.testing.assert_allclose(found.upper[apart, :4], edges[apart, 1::2], rtol=EDGE)
    length = found.upper - found.lower
    widest = np.take_along_axis(length, found.widest_piece[:, None], axis=1)[:, 0]
    np.testing.assert_array_equal(widest[apart], np.nanmax(length[apart], axis=1))


@pytest.mark.parametrize("width", [RESOLUTION, 0.2])
def test_a_place_beside_a_broken_bound_is_outside_and_one_beside_none_undetermined(width):
    begin, end = places(8, width)

    def lost(t, lung, other):
        gone = (begin[lung] < t) & (t < end[lung])
        return np.stack([np.where(gone, np.nan, 1.0), np.where(gone, other, 1.0)])

    outside = search(lambda t, lung: lost(t, lung, -1.0))
    unclear = search(lambda t, lung: lost(t, lung, 1.0))
    for found in (outside, unclear):
        assert (found.count == 2).all()
        np.testing.assert_allclose(found.upper[:, 0], begin, rtol=EDGE)
        np.testing.assert_allclose(found.lower[:, 1], end, rtol=EDGE)
    assert np.isnan(outside.unknown_lower).all()
    np.testing.assert_allclose(unclear.unknown_lower[:, 0], begin, rtol=EDGE)
    np.testing.assert_allclose(unclear.unknown_upper[:, 0], end, rtol=EDGE)
    assert (unclear.upper_bound[:, 0] == UNKNOWN).all()
    assert not unclear.undetermined.any()


def test_a_margin_that_crosses_zero_close_to_where_it_vanishes_is_found():
    # known from `begin` on, kept from `end` on: both within two looks
    begin, end = places(9, RESOLUTION / 5)

    def late(t, lung):
        return np.where(t < begin[lung], np.nan, np.log(t / end[lung]))[None]

    found = search(late)
    assert (found.count == 1).all()
    np.testing.assert_allclose(found.lower[:, 0], end, rtol=EDGE)
    np.testing.assert_allclose(found.unknown_upper[:, 0], begin, rtol=EDGE)
    assert (found.lower_bound[:, 0] == 0).all()


def test_a_lung_with_nothing_found_and_something_unknown_is_undetermined():
    def some(t, lung):
        return np.where((lung == 1) & (t > 1.0), np.nan, -1.0)[None]

    found = search(some, 2)
    assert found.count.tolist() == [0, 0]
    assert found.undetermined.tolist() == [False, True]
    # what is known of it is told all the same
    assert found.best_margin.tolist() == [-1.0, -1.0]


def test_flat_margins_are_open_or_leave_nothing():
    found = search(lambda t, lung: np.where(lung == 0, 0.0, -1e-9) + 0.0 * t[None], 2)
    assert found.count.tolist() == [1, 0]
    assert (found.lower[0, 0], found.upper[0, 0]) == (LOW, HIGH)
    assert found.lower_bound[0, 0] == found.upper_bound[0, 0] == OPEN


def test_lungs_are_searched_alike_alone_and_among_many(monkeypatch):
    begin, end = places(10, 0.1)

    def step(t, lung):
        return np.where((begin[lung] < t) & (t < end[lung]), -1.0, 1.0)[None]

    many = search(step, 50)
    monkeypatch.setattr("ebbmap.kernels.windows.BLOCK", 1)
    for name, array in vars(search(step, 50)).items():
        np.testing.assert_array_equal(array, getattr(many, name), err_msg=name)


def test_looks_are_no_further_apart_than_the_resolution():
    for low, high, resolution in ((0.02, 20.0, 0.02), (0.5, 0.6, 0.1), (0.1, 0.1001, 0.02)):
        step = np.diff(looks(low, high, resolution))
        assert (step <= np.log1p(resolution) * (1 + 1e-9)).all()  # rounding of a difference


def test_a_coarser_resolution_may_be_asked_for_and_none_is_refused():
    begin, end = places(11, 0.3)
    found = search(
        lambda t, k: np.where((begin[k] < t) & (t < end[k]), 1.0, -1.0)[None], resolution=0.3
    )
    assert (found.count == 1).all()
    with pytest.raises(EbbmapError, match="resolution of T low must be > 0; got 0"):
        search(lambda t, lung: t[None], 1, resolution=0.0)


@pytest.mark.parametrize("gap", [1e-9, 0.01, 0.5, 0.999])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_turn_beside_zero_is_no_change(sign, gap):
    """A hump that stays below zero by a gap, or a dip that stays above it, changes nothing."""
    places = np.linspace(np.log(0.1), np.log(1.0), 12)
    middle = places[5] + 0.3 * (places[1] - places[0])

    def margins(t, lung):
        return (-sign * (gap + (np.log(t) - middle) ** 2 + 0.0 * lung))[None]

    lungs = np.arange(3)
    seen = np.stack([margins(np.exp(place) + 0.0 * lungs, lungs) for place in places], axis=1)
    for found in find_changes(margins, seen, lungs, places):
        assert found.size == 0

    # what crosses zero does so twice for every lung
    def crossing(t, lung):
        return margins(t, lung) + sign * (gap + 1e-3)

    seen = np.stack([crossing(np.exp(place) + 0.0 * lungs, lungs) for place in places], axis=1)
    lung, log_t, bound = find_changes(crossing, seen, lungs, places)
    assert sorted(lung) == [0, 0, 1, 1, 2, 2] and (bound == 0).all()
    # roots of a parabola to rounding of its values near 1e-3
    np.testing.assert_allclose(np.abs(log_t - middle), np.sqrt(1e-3), rtol=1e-9)
