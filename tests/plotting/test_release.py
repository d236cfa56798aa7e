"""One release as a single curve: its places are those of the numbers."""

import numpy as np
import pytest

from ebbmap.analyses.compare import find_compare
from ebbmap.analyses.profile import Profile, find_profile
from ebbmap.cases.question import Question
from ebbmap.plotting.pages import pages_of
from ebbmap.plotting.profile import plot_profile
from ebbmap.plotting.release import plot_release

FIXED = {"p_high": 24.0, "t_low": 0.5, "spontaneous_alveolar_ventilation": 2.0}


@pytest.fixture(scope="module")
def compared():
    return find_compare(Question("linear", FIXED))


def test_everything_on_the_curve_is_named_where_it_is(compared):
    ax = plot_release(compared.isel(case=0))
    texts = [text.get_text() for text in ax.texts]
    # C 50, R 14: time constant 0.7 s; 0.7 ln 2 and 0.7 ln(4/3), on a grid of a few milliseconds
    places = [float(line.get_xdata()[0]) for line in ax.lines if len(line.get_xdata()) == 1]
    assert places == pytest.approx([0.7 * np.log(4 / 3), 0.7 * np.log(2), 0.5], abs=0.01)
    stays = float(compared["trapped_volume"][0]) / 1000.0
    assert f"this gas stays: {stays:.2f} L" in texts
    assert any(text.startswith("T low ends the release: 49 % of the peak") for text in texts)
    # the area beyond is what stays: the whole of an exponential, cut at three T low
    (area,) = ax.collections
    x, y = area.get_paths()[0].vertices.T
    places = np.unique(x)
    upper = np.array([y[x == place].max() for place in places])
    cut = 1.0 - np.exp(-2 * 0.5 / 0.7)
    assert np.trapezoid(upper, places) == pytest.approx(stays * cut, rel=0.03)


def test_a_single_lung_gets_this_page_too(compared):
    assert [name for name, *_ in pages_of("compare", compared)] == ["side_by_side", "release_named"]


def test_limits_on_harm_are_drawn_where_they_lie_within():
    asked = Profile(along="p_high", outcomes=["end_high_pressure", "release_volume_per_kg"])
    axes = {"p_high": np.array([20.0, 34.0])}
    found = find_profile(Question("linear"), asked, axes=axes)
    ax = plot_profile(found, outcome="end_high_pressure", along="p_high")
    limits = [line for line in ax.lines if line.get_gid() == "limit"]
    assert [line.get_ydata()[0] for line in limits] == [30.0]
    assert [text.get_text() for text in ax.texts] == ["at most 30"]
