"""Ranges, boxes and partitions of measured values: their ends are exact."""

import math

import numpy as np
import pytest

from ebbmap.errors import EbbmapError
from ebbmap.policies.conditions import (
    ALWAYS,
    Box,
    Condition,
    Interval,
    Partition,
    possible,
    unit_of,
)

CLOSED, OPEN = Interval(1.0, 2.0, True, True), Interval(1.0, 2.0)


@pytest.mark.parametrize(
    ("one", "other", "low", "high", "low_in", "high_in"),
    [
        (CLOSED, OPEN, 1.0, 2.0, False, False),
        (CLOSED, Interval(2.0, 3.0, True, True), 2.0, 2.0, True, True),
        (Interval(low=1.5), Interval(high=1.7, high_in=True), 1.5, 1.7, False, True),
    ],
)
def test_two_ranges_meet(one, other, low, high, low_in, high_in):
    assert one.meet(other) == other.meet(one) == Interval(low, high, low_in, high_in)


def test_ranges_that_only_touch_meet_in_nothing_unless_both_hold_the_value():
    assert CLOSED.meet(Interval(low=2.0)).empty
    assert not CLOSED.meet(Interval(low=2.0, low_in=True)).empty
    assert OPEN.meet(Interval(low=2.0, low_in=True)).empty


def test_a_range_covers_what_lies_in_it():
    assert CLOSED.covers(OPEN)
    assert not OPEN.covers(CLOSED)
    assert Interval().covers(CLOSED)
    assert OPEN.covers(Interval(5.0, 4.0))


def test_what_lies_below_and_above_leaves_no_value_out_and_none_twice():
    values = np.array([0.0, 1.0, 1.5, 2.0, 3.0])
    for one in (CLOSED, OPEN):
        times = sum(part.holds(values).astype(int) for part in (one.below, one, one.above))
        assert times.tolist() == [1] * 5


def test_what_is_not_known_yet_does_not_hold():
    met = Condition((Box({"pao2": Interval(high=60.0)}),))
    assert met.holds({"pao2": np.array([50.0, 60.0, np.nan])}).tolist() == [True, False, False]
    assert ALWAYS.holds({"pao2": np.array([np.nan])}).tolist() == [True]
    assert Condition(()).holds({"pao2": np.array([50.0])}).tolist() == [False]


def test_a_share_lies_between_0_and_1_and_a_ph_may_exceed_it():
    assert possible("flow_ratio") == Interval(0.0, 1.0, True, True)
    assert possible("ph").high == math.inf
    assert possible("t_low").low > 0.0


def test_cells_partition_all_that_is_possible():
    boxes = [Box({"flow_ratio": CLOSED}), Box({"flow_ratio": Interval(0.25, 0.5, True, False)})]
    cells = Partition(boxes, ("flow_ratio",))
    values = np.array([0.0, 0.1, 0.25, 0.3, 0.5, 0.7, 1.0])
    times = sum(cell.holds(values).astype(int) for cell in cells.cells["flow_ratio"])
    assert times.tolist() == [1] * 7
    inside = cells.inside(Condition((boxes[1],)))
    (grown,) = cells.boxes(inside)
    assert grown == boxes[1]


def test_grown_boxes_are_together_the_cells_and_do_not_overlap():
    rng = np.random.default_rng(3)
    edges = [Box({"pao2": Interval(t, t, True, True)}) for t in (40.0, 60.0, 80.0)]
    edges += [Box({"paco2": Interval(t, t, True, True)}) for t in (40.0, 60.0)]
    cells = Partition(edges, ("pao2", "paco2"))
    for _ in range(50):
        wanted = rng.random(cells.shape) < 0.5
        times = sum(cells.inside(Condition((box,))).astype(int) for box in cells.boxes(wanted))
        np.testing.assert_array_equal(times, wanted.astype(int))


def test_too_many_cells_are_refused():
    names = ("pao2", "paco2", "ph", "flow_ratio")
    edges = [
        Box({name: Interval(t, t, True, True)}) for name in names for t in np.linspace(0.1, 0.9, 40)
    ]
    with pytest.raises(EbbmapError, match="Use fewer thresholds"):
        Partition(edges, names)


def test_an_unknown_quantity_has_no_unit():
    with pytest.raises(EbbmapError, match="must be a parameter or an outcome"):
        unit_of("pa02")
