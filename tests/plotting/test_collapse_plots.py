"""Drawn collapse equals computed collapse, read back from the Axes."""

import numpy as np
import pytest

from ebbmap.analyses.collapse import Collapse, find_collapse
from ebbmap.cases.question import Question
from ebbmap.plotting.collapse import (
    mark_changes,
    plot_collapse_closing,
    plot_collapse_left_open,
    plot_collapse_open,
    plot_collapse_pressures,
    plot_collapse_volume,
)
from ebbmap.plotting.pages import pages_of
from ebbmap.plotting.pages.layout import LEAST_TEXT, SHOWN_WIDTH, line_width
from ebbmap.registries.populations import POPULATIONS

SET = {"p_high": 24.0, "p_low": 0.0, "t_high": 4.0, "recruitable_share": 0.3}
GROUPS = (POPULATIONS["restrictive"], POPULATIONS["obstructive"])


@pytest.fixture(scope="module")
def result():
    question = Question("stepped", fixed=SET, populations=GROUPS)
    return find_collapse(
        question, Collapse(t_low=(0.3, 1.2)), axes={"t_low": np.array([0.1, 0.3, 0.5, 0.7, 1.2])}
    )


def line(ax, label):
    (found,) = [one for one in ax.lines if one.get_label() == label]
    return found.get_xdata(), found.get_ydata()


def band(ax, label):
    (found,) = [one for one in ax.patches if one.get_label() == label]
    return found.get_bbox()


def test_one_cycle(result):
    one = result.sel(population="restrictive", release=1.2, t_low=1.2)
    ax = plot_collapse_pressures(one)
    for label in ("airway", "alveolar"):
        x, y = line(ax, label)
        np.testing.assert_array_equal(x, one["time"])
        np.testing.assert_array_equal(y, one[f"{label}_pressure"])
    for label in ("closing", "opening"):
        mode, spread = float(one[f"{label}_pressure"]), float(one[f"{label}_spread"])
        assert band(ax, label).y0 == pytest.approx(mode - spread)
        assert band(ax, label).y1 == pytest.approx(mode + spread)
    assert ax.get_ylabel() == "pressure [cmH₂O]"
    ax = plot_collapse_open(one)
    np.testing.assert_array_equal(line(ax, "open")[1], one["open_fraction"])
    np.testing.assert_array_equal(line(ax, "if units closed at once")[1], one["pressure_alone"])
    mark_changes(ax, one)
    assert [text.get_text() for text in ax.texts if text.get_text()] == [
        f"{100 * float(one['closed_per_release']):.1f} % closes",
        f"{100 * float(one['reopened']):.1f} % reopens",
    ]
    high, closed = float(one["open_fraction_end_high"]), float(one["closed_per_release"])
    arrows = [text for text in ax.texts if not text.get_text()]
    assert arrows[0].xy == pytest.approx((1.2, high - closed))
    assert arrows[1].xy[1] == pytest.approx(high)
    ax = plot_collapse_volume(one)
    np.testing.assert_array_equal(line(ax, "volume")[1], one["volume"])


def test_where_nothing_closes_it_says_so(result):
    one = result.sel(population="restrictive", release=0.3, t_low=0.3)
    ax = plot_collapse_open(one)
    mark_changes(ax, one)
    assert [text.get_text() for text in ax.texts] == ["nothing closes"]


def test_along_t_low(result):
    one = result.sel(population="restrictive")
    ax = plot_collapse_closing(one)
    np.testing.assert_array_equal(line(ax, "closes")[1], one["closed_per_release"])
    np.testing.assert_array_equal(line(ax, "if units closed at once")[1], one["closed_by_pressure"])
    for rule in ("flow_ratio", "exhaled_fraction"):
        ends = one["rule_t_low"].sel(rule=rule)
        assert (band(ax, rule).x0, band(ax, rule).x1) == pytest.approx(tuple(ends.values))
        x, y = line(ax, f"end of {rule}")
        assert x[0] == float(ends[1]) and y[0] == float(one["rule_closed"].sel(rule=rule)[1])
    assert line(ax, "closing time constant")[0][0] == float(one["closing_time_constant"])
    ax = plot_collapse_left_open(one)
    np.testing.assert_array_equal(line(ax, "before")[1], one["open_fraction_end_high"])
    np.testing.assert_array_equal(line(ax, "after")[1], one["open_fraction_end_release"])
    assert ax.get_xlabel() == "T low [s]"


def test_pages_have_text_for_all_eyes(result):
    pages = list(pages_of("collapse", result))
    assert [name for name, *_ in pages] == [
        "restrictive_cycle",
        "obstructive_cycle",
        "closing_by_t_low",
    ]
    for name, figure, text in pages:
        least = LEAST_TEXT * max(figure.get_figwidth() / SHOWN_WIDTH, 1.0)
        sizes = [t.get_fontsize() for ax in figure.axes for t in ax.texts if t.get_text()]
        sizes += [label.get_size() for ax in figure.axes for label in ax.get_yticklabels()]
        sizes += [t.get_fontsize() for t in figure.texts]
        assert min(sizes) >= least - 1e-9, name
        assert len(text) > 60 and "nan" not in text
        assert "time constants are rough" in figure.texts[-1].get_text().replace("\n", " ")


def test_no_line_of_a_caption_runs_off_the_page(result):
    for name, figure, _ in pages_of("collapse", result):
        (caption,) = figure.texts[-1:]
        for line in caption.get_text().split("\n"):
            assert line_width(line, caption.get_fontsize()) < 0.98 * figure.get_figwidth(), name


def test_a_lung_that_cannot_be_solved_is_drawn_without_a_warning():
    question = Question("stepped", fixed={**SET, "p_high": 5.0, "p_low": 9.0}, populations=GROUPS)
    told = find_collapse(question, Collapse(t_low=(0.3,)), axes={"t_low": np.array([0.3, 0.6])})
    for _, figure, _ in pages_of("collapse", told):
        figure.canvas.draw()
