"""Any result is drawn on axes of one's own, by the name of its analysis."""

import numpy as np
import pytest
import xarray as xr
from matplotlib.figure import Figure

from ebbmap import plotting
from ebbmap.analyses.registry import ANALYSES
from ebbmap.analyses.sweep import Sweep, find_sweep
from ebbmap.analyses.window import find_window
from ebbmap.cases.question import Question
from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError
from ebbmap.plotting.sentences import translated
from ebbmap.plotting.slides import slides_of
from ebbmap.plotting.views import VIEWS, plot
from ebbmap.registries.limits import limit_set
from ebbmap.registries.populations import POPULATIONS
from plotting import every_page

RULES = {name: limit_set(name) for name in ("volume", "flow_ratio")}


@pytest.fixture(scope="module")
def windows():
    groups = tuple(POPULATIONS[name] for name in ("normal", "obstructive"))
    fixed = {"p_high": 22.0, "fio2": 0.6, "spontaneous_alveolar_ventilation": 2.0}
    return find_window(Question("linear", fixed, {}, groups, RULES, lungs=8))


def test_every_analysis_can_be_drawn():
    assert set(VIEWS) == set(ANALYSES)
    assert set(plotting.plots()) == set(ANALYSES)
    for kind in ANALYSES:
        assert getattr(plotting, f"plot_{kind}").__name__ == f"plot_{kind}"
    with pytest.raises(AttributeError, match="no attribute 'plot_nothing'"):
        plotting.plot_nothing  # noqa: B018


@pytest.mark.slow
@pytest.mark.parametrize("name", ["linear, one", "tube, three", "stepped, one", "paired, three"])
def test_every_result_is_drawn_on_the_axes_given(name):
    for kind, result in every_page.results(name):
        ax = Figure().add_subplot()
        assert plot(kind, result, ax=ax) is ax, kind
        assert ax.has_data() or ax.texts, kind
        # and as a slide, with its finding above
        _, slide, text = next(slides_of(kind, result, "de"))
        assert slide.texts[0].get_text()
        assert text.endswith(translated(CAUTION, "de"))


def test_the_first_rule_is_drawn_unless_another_is_named(windows):
    for rule in RULES:
        ax = plot("window", windows, rule=rule)
        heights = [line.get_ydata() for line in ax.lines]
        wanted = windows["served_share"].sel(rule=rule, population="normal").values
        assert any(
            h.shape == wanted.shape and np.allclose(h, wanted) for h in map(np.asarray, heights)
        )
    first = plotting.plot_window(windows)
    again = plot("window", windows, rule="volume")
    for one, other in zip(first.lines, again.lines, strict=True):
        np.testing.assert_array_equal(one.get_ydata(), other.get_ydata())


def test_a_sweep_shows_its_median_and_four_of_five_cases():
    groups = (POPULATIONS["normal"],)
    axes = {"t_low": np.array([0.3, 0.6])}
    fixed = {"p_high": 22.0, "spontaneous_alveolar_ventilation": 0.0}
    question = Question("linear", fixed, {}, groups, {}, lungs=30)
    found = find_sweep(question, Sweep(outcomes=["auto_peep"]), axes=axes)
    ax = plot("sweep", found)
    assert ax.get_ylabel() == "auto-PEEP [cmH₂O]"
    cases = found["auto_peep"].isel(population=0).transpose("t_low", "sample").values
    np.testing.assert_allclose(ax.lines[0].get_ydata(), np.median(cases, axis=1))
    (band,) = ax.collections
    heights = band.get_paths()[0].vertices[:, 1]
    assert heights.min() == pytest.approx(np.quantile(cases, 0.1, axis=1).min())
    assert heights.max() == pytest.approx(np.quantile(cases, 0.9, axis=1).max())


@pytest.mark.parametrize(
    ("kind", "choice", "text"),
    [
        ("windows", {}, "unknown analysis 'windows'; did you mean 'window'"),
        ("window", {"rule": "flow_rati"}, "unknown rule 'flow_rati'; did you mean 'flow_ratio'"),
        ("window", {"rules": "flow_ratio"}, "unknown choice for window 'rules'"),
    ],
)
def test_what_is_not_there_is_named(windows, kind, choice, text):
    with pytest.raises(EbbmapError, match=text):
        plot(kind, windows, **choice)


def test_an_entry_that_a_result_lacks_is_named():
    with pytest.raises(EbbmapError, match="this result has no population"):
        plot("map", xr.Dataset(), population="normal")
