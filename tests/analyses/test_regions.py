from dataclasses import replace

import numpy as np
import pytest

from ebbmap.analyses.map import Map, find_map
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError, TooLargeError
from ebbmap.kernels.judging import SAFE, UNSAFE, judge
from ebbmap.kernels.shares import wilson
from ebbmap.registries.limits import LIMIT_SETS, combine
from ebbmap.registries.populations import POPULATIONS

LUNGS = 40
AXES = {"t_low": np.linspace(0.2, 1.5, 6), "resistance_exp": np.array([8.0, 14.0, 30.0])}
SHARED = [LIMIT_SETS[name] for name in ("pressure", "volume", "auto_peep")]
RULES = {r: combine(r, *SHARED, LIMIT_SETS[r]) for r in ("flow_ratio", "exhaled_fraction")}


@pytest.fixture(scope="module")
def question():
    groups = (POPULATIONS["normal"], POPULATIONS["restrictive"])
    return Question(
        lung="linear", populations=groups, rules=RULES, fixed={"p_high": 24.0}, lungs=LUNGS, seed=0
    )


@pytest.fixture(scope="module")
def mapped(question):
    return find_map(question, Map(x="t_low", y="resistance_exp", level=0.9), axes=AXES)


def test_dimensions_and_labels(mapped):
    assert mapped["safe_share"].dims == ("population", "rule", "resistance_exp", "t_low")
    assert mapped["population"].values.tolist() == ["normal", "restrictive"]
    assert mapped["t_low"].attrs == {"units": "s", "long_name": "T low"}
    assert mapped["boundary"].attrs["units"] == "s"
    assert mapped["safe_share_interval"].attrs["ci_level"] == 0.9
    assert mapped.attrs["lungs"] == LUNGS
    assert mapped.attrs["averaged_over"] == ""


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("name", ["normal", "restrictive"])
def test_each_cell_is_what_judging_its_lungs_one_by_one_gives(question, mapped, name, rule):
    # as folded for this lung
    group = question.populations[question.group_names.index(name)]
    cases = draw_cases(question, group, AXES)
    solved = simulate(lung="linear", outcomes=question.outcomes, **cases)
    solved = solved.transpose("resistance_exp", "t_low", "sample")
    one = mapped.sel(population=name, rule=rule)
    flags = [bound.name for bound in RULES[rule].hard]
    for row, column in np.ndindex(3, 6):
        cell = solved.isel(resistance_exp=row, t_low=column)
        judged = judge(RULES[rule], {n: cell[n].values for n in RULES[rule].outcomes})
        found = one.isel(resistance_exp=row, t_low=column)
        safe = int((judged.verdict < UNSAFE).sum())
        assert float(found["safe_share"]) == safe / LUNGS
        assert float(found["caution_share"]) == (judged.verdict == SAFE + 1).sum() / LUNGS
        assert float(found["undetermined_share"]) == 0
        interval = found["safe_share_interval"].sel(ci_bound=["lower", "upper"])
        np.testing.assert_allclose(interval, wilson(safe, LUNGS, 0.9))
        worst = [flags[k] for k in judged.binding[judged.verdict == UNSAFE]]
        for flag in flags:
            assert float(found["broken_share"].sel(bound=flag)) == worst.count(flag) / LUNGS
        commonest = max(flags, key=worst.count) if worst else "none"
        assert found["commonest_bound"].item() == commonest


def test_the_bound_of_the_other_rule_is_no_part_of_a_map(mapped):
    other = mapped.sel(rule="flow_ratio", bound="exhaled_fraction_low")
    assert other["broken_share"].isnull().all()


