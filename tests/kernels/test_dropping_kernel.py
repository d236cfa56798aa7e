"""What each limit decides, beside dropping and moving limits one by one."""

import numpy as np
import pytest

from ebbmap.kernels.dropping import drop_each, kept_probability, shift_each
from ebbmap.kernels.judging import UNSAFE, cautions_clear, judge
from ebbmap.registries.limits import Limit, LimitSet

NAMES = ("auto_peep", "driving_pressure", "mean_airway_pressure", "flow_ratio")


def margins_of(seed, k=4, n=400):
    rng = np.random.default_rng(seed)
    margins = rng.normal(0.3, 0.6, (k, n))
    margins[rng.random((k, n)) < 0.05] = np.nan
    margins[0, :5] = 0.0
    return margins, rng.random(n) < 0.9


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_dropping_is_what_counting_case_by_case_gives(seed):
    margins, clear = margins_of(seed)
    found = drop_each(margins, clear)
    k, n = margins.shape
    for case in range(n):
        own = margins[:, case]
        assert found.safe[case] == (all(own >= 0) and clear[case])
        for bound in range(k):
            others = np.delete(own, bound)
            assert found.without[bound, case] == (all(others >= 0) and clear[case])
            broken = own[bound] < 0
            assert found.broken[bound, case] == broken
            assert found.alone[bound, case] == (broken and not (others < 0).any())
            assert found.most[bound, case] == (broken and own[bound] == np.nanmin(own))
            assert found.gained[bound, case] == (
                found.without[bound, case] and not found.safe[case]
            )


def test_of_two_bounds_that_are_broken_alike_the_first_is_broken_most_as_in_the_judgement():
    limits = LimitSet(
        "two",
        "two",
        tuple(Limit(name, "invented", high=1.0) for name in ("auto_peep", "driving_pressure")),
    )
    judged = judge(limits, {"auto_peep": np.array([3.0]), "driving_pressure": np.array([3.0])})
    assert judged.verdict[0] == UNSAFE and judged.binding[0] == 0
    assert drop_each(judged.bound_margin, np.ones(1, bool)).most.tolist() == [[True], [False]]


@pytest.mark.parametrize("seed", [3, 4])
def test_moving_limits_is_what_judging_by_moved_limits_gives(seed):
    rng = np.random.default_rng(seed)
    values = {name: rng.normal(1.0, 0.4, 300) for name in NAMES}
    values["driving_pressure"][:20] = np.nan
    reach = np.array([0.3, 0.0, 0.1, 0.2])

    def safe(shifts):
        moved = tuple(
            Limit(name, "invented", high=1.2 - by, width=0.5)
            for name, by in zip(NAMES, shifts, strict=True)
        )
        return judge(LimitSet("moved", "moved", moved), values).safe

    margins = np.stack([(1.2 - values[name]) / 0.5 for name in NAMES])
    found = shift_each(margins, np.ones(300, bool), reach / 0.5)
    np.testing.assert_array_equal(found.all_tight, safe(reach))
    np.testing.assert_array_equal(found.all_loose, safe(-reach))
    for bound in range(4):
        only = np.where(np.arange(4) == bound, reach, 0.0)
        np.testing.assert_array_equal(found.tight[bound], safe(only))
        np.testing.assert_array_equal(found.loose[bound], safe(-only))
    # each limit anywhere in its range: 4,000 draws leave a standard error of 0.008 at most
    draws = np.stack([safe(reach * rng.uniform(-1, 1, 4)) for _ in range(4000)])
    np.testing.assert_allclose(found.averaged, draws.mean(axis=0), atol=5 * 0.008)


def test_a_range_is_even_and_a_limit_without_one_is_sharp():
    margins = np.array([[-0.3, -0.2, -0.1, 0.0, 0.05, 0.2, 0.7, np.nan]])
    ranged = kept_probability(margins, np.array([0.2]))
    np.testing.assert_allclose(ranged, [[0.0, 0.0, 0.25, 0.5, 0.625, 1.0, 1.0, 0.0]], atol=1e-15)
    sharp = kept_probability(margins, np.array([0.0]))
    assert sharp.tolist() == [[0, 0, 0, 1, 1, 1, 1, 0]]


def test_cautions_leave_a_case_as_undetermined_as_the_judgement_does():
    limits = LimitSet(
        "both",
        "both",
        (
            Limit("auto_peep", "invented", high=10.0),
            Limit("driving_pressure", "invented", low=7.2, severity="caution"),
            Limit("mean_airway_pressure", "invented", low=0.9, severity="caution"),
        ),
    )
    values = {
        "auto_peep": np.full(4, 5.0),
        "driving_pressure": np.array([7.3, np.nan, np.nan, 7.0]),
        "mean_airway_pressure": np.array([0.95, 0.95, 0.8, np.nan]),
    }
    judged, clear = judge(limits, values), cautions_clear(limits, values)
    assert clear.tolist() == [True, False, True, True]
    np.testing.assert_array_equal(drop_each(judged.bound_margin, clear).safe, judged.safe)
    hard_only = LimitSet("hard", "hard", limits.limits[:1])
    assert cautions_clear(hard_only, values).all()
