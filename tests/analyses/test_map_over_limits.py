"""A map averaged over the limits' uncertainty, beside maps under limits drawn one by one."""

import numpy as np
import pytest

from ebbmap.analyses.map import Map, find_map
from ebbmap.cases.question import Question, draw_cases
from ebbmap.cases.simulate import simulate
from ebbmap.plotting.map import plot_map
from ebbmap.registries.limits import Limit, LimitSet
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.map import tables

AXES = {"t_low": np.array([0.3, 0.5, 0.9]), "p_high": np.array([18.0, 22.0, 26.0])}


def asked(peep, volume):
    limits = LimitSet(
        "two",
        "two",
        (
            Limit("auto_peep", "invented", high=peep, width=10.0, uncertainty=2.0),
            Limit("release_volume_per_kg", "invented", high=volume, width=8.0),
            Limit("driving_pressure", "invented", high=15.0, severity="caution"),
        ),
    )
    fixed = {"p_low": 0.0, "t_high": 4.0}
    groups = (POPULATIONS["normal"],)
    return Question(
        lung="linear", fixed=fixed, populations=groups, rules={"two": limits}, lungs=40, seed=1
    )


@pytest.fixture(scope="module")
def averaged():
    options = Map(x="t_low", y="p_high", over_limits=0.25)
    return find_map(asked(9.0, 8.0), options, axes=AXES).isel(population=0, rule=0)


def test_the_average_is_that_of_judging_under_drawn_limits(averaged):
    question = asked(9.0, 8.0)
    values = draw_cases(question, question.groups()[0], AXES)
    solved = simulate("linear", outcomes=question.outcomes, **values)
    solved = solved.transpose("p_high", "t_low", "sample")
    peep, volume = (solved[n].values[..., None] for n in ("auto_peep", "release_volume_per_kg"))
    # auto-PEEP 9 -/+ 2 as stated, volume 8 -/+ a quarter of its width of 8
    rng = np.random.default_rng(2)
    kept = (peep <= rng.uniform(7, 11, 4000)) & (volume <= rng.uniform(6, 10, 4000))
    # 4,000 limits, shared by all lungs: the standard error is 0.008 at most
    np.testing.assert_allclose(averaged["averaged_share"], kept.mean(axis=(2, 3)), atol=0.04)
    assert np.abs(averaged["averaged_share"] - averaged["safe_share"]).max() > 0.02


def test_nothing_else_changes_and_nothing_is_averaged_unless_asked(averaged):
    plain = find_map(asked(9.0, 8.0), Map(x="t_low", y="p_high"), axes=AXES)
    assert "averaged_share" not in plain
    np.testing.assert_array_equal(
        plain["safe_share"].isel(population=0, rule=0), averaged["safe_share"]
    )
    sharp = Question(**vars(asked(9.0, 8.0)))
    (limits,) = sharp.rules.values()
    known = tuple(Limit(**{**vars(one), "uncertainty": 0.0}) for one in limits.limits)
    sharp = Question(**vars(sharp) | {"rules": {"two": LimitSet("two", "two", known)}})
    found = find_map(sharp, Map(x="t_low", y="p_high", over_limits=0.0), axes=AXES)
    np.testing.assert_array_equal(found["averaged_share"], found["safe_share"])


def test_table_and_picture_show_it(averaged):
    whole = averaged.expand_dims(population=["normal"], rule=["two"])
    (made,) = tables(whole.transpose("population", "rule", "bound", "ci_bound", ...))
    share = made.column("there, averaged over the limits' uncertainty")[0]
    row, column = np.unravel_index(int(averaged["safe_share"].values.argmax()), (3, 3))
    assert share == float(averaged["averaged_share"].values[row, column])
    crossing = averaged.assign(averaged_share=averaged["safe_share"] * 0 + [0.1, 0.4, 0.9])
    ax = plot_map(crossing, x="t_low", y="p_high")
    plain = plot_map(averaged.drop_vars("averaged_share"), x="t_low", y="p_high")
    assert len(ax.collections) == len(plain.collections) + 1