def test_the_boundary_is_where_half_of_the_lungs_are_served():
    axes = {"t_low": np.linspace(0.05, 1.5, 400), "resistance_exp": np.array([10.0, 20.0])}
    one_rule = {"flow_ratio": LIMIT_SETS["flow_ratio"]}
    middle = {"compliance": 50.0}
    found = find_map(
        Question(lung="linear", rules=one_rule, fixed=middle),
        Map(x="t_low", y="resistance_exp"),
        axes=axes,
    ).squeeze()
    tau = axes["resistance_exp"] * 0.05
    step = axes["t_low"][1] - axes["t_low"][0]
    for side, share in (("lower", 0.75), ("upper", 0.5)):
        edge = found["boundary"].sel(ci_bound=side)
        # a single lung is served or not: the edge is known to one step of the grid
        np.testing.assert_allclose(edge, -tau * np.log(share), atol=step)


def test_where_half_are_never_served_there_is_no_boundary(mapped):
    reached = (mapped["safe_share"] >= 0.5).any("t_low")
    edges = mapped["boundary"].notnull().all("ci_bound")
    np.testing.assert_array_equal(edges, reached.transpose(*edges.dims))


def test_impossible_settings_are_undetermined_neither_safe_nor_unsafe():
    axes = {"p_high": np.array([8.0, 24.0]), "t_low": np.array([0.3, 0.5])}
    question = Question(lung="linear", rules=RULES, fixed={"p_low": 10.0})
    found = find_map(question, Map(x="t_low", y="p_high"), axes=axes).isel(population=0, rule=0)
    assert found["undetermined_share"].values.tolist() == [[1, 1], [0, 0]]
    assert (found["safe_share"][0] == 0).all()
    assert (found["broken_share"].sum("bound")[0] == 0).all()
    total = found["safe_share"] + found["broken_share"].sum("bound") + found["undetermined_share"]
    assert (total == 1).all()
    assert found["commonest_bound"].sel(p_high=8.0).values.tolist() == ["none", "none"]


def test_other_axes_are_averaged_over(question):
    more = {**AXES, "p_low": np.array([0.0, 5.0])}
    found = find_map(
        question, Map(x="t_low", y="resistance_exp", average_over=["p_low"]), axes=more
    )
    assert found.attrs["averaged_over"] == "P low 0 to 5 cmH₂O (2 values)"
    parts = [
        find_map(
            replace(question, fixed={"p_high": 24.0, "p_low": p_low}),
            Map(x="t_low", y="resistance_exp"),
            axes=AXES,
        )["safe_share"]
        for p_low in more["p_low"]
    ]
    np.testing.assert_allclose(found["safe_share"], (parts[0] + parts[1]) / 2)


def test_progress_counts_every_case(question):
    done = []
    find_map(question, Map(x="t_low", y="resistance_exp"), axes=AXES, progress=done.append)
    assert sum(done) == 2 * 6 * 3 * LUNGS


def test_a_map_too_large_is_refused_before_any_work(question):
    axes = {name: np.linspace(10, 60, 10_000) for name in ("p_high", "resistance_exp", "t_high")}
    wide = replace(question, fixed={}, lungs=2)
    with pytest.raises(TooLargeError, match="the map of t_high against p_high must fit in memory"):
        find_map(wide, Map(x="p_high", y="t_high", average_over=["resistance_exp"]), axes=axes)


def test_a_caption_says_what_is_assumed_and_what_is_held():
    groups = tuple(POPULATIONS[name] for name in ("normal", "restrictive"))
    assert Question(lung="linear", populations=groups).unconfirmed_text == "; ".join(
        f"{sum(m.confirmed in ('assumption', 'memory, uncertain') for m in g.marginals.values())} "
        f"of {len(g.marginals)} properties ({g.name})"
        for g in groups
    )
    assert (
        Question(lung="linear", fixed={"t_low": 0.5, "sex": 1.0}).fixed_text
        == "T low 0.5 s, sex male"
    )


def test_an_axis_that_is_not_laid_out_is_refused(question):
    more = {**AXES, "p_low": np.array([0.0, 5.0])}
    with pytest.raises(EbbmapError, match="axes: p_low is not laid out here"):
        find_map(question, Map(x="t_low", y="resistance_exp"), axes=more)
