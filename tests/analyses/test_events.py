"""What goes wrong in cases of which not everything is known, and which side is to blame."""

import numpy as np
import pytest

from ebbmap.analyses.boxes import Boxes, find_boxes
from ebbmap.analyses.common.events import (
    NO_TREND,
    TOO_HIGH,
    TOO_LOW,
    UNSAFE,
    events_of,
    find_events,
)
from ebbmap.analyses.mapping import FactorMapping, find_mapping
from ebbmap.cases.design import draw_random_design
from ebbmap.cases.evaluate import evaluate
from ebbmap.cases.question import Question, draw_cases
from ebbmap.kernels.judging import Judgement, judge
from ebbmap.lungs.linear import LINEAR
from ebbmap.registries.limits import LIMIT_SETS, Limit, LimitSet, combine
from ebbmap.registries.populations import POPULATIONS

ENDS = (0.1, 4.0)
GRID = np.array([0.1, 0.2, 0.4, 0.8, 2.0])
FIXED = {"p_high": 24.0, "p_low": 0.0, "t_high": 5.0}
N = 400


def question(name, group="obstructive", **changes):
    return Question(
        **{
            "rules": {name: LIMIT_SETS[name]},
            "populations": (POPULATIONS[group],),
            "fixed": FIXED,
            "lungs": N,
            "lung": "linear",
        }
        | changes
    )


def solved(asked, t_low):
    """Judge every lung at a T low: cases, outcomes and the judgement."""
    lungs = draw_cases(asked, asked.populations[0], {})
    cases = {name: array.values for name, array in lungs.items()} | {"t_low": np.full(N, t_low)}
    (limits,) = asked.rules.values()
    outcomes = evaluate(LINEAR, cases, limits.outcomes).outcomes
    return cases, outcomes, judge(limits, outcomes)


def events(asked, t_low):
    cases, outcomes, judged = solved(asked, t_low)
    (found,) = find_events(asked, cases, outcomes, along="t_low", ends=ENDS).values()
    return found, judged, cases


def test_events_are_sorted_as_one_by_one():
    rng = np.random.default_rng(0)
    limits = LimitSet(
        "l",
        "l",
        (
            Limit("flow_ratio", "invented", 0.5, 0.75),
            Limit("auto_peep", "invented", high=10.0),
        ),
    )
    outcomes = {"flow_ratio": rng.uniform(0.3, 0.9, 300), "auto_peep": rng.uniform(5, 15, 300)}
    for array in outcomes.values():
        array[rng.random(300) < 0.2] = np.nan
    judged: Judgement = judge(limits, outcomes)
    side = rng.integers(-1, 2, (3, 300))
    found = events_of(judged, side)
    assert found.names[3:] == ("flow_ratio_low", "flow_ratio_high", "auto_peep_high")
    for case in range(300):
        margin = judged.bound_margin[:, case]
        broken, every = margin < 0, not np.isnan(margin).any()
        low, high = (bool((broken & (side[:, case] == s)).any()) for s in (1, -1))
        assert found.happens[case].tolist() == [broken.any(), low, high, *broken]
        assert found.known[case].tolist() == [
            broken.any() or every,
            low or every,
            high or every,
            *~np.isnan(margin),
        ]
    np.testing.assert_array_equal(found.happens[:, 0], judged.unsafe)
    np.testing.assert_array_equal(found.known[:, 0], judged.determined)


@pytest.mark.parametrize("analysis", ["mapping", "boxes"])
def test_the_worst_lungs_are_not_left_out_under_the_co2_limits(analysis):
    asked = question("co2")
    if analysis == "boxes":
        found = find_boxes(asked, Boxes(resamples=10), axes={"t_low": np.array([0.1, 2.0])})
        one = found.isel(population=0, rule=0).sel(event=UNSAFE)
        assert float(one["undetermined"]) == 0.0
        points = draw_random_design(("t_low",), N, seed=asked.seed)["unit"].values[:, 0]
        _, _, judged = solved(asked, 0.1 + (2.0 - 0.1) * points)
        assert judged.determined.all() and judged.unsteady.any()
        assert float(one["share"]) == judged.unsafe.mean()
        return
    found = find_mapping(
        asked, FactorMapping(along="t_low", resamples=50), axes={"t_low": GRID}
    ).isel(population=0, rule=0)
    for t_low in GRID:
        _, _, judged = solved(asked, t_low)
        at = found.sel(t_low=t_low)
        assert judged.determined.all()
        assert float(at["undetermined"].sel(event=UNSAFE)) == 0.0
        assert float(at["share"].sel(event=UNSAFE)) == judged.unsafe.mean()
        for bound, name in enumerate(limit.name for limit in judged.hard):
            known, broken = judged.bound_known[bound], judged.bound_broken[bound]
            assert float(at["undetermined"].sel(event=name)) == pytest.approx(1 - known.mean())
            assert int(at["cases"].sel(event=name)) == broken.sum()
    # most have no steady state at the shortest T low: no pH, but surely acid, and counted as that
    shortest = found.sel(t_low=0.1)
    assert float(shortest["undetermined"].sel(event="ph_low")) == 0.0
    assert float(shortest["share"].sel(event="ph_low")) > 0.5
    assert int(found["failed"]) == 0


def test_a_release_that_clears_nothing_is_too_short_although_no_margin_moves():
    found, judged, _ = events(question("co2"), 0.1)
    nothing = np.isnan(judged.bound_margin).any(axis=0)
    assert nothing.mean() > 0.5
    low = found.names.index(TOO_LOW)
    assert found.happens[nothing, low].all()
    assert found.known[nothing, low].all()


