"""Collapse and reopening over one cycle, against the settled cycle and what pressure allows."""

import numpy as np
import pytest

from ebbmap.analyses.collapse import Collapse, find_collapse
from ebbmap.cases.question import Question
from ebbmap.cases.simulate import simulate
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.study import parse_study
from ebbmap.lungs.stepped.recruitment import held_open
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.results import summary

LUNG = {
    "p_high": 24.0,
    "p_low": 0.0,
    "t_high": 4.0,
    "recruitable_share": 0.3,
    "compliance": 36.0,
    "resistance_insp": 12.0,
    "resistance_exp": 14.0,
    "chest_wall_share": 0.3,
}
GRID = np.array([0.1, 0.3, 0.5, 0.7, 1.0, 1.5])


@pytest.fixture(scope="module")
def told():
    return find_collapse(
        Question("stepped", fixed=LUNG), Collapse(t_low=(0.3, 1.2)), axes={"t_low": GRID}
    )


def test_the_cycle_that_is_drawn_is_the_settled_one(told):
    for t_low in told["release"].values:
        one = told.sel(release=t_low, t_low=t_low).isel(population=0)
        end = one["time"].values.tolist().index(pytest.approx(t_low, abs=1e-9))
        start = np.flatnonzero(one["time"].values >= 0.0)[0]
        # the stated error of the model, relative to P high and to the whole lung
        assert float(one["alveolar_pressure"][end]) == pytest.approx(
            float(one["end_release_pressure"]), abs=24.0 * 1e-6
        )
        for place, name in (
            (start, "open_fraction_end_high"),
            (end, "open_fraction_end_release"),
            (-1, "open_fraction_end_high"),
        ):
            # the last time lies a billionth of T high before its end
            assert float(one["open_fraction"][place]) == pytest.approx(float(one[name]), abs=2e-6)


def test_time_and_pressures_are_in_order(told):
    assert (np.diff(told["time"]) >= 0.0).all()
    for t_low in told["release"].values:
        one = told.sel(release=t_low).isel(population=0)
        inside = (one["time"].values > 1e-9) & (one["time"].values < t_low - 1e-9)
        np.testing.assert_array_equal(one["airway_pressure"][inside], LUNG["p_low"])
        assert (np.diff(one["alveolar_pressure"][inside]) < 0.0).all()
        outside = one["time"].values > t_low + 1e-9
        np.testing.assert_array_equal(one["airway_pressure"][outside], LUNG["p_high"])


def test_what_reopens_is_what_closes_and_a_little_that_closes_later(told):
    for t_low in told["release"].values:
        one = told.sel(release=t_low, t_low=t_low).isel(population=0)
        later = float(one["reopened"] - one["closed_per_release"])
        # what closes after the release has less time than the pressure takes to rise again
        assert -1e-6 <= later < 0.01


def test_time_keeps_open_what_the_pressure_would_close(told):
    assert (told["closed_by_pressure"] >= told["closed_per_release"] - 1e-9).all()
    one = told.sel(release=1.2, t_low=1.2).isel(population=0)
    openness = 1.0 - (1.0 - float(one["open_fraction_end_high"])) / 0.3
    held = float(held_open(float(one["end_release_pressure"]), 5.0, 3.0))
    assert held < openness
    assert float(one["closed_by_pressure"]) == pytest.approx(0.3 * (openness - held), rel=1e-12)
    alone = one["pressure_alone"].values
    at_end = alone[np.isfinite(alone)][-1]
    # read from the drawn pressure, which has the model's error
    assert at_end == pytest.approx(
        float(one["open_fraction_end_high"] - one["closed_by_pressure"]), abs=2e-6
    )


def test_a_lung_that_closes_at_once_closes_by_the_count_of_the_pressure():
    quick = find_collapse(
        Question("stepped", fixed={**LUNG, "closing_time_constant": 0.01}),
        Collapse(t_low=(1.2,)),
        axes={"t_low": np.array([0.7, 1.2])},
    ).isel(population=0)
    # 0.01 s behind a pressure that falls by 6 cmH2O / 0.5 s where at most 0.4 / 3 of the
    # recruitable share closes per cmH2O
    lag = 0.01 * 12.0 * 0.4 / 3.0
    np.testing.assert_allclose(
        quick["closed_per_release"], quick["closed_by_pressure"], atol=0.3 * lag
    )
    assert (quick["closed_per_release"] > 0.05).any()


