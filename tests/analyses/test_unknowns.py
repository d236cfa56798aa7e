"""The ranking of unknown numbers, against a population whose shares have closed forms."""

import numpy as np
import pytest

from ebbmap import find_unknowns
from ebbmap.analyses.unknowns import CONCLUSIONS, Unknowns, leading
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError, StudyError
from ebbmap.files.study import parse_study
from ebbmap.plotting.pages.unknowns import pages
from ebbmap.tables.unknowns import tables
from support.known import ERRORS, HALF, RESISTANCE, TOTAL, share_at, stated

OPTIONS = Unknowns(t_low=0.35)
AXES = {"t_low": [0.2, 0.3, 0.4]}


def asked(**changes):
    usual = {
        "lung": "linear",
        "fixed": {"resistance_exp": RESISTANCE, "p_low": 0.0},
        "populations": (stated(),),
        "rules": {"half": HALF},
        "lungs": 500,
        "knowledge": 200,
    }
    return Question(**usual | changes)


@pytest.fixture(scope="module")
def ranked():
    return find_unknowns(asked(), OPTIONS, axes=AXES)


def test_numbers_are_ranked_by_their_exact_shares_of_the_variance(ranked):
    found = ranked.squeeze().sel(conclusion="safe_share")
    effect, error = found["effect"].to_series(), found["effect_error"].to_series()
    for name, own in ERRORS.items():
        exact = own**2 / TOTAL**2
        # the share bends a little with the centre; 200 draws know a variance to a tenth
        assert effect[name] == pytest.approx(exact, abs=0.1), name
        assert 0.0 <= error[name] < 0.1
    assert leading(found) == ["second series", "first series", "idle"]
    assert float(found["explained"]) == pytest.approx(effect.sum())
    assert 0.9 < float(found["explained"]) < 1.1
    # one standard error moves the share by its density there
    step = 1e-4
    density = (share_at(0.35, step) - share_at(0.35, -step)) / (2.0 * step)
    slope = found["slope"].to_series()
    assert slope["second series"] == pytest.approx(density * ERRORS["second series"], rel=0.15)


def test_what_is_concluded_has_both_intervals(ranked):
    found = ranked.squeeze()
    assert float(found["safe_share"]) == pytest.approx(share_at(0.35), abs=0.07)
    assert float(found["best_t_low"]) == 0.2
    for name in CONCLUSIONS:
        low, high = found[f"{name}_knowledge"].values
        assert low <= float(found[name]) <= high
        assert found[f"{name}_knowledge"].attrs["units"] == found[name].attrs["units"]
    assert found["grade"].values.tolist() == ["assumption"] * len(ERRORS)


def test_what_nothing_moves_has_no_ranking(ranked):
    # the shortest T low serves most lungs, whatever the centre
    found = ranked.squeeze().sel(conclusion="best_t_low")
    assert np.isnan(found["effect"]).all() and leading(found) == []


def test_the_table_and_the_picture_tell_the_ranking(ranked):
    concluded, measured = tables(ranked)
    assert concluded.columns[2].knowledge
    assert [row[3] for row in measured.rows[:3]] == leading(
        ranked.squeeze().sel(conclusion="safe_share")
    )
    assert measured.rows[3][3] == "all numbers, one by one"
    ((name, figure, text),) = pages(ranked)
    assert name == "measure_next_half" and "mostly for second series" in text
    bars = figure.axes[0].patches
    effect = ranked.squeeze().sel(conclusion="safe_share")["effect"].to_series()
    np.testing.assert_allclose([bar.get_width() for bar in bars], sorted(effect, reverse=True))
    assert figure.axes[0].get_yticklabels()[0].get_text() == "second series"


def test_too_few_draws_are_refused():
    with pytest.raises(EbbmapError, match=r"at least 23 outer draws to rank 3 numbers .*; got 0"):
        find_unknowns(asked(knowledge=0), OPTIONS, axes=AXES)
    with pytest.raises(StudyError, match="needs knowledge of populations"):
        parse_study('title = "t"\n[axes]\nt_low = [0.3, 0.4]\n[analyses.unknowns]\nt_low = 0.4')