@pytest.mark.parametrize("group", ["normal", "obstructive"])
@pytest.mark.parametrize("t_low", [0.2, 0.5, 1.2, 3.0, 3.9])
def test_the_side_is_where_the_limit_is_nearer(group, t_low):
    """Each broken bound on a fine grid of its own lung: a margin that turns has two sides."""
    asked = question("co2", group, fixed=FIXED | {"t_high": 3.0, "co2_production": 120.0})
    found, judged, cases = events(asked, t_low)
    # a hundredth of T low: ten times the step, by which curvature changes a slope a little
    moved = {
        sign: judge(
            LIMIT_SETS["co2"],
            evaluate(
                LINEAR,
                cases | {"t_low": np.full(N, t_low * (1 + 0.01 * sign))},
                LIMIT_SETS["co2"].outcomes,
            ).outcomes,
        ).bound_margin
        for sign in (1, -1)
    }
    slope = (moved[1] - moved[-1]) / 0.02
    # near a turn the two steps may differ; nearer than this they must not
    clear = judged.bound_broken & (np.abs(slope) > 0.05)
    assert clear.any() or not judged.unsafe.any()
    np.testing.assert_array_equal(found.side.T[clear], np.sign(slope)[clear])
    assert (found.side.T[~judged.bound_broken] == 0).all()


def test_ph_has_a_side_in_every_lung_and_both_sides_of_its_peak():
    asked = question("co2", "normal", fixed=FIXED | {"t_high": 1.5, "co2_production": 120.0})
    high = [events(asked, t_low)[0] for t_low in (0.8, 3.9)]
    sides = [found.side[:, list(found.names[3:]).index("ph_high")] for found in high]
    broken = [found.happens[:, found.names.index("ph_high")] for found in high]
    assert all(one.sum() > 20 for one in broken)
    # short of the peak of ventilation a shorter release helps, beyond it a longer one
    assert (sides[0][broken[0]] < 0).mean() > 0.9
    assert (sides[1][broken[1]] > 0).mean() > 0.9


def test_a_limit_that_the_axis_does_not_move_blames_neither_side():
    asked = question("pressure", fixed=FIXED | {"p_high": 34.0, "t_high": 20.0})
    found, judged, cases = events(asked, 0.5)
    limit = list(found.names).index("end_high_pressure_high")
    assert found.happens[:, limit].all()
    moved = [
        evaluate(LINEAR, cases | {"t_low": np.full(N, end)}, ("end_high_pressure",)).outcomes
        for end in ENDS
    ]
    still = np.ptp([one["end_high_pressure"] for one in moved], axis=0) / 30.0 < NO_TREND
    assert still.any()
    assert (found.side[still, limit - 3] == 0).all()
    # a case that only such a limit breaks is unsafe, and on neither side
    only = still & (judged.bound_broken.sum(axis=0) == 1)
    assert found.happens[only, 0].all()
    assert not found.happens[np.ix_(only, [1, 2])].any()


def test_where_the_flow_stops_too_early_or_too_late_is_a_closed_form():
    asked = question("flow_ratio")
    for t_low in GRID:
        found, _, cases = events(asked, t_low)
        ratio = np.exp(-t_low * 1000.0 / (cases["compliance"] * cases["resistance_exp"]))
        for name, expected in ((TOO_LOW, ratio > 0.75), (TOO_HIGH, ratio < 0.5)):
            np.testing.assert_array_equal(found.happens[:, found.names.index(name)], expected)
        assert found.known.all()


def test_rules_are_told_apart():
    both = {
        "one": LIMIT_SETS["flow_ratio"],
        "two": combine("two", LIMIT_SETS["co2"], LIMIT_SETS["exhaled_fraction"]),
    }
    asked = question("co2", rules=both)
    cases, *_ = solved(question("co2"), 0.3)
    outcomes = evaluate(LINEAR, cases, asked.outcomes).outcomes
    found = find_events(asked, cases, outcomes, along="t_low", ends=ENDS)
    for rule, limits in both.items():
        alone = find_events(
            question("co2", rules={rule: limits}), cases, outcomes, along="t_low", ends=ENDS
        )[rule]
        for name in ("happens", "known", "side"):
            np.testing.assert_array_equal(getattr(found[rule], name), getattr(alone, name))


@pytest.mark.parametrize(
    ("at_low", "at_high", "side"),
    # broken and flat where the case lies: the end that is better says where to go
    [(5.0, 20.0, -1), (20.0, 5.0, 1), (5.0, 5.0, 0), (20.0, 20.0, 0), (np.nan, 5.0, 1)],
)
def test_where_a_margin_is_flat_its_better_end_tells_the_side(at_low, at_high, side):
    from ebbmap.analyses.common.events import _sides

    limits = LimitSet("l", "l", (Limit("auto_peep", "invented", high=10.0),))

    def solve(place, rows):
        place = np.asarray(place, float)
        inner = np.where(place >= ENDS[1], at_high, 20.0)
        return {"auto_peep": np.where(place <= ENDS[0], at_low, inner)}

    here = np.array([0.5, 1.5])
    judged = {"l": judge(limits, solve(here, np.arange(2)))}
    found = _sides(judged, {"l": limits}, solve, here, ENDS)["l"]
    assert found.tolist() == [[side, side]]