@pytest.mark.parametrize("rule", ["flow_ratio", "exhaled_fraction"])
def test_at_the_ends_of_a_rule_its_bounds_are_met(told, rule):
    one = told.sel(rule=rule).isel(population=0)
    ends = one["rule_t_low"].values
    solved = simulate("stepped", outcomes=(rule, "closed_per_release"), t_low=ends, **LUNG)
    bounds = sorted((b.value for b in LIMIT_SETS[rule].hard), reverse=rule == "flow_ratio")
    # a cubic between points 0.2 s apart of an exponential with a constant of 0.5 s
    np.testing.assert_allclose(solved[rule], bounds, atol=0.01)
    np.testing.assert_allclose(one["rule_closed"], solved["closed_per_release"], atol=0.005)


def test_a_rule_that_is_kept_nowhere_on_the_grid_has_no_ends():
    told = find_collapse(
        Question("stepped", fixed=LUNG),
        Collapse(t_low=(2.0,)),
        axes={"t_low": np.array([2.0, 2.5])},
    )
    assert np.isnan(told["rule_t_low"]).all() and np.isnan(told["rule_closed"]).all()


def test_a_rule_kept_at_the_edge_of_the_grid_ends_there():
    told = find_collapse(
        Question("stepped", fixed=LUNG),
        Collapse(t_low=(0.2,)),
        axes={"t_low": np.array([0.2, 0.7])},
    )
    ends = told["rule_t_low"].sel(rule="flow_ratio").values.ravel()
    assert ends[0] == 0.2 and 0.2 < ends[1] < 0.7


def test_a_release_on_the_grid_is_solved_once():
    told = find_collapse(
        Question("stepped", fixed=LUNG),
        Collapse(t_low=(0.6,)),
        axes={"t_low": np.array([0.3, 0.6 + 1e-16])},
    )
    assert told["t_low"].values.tolist() == [0.3, 0.6]


def test_lungs_keep_their_own_properties():
    groups = (POPULATIONS["restrictive"], POPULATIONS["obstructive"])
    question = Question("stepped", fixed={"recruitable_share": 0.2}, populations=groups)
    told = find_collapse(question, Collapse(t_low=(0.5,)), axes={"t_low": np.array([0.5])})
    # as folded for this lung
    for group in question.populations:
        one = told.sel(population=group.name)
        assert float(one["closing_pressure"]) == group.median["closing_pressure"]
        alone = simulate(
            "stepped",
            outcomes=("end_release_pressure",),
            recruitable_share=0.2,
            t_low=0.5,
            **group.median,
        )
        # the same case alone and among others
        assert float(one["end_release_pressure"].item()) == pytest.approx(
            float(alone["end_release_pressure"]), rel=1e-9
        )


@pytest.mark.parametrize(
    ("lung", "fixed", "said"),
    [
        ("linear", {}, "no unit can close"),
        ("stepped", {}, "recruitable_share must be above 0"),
        ("stepped", {"recruitable_share": 0.3, "effort_pressure": 5.0}, "effort_pressure must be"),
    ],
)
def test_a_lung_that_cannot_close_is_refused(lung, fixed, said):
    with pytest.raises(EbbmapError, match=said):
        find_collapse(Question(lung, fixed=fixed), axes={"t_low": GRID})


HEAD = 'title = "t"\nlung = "{lung}"\n[fixed]\n{fixed}\n{axes}\n[analyses.collapse]\n{asked}\n'
GOOD = {
    "lung": "stepped",
    "fixed": "recruitable_share = 0.3",
    "axes": "[axes]\nt_low = [0.4, 1.0]",
    "asked": "t_low = [0.7]",
}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"axes": ""}, "analyses.collapse: t_low has no axis"),
        ({"lung": "linear", "fixed": ""}, "the lung 'linear' no unit can close"),
        ({"fixed": ""}, "nothing can close. Set fixed.recruitable_share"),
        ({"fixed": "recruitable_share = 0.3\neffort_pressure = 4.0"}, "with effort no cycle"),
        ({"asked": "t_low = [0.9, 0.4]"}, "analyses.collapse.t_low: must have increasing"),
        ({"asked": "t_low = []"}, "analyses.collapse.t_low"),
    ],
    ids=str,
)
def test_a_study_that_cannot_be_run_is_told(change, said):
    with pytest.raises(StudyError, match=said):
        parse_study(HEAD.format(**{**GOOD, **change}))


def test_a_study_is_run_and_summed_up():
    from ebbmap.runs.sources import plan_tasks

    (task,) = plan_tasks(parse_study(HEAD.format(**GOOD)))
    result = task.run(lambda done: None)
    table, _ = summary("collapse", result)
    assert table.column("T low")[0] == 0.7
    closed = float(result["closed_per_release"].sel(t_low=0.7).item())
    assert table.column("closes")[0] == closed
    assert len(table.rows) == 3
