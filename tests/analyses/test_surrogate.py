"""A surrogate beside the lung that it stands in for."""

import numpy as np
import pytest

from ebbmap.analyses.common import surrogate
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.cases.question import Question
from ebbmap.errors import EbbmapError
from ebbmap.plotting.pages.sobol import pages
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS
from ebbmap.tables.sobol import tables

ASKED = Question(
    lung="linear",
    fixed={"p_high": 24.0, "p_low": 0.0, "t_high": 5.0},
    populations=(POPULATIONS["obstructive"],),
    rules={"auto_peep": LIMIT_SETS["auto_peep"]},
)
HOW = {
    "at": [0.8],
    "outcomes": ["release_volume_per_kg", "auto_peep"],
    "resamples": 100,
    "pawn": False,
    "second_order": False,
    "surrogate_runs": 512,
}


@pytest.fixture(scope="module")
def both():
    lung = find_sobol(ASKED, Sobol(base_size=4096, **HOW))
    stand_in = find_sobol(ASKED, Sobol(base_size=4096, surrogate=True, **HOW))
    return lung, stand_in


@pytest.mark.parametrize("name", ["first", "total"])
def test_indices_are_those_of_the_lung_and_intervals_hold_them(both, name):
    lung, stand_in = both
    smooth = {"outcome": ["release_volume_per_kg", "auto_peep"]}
    gap = np.abs(stand_in[name] - lung[name]).sel(smooth)
    # 24,576 cases of the lung against 384: both draws stray by 0.01
    assert float(gap.max()) < 0.03
    interval = stand_in[f"{name}_interval"]
    inside = (interval.sel(ci_bound="lower") <= lung[name]) & (
        lung[name] <= interval.sel(ci_bound="upper")
    )
    # an index that too few rows carry has no interval
    assert bool((inside | interval.isnull().any("ci_bound")).all())
    assert bool(inside.sel(smooth).all())


def test_margins_and_verdicts_are_judged_and_their_error_widens_the_interval(both):
    _, stand_in = both
    width = stand_in["total_interval"].diff("ci_bound").squeeze().max("parameter")
    q2 = stand_in["surrogate_q2"].squeeze()
    assert float(q2.sel(outcome="auto_peep")) > 0.99
    # the verdict jumps: what is foretold wrongly shows in its interval
    assert float(width.sel(outcome="safe_auto_peep")) > float(width.sel(outcome="auto_peep"))


def test_tables_and_pages_say_so(both):
    _, stand_in = both
    assert any("stands in" in note for table in tables(stand_in) for note in table.notes)
    figures = [figure for _, figure, _ in pages(stand_in)]
    texts = [text.get_text().replace("\n", " ") for text in figures[0].texts]
    assert any("stand in for the lung" in text for text in texts)


def test_what_fresh_cases_do_not_bear_out_is_refused_with_the_numbers(monkeypatch):
    monkeypatch.setattr(surrogate, "LEAST_Q2", 0.9999)
    few = HOW | {"outcomes": ["release_volume_per_kg"]}
    with pytest.raises(EbbmapError, match=r"Q2 must be at least 0.9999 .*; got .* on fresh ones"):
        find_sobol(ASKED, Sobol(base_size=64, surrogate=True, **few))


def test_two_runs_give_the_same():
    how = HOW | {"outcomes": ["auto_peep"]}
    one, other = (find_sobol(ASKED, Sobol(base_size=64, surrogate=True, **how)) for _ in range(2))
    np.testing.assert_array_equal(one["total"], other["total"])
