"""Two intervals of every share, against closed forms; each outer draw a piece of its own."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from ebbmap import find_foretell, find_map, find_together, find_window
from ebbmap.analyses.common.knowledge import NOT_ASKED, numbers_with_intervals
from ebbmap.analyses.foretell import Foretell
from ebbmap.analyses.map import Map
from ebbmap.analyses.registry import ANALYSES
from ebbmap.analyses.window import Window
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.study import parse_study
from ebbmap.registries.fitted import fitted
from ebbmap.runs.costs import study_costs
from ebbmap.runs.run import run_study
from support.known import HALF, RESISTANCE, TOTAL, share_at, stated

T_LOW = np.array([0.3, 0.35, 0.4])
OPTIONS = Map(x="t_low", y="p_high")
AXES = {"t_low": T_LOW, "p_high": [25.0]}


def asked(**changes):
    usual = {
        "lung": "linear",
        "fixed": {"resistance_exp": RESISTANCE, "p_low": 0.0},
        "populations": (stated(),),
        "rules": {"half": HALF},
        "lungs": 400,
        "knowledge": 100,
    }
    return Question(**usual | changes)


@pytest.fixture(scope="module")
def mapped():
    return find_map(asked(), OPTIONS, axes=AXES).squeeze()


def exact_interval(t_low):
    return share_at(t_low, TOTAL * ndtri(np.array([0.025, 0.975]))[:, None])


def test_the_interval_of_knowledge_is_that_of_the_closed_form(mapped):
    found = mapped["safe_share_knowledge"].transpose("ci_bound", "t_low").values
    # 400 lungs know a share to 0.025, 100 draws an end of the interval to 0.04
    np.testing.assert_allclose(found, exact_interval(T_LOW), atol=0.12)
    lungs = mapped["safe_share_interval"].transpose("ci_bound", "t_low").values
    share = share_at(T_LOW)
    width = 2 * 1.96 * np.sqrt(share * (1 - share) / 400)
    np.testing.assert_allclose(lungs[1] - lungs[0], width, rtol=0.2)


def test_more_lungs_narrow_the_interval_of_lungs_only(mapped):
    many = find_map(asked(lungs=1600), OPTIONS, axes=AXES).squeeze()
    for name, ratio in (("safe_share_interval", 0.5), ("safe_share_knowledge", 1.0)):
        few, more = (
            one[name].transpose("ci_bound", "t_low").diff("ci_bound").values
            for one in (mapped, many)
        )
        assert (more / few).mean() == pytest.approx(ratio, rel=0.15)


def test_knowledge_is_told_apart_and_described(mapped):
    attrs = mapped["safe_share_knowledge"].attrs
    assert attrs["long_name"].startswith(
        "interval over what is not known of the populations: share"
    )
    assert (attrs["units"], attrs["ci_level"], attrs["outer_draws"]) == ("1", 0.95, 100)
    assert "100 outer draws" in mapped.attrs["knowledge"]
    without = find_map(asked(knowledge=0), OPTIONS, axes=AXES)
    assert without.attrs["knowledge"] == NOT_ASKED
    assert "safe_share_knowledge" not in without
    np.testing.assert_array_equal(without["safe_share"].values.ravel(), mapped["safe_share"])


def test_windows_and_limits_held_together_have_both_intervals():
    few = asked(knowledge=40, lungs=100)
    window = find_window(few).squeeze()
    served = window["served_share_knowledge"].sel(t_low=0.35, method="nearest")
    at = float(served["t_low"])
    np.testing.assert_allclose(
        np.sort(served.values), exact_interval(np.array([at]))[:, 0], atol=0.17
    )
    # the shorter, the more lungs are served: the least that is looked at serves all
    assert float(window["best_t_low"]) == pytest.approx(0.1)
    low, high = window["best_t_low_knowledge"].values
    assert low <= float(window["best_t_low"]) <= high
    together = find_together(few, axes={"t_low": [0.35]}).squeeze()
    np.testing.assert_allclose(
        together["held_share_knowledge"], exact_interval(np.array([0.35]))[:, 0], atol=0.17
    )


def test_every_number_of_foretell_has_both_intervals():
    few = asked(knowledge=40, lungs=20)
    ways = {"flow_ratio": [0.5, 0.75], "t_low": [0.3, 0.6]}
    options = Foretell(ways=ways, own_breathing=[0.0], resamples=50)
    found = find_foretell(few, options, axes={"t_low": [0.2, 0.35, 0.6]})
    names = numbers_with_intervals(found.data_vars)
    assert "best_youden" in names
    for name in names:
        drawn = found[f"{name}_knowledge"]
        assert set(drawn.dims) == {"ci_bound", *found[name].dims}, name
        low, high = drawn.sel(ci_bound="lower"), drawn.sel(ci_bound="upper")
        assert bool(((low <= high) | np.isnan(low)).all()), name


def test_middle_lungs_along_an_axis_have_no_such_interval():
    found = find_window(asked(), Window(along="p_high"), axes={"p_high": [20.0, 30.0]})
    assert not [name for name in found if str(name).endswith("_knowledge")]


STUDY = """
title = "What is not known"
lung = "linear"
lungs = 40
knowledge = 40
populations = ["restrictive"]
[fixed]
p_low = 0.0
t_high = 5.0
[axes]
t_low = [0.3, 0.5]
p_high = [20.0, 25.0]
[limits]
rules = ["flow_ratio"]
[[analyses.map]]
x = "t_low"
y = "p_high"
"""


def done(study, folder):
    for _ in run_study(study, folder, progress=lambda task: lambda cases: None):
        pass
    return (folder / "map_t_low_p_high.nc").read_bytes()


def test_an_interrupted_run_ends_with_the_same_bytes(tmp_path):
    study = parse_study(STUDY)
    whole = done(study, tmp_path / "whole")
    kept = sorted((tmp_path / "whole" / "pieces").glob("*.knowledge.*"))
    assert len(kept) == 40
    for path in kept[7:30]:
        path.unlink()
    assert done(study, tmp_path / "whole") == whole
    assert done(parse_study(STUDY), tmp_path / "again") == whole


def test_a_dry_run_counts_every_draw(tmp_path):
    (cost,) = study_costs(parse_study(STUDY), tmp_path, 1)
    (plain,) = study_costs(parse_study(STUDY.replace("knowledge = 40", "")), tmp_path, 1)
    assert (cost.cases, plain.cases) == (41 * 160, 160)


def test_too_few_draws_or_no_analysis_for_them_is_refused():
    with pytest.raises(
        EbbmapError, match="at least 39 outer draws for an interval of 95 %; got 10"
    ):
        find_map(asked(knowledge=10), OPTIONS, axes=AXES)
    lone = STUDY.partition("[[analyses")[0].replace("p_high = [20.0, 25.0]\n", "")
    lone += '[analyses.given]\noutcomes = ["auto_peep"]'
    with pytest.raises(StudyError, match="knowledge: no analysis here takes it"):
        parse_study(lone)
    knowing = {name for name, entry in ANALYSES.items() if entry.knows}
    assert {"map", "window", "together", "foretell"} <= knowing


def test_knowledge_is_of_the_order_of_a_resistance_that_is_a_fifth_off():
    question = Question(
        lung="linear",
        fixed={"p_high": 25.0, "p_low": 0.0, "t_high": 5.0},
        populations=(fitted("restrictive").population(),),
        rules={"half": HALF},
        lungs=1000,
        knowledge=100,
    )
    found = find_together(question, axes={"t_low": [0.4]}).squeeze()
    low, high = found["held_share_knowledge"].values
    ends = []
    for factor in (0.8, 1.25):
        group = question.populations[0]
        resistance = group.marginals["resistance_exp"]
        moved = {**group.marginals, "resistance_exp": scaled(resistance, factor)}
        other = type(group)(group.name, group.long_name, "", moved, group.correlations)
        share = find_together(asked_of(question, other), axes={"t_low": [0.4]})["held_share"]
        ends.append(float(share.squeeze()))
    assert low < float(found["held_share"]) < high
    # of that order: neither hides in the other
    assert 0.4 < (high - low) / (ends[1] - ends[0]) < 2.5


def scaled(marginal, factor):
    return replace(marginal, centre=factor * marginal.centre)


def asked_of(question, group):
    return replace(question, populations=(group,), knowledge=0)
