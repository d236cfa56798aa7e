"""Drawn data equals computed data, read back from the Axes."""

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from ebbmap.analyses.adjust import find_adjust
from ebbmap.analyses.compare import find_compare
from ebbmap.analyses.inside import find_inside
from ebbmap.analyses.rules import Rules, find_rules
from ebbmap.analyses.startup import AS_SET, LONGER, Startup, find_startup
from ebbmap.analyses.wean import COMMON, SAFEST, Wean, find_wean
from ebbmap.analyses.window import find_window
from ebbmap.cases.question import Question
from ebbmap.plotting.adjust import plot_adjust, plot_adjust_margins, plot_adjust_practice
from ebbmap.plotting.compare import plot_compare_flow, plot_compare_pressures, plot_compare_volume
from ebbmap.plotting.inside import plot_inside
from ebbmap.plotting.moving import animations_of, save_animation
from ebbmap.plotting.pages import pages_of
from ebbmap.plotting.pages.layout import LEAST_TEXT, SHOWN_WIDTH
from ebbmap.plotting.rules import plot_rules
from ebbmap.plotting.startup import plot_startup, plot_startup_waves
from ebbmap.plotting.wean import plot_wean
from ebbmap.plotting.window import plot_window_lungs
from ebbmap.registries.limits import combine, limit_set
from ebbmap.registries.populations import POPULATIONS

# animations and whole pages are drawn
pytestmark = pytest.mark.slow

GROUPS = (POPULATIONS["restrictive"], POPULATIONS["obstructive"])
SET = {"p_high": 24.0, "p_low": 0.0, "t_high": 3.0, "t_low": 0.5}
RULES = {
    rule: combine(rule, *(limit_set(name) for name in ("pressure", "auto_peep", rule)))
    for rule in ("flow_ratio", "exhaled_fraction")
}


def line(ax, label):
    (found,) = [one for one in ax.lines if one.get_label() == label]
    return found.get_xdata(), found.get_ydata()


@pytest.fixture(scope="module")
def results():
    question = Question(lung="linear", fixed=SET, populations=GROUPS, rules=RULES, lungs=30, seed=3)
    free = Question(
        lung="linear",
        fixed={k: v for k, v in SET.items() if k != "t_low"},
        populations=GROUPS,
        rules=RULES,
        lungs=30,
        seed=3,
    )
    return {
        "compare": find_compare(question),
        "startup": find_startup(question, Startup(cycles=4)),
        "inside": find_inside(Question("paired", fixed=SET, populations=GROUPS)),
        "adjust": find_adjust(question),
        "wean": find_wean(question),
        "rules": find_rules(
            Question(lung="linear", fixed={"resistance_quadratic": 8.0}),
            Rules(models=("linear", "tube"), along="t_low_in_time_constants"),
            axes={"t_low_in_time_constants": np.linspace(0.1, 3, 20)},
        ),
        "window": find_window(free),
    }


def test_side_by_side(results):
    one = results["compare"].sel(case="restrictive")
    ax = plot_compare_pressures(one)
    np.testing.assert_array_equal(line(ax, "alveolar")[1], one["alveolar_pressure"])
    np.testing.assert_array_equal(line(ax, "airway")[1], one["airway_pressure"])
    ax = plot_compare_flow(one)
    np.testing.assert_array_equal(line(ax, "flow")[1], one["flow"])
    _, kept = line(ax, "flow_ratio")
    share = one["flow_share"].values[np.isfinite(kept)]
    assert share.min() >= 0.5 and share.max() <= 0.75
    _, kept = line(ax, "exhaled_fraction")
    share = one["exhaled_share"].values[np.isfinite(kept)]
    assert share.min() >= 0.5 and share.max() <= 0.75
    ax = plot_compare_volume(one)
    np.testing.assert_array_equal(line(ax, "volume")[1], one["volume"])
    assert ax.get_ylabel() == "volume [mL]"
    assert f"{float(one['trapped_volume']):.0f} mL left" in [t.get_text() for t in ax.texts]


def test_the_first_cycles(results):
    told = results["startup"]
    ax = plot_startup(told, outcome="trapped_volume")
    for name in told["population"].values:
        for course in (AS_SET, LONGER):
            np.testing.assert_array_equal(
                line(ax, f"{name}, {course}")[1],
                told["trapped_volume"].sel(population=name, course=course),
            )
    ax = plot_startup_waves(told, course=1)
    np.testing.assert_array_equal(
        line(ax, "obstructive")[1],
        told["alveolar_pressure"].sel(population="obstructive", course=LONGER),
    )


def test_the_slow_compartment(results):
    one = results["inside"].sel(population="restrictive")
    ax = plot_inside(one)
    for name, label in (("flow_share", "flow at the airway"), ("slow_left", "slow compartment")):
        np.testing.assert_array_equal(line(ax, label)[1], one[name])


def test_the_steps(results):
    one = results["adjust"].sel(population="restrictive").isel(move=slice(1, 11))
    columns = [("change_paco2", "PaCO2", 1, 1.0), ("change_auto_peep", "auto-PEEP", 1, 1.0)]
    ax = plot_adjust(one, columns=columns)
    drawn = np.ma.filled(ax.images[0].get_array(), np.nan)
    for column, (name, *_) in enumerate(columns):
        changes = one[name].values
        np.testing.assert_allclose(drawn[:, column], changes / np.nanmax(np.abs(changes)))
    texts = [text.get_text() for text in ax.texts]
    assert texts[0] == f"{float(one['change_paco2'][0]):+.1f}".replace("-", "−")
    assert texts[3] == "–"  # P low cannot fall below 0
    ax = plot_adjust_margins(one, headings=["a", "b"])
    kept = np.ma.filled(ax.images[0].get_array(), np.nan)
    margins = one["margin"].transpose("move", "rule").values
    np.testing.assert_array_equal(kept[np.isfinite(margins)], (margins >= 0)[np.isfinite(margins)])
    ax = plot_adjust_practice(results["adjust"])
    np.testing.assert_array_equal(
        np.ma.filled(ax.images[0].get_array(), np.nan),
        results["adjust"]["against_share"].transpose("practice", "population"),
    )


def test_the_way_out(results):
    one = results["wean"].sel(population="restrictive", rule="flow_ratio")
    ax = plot_wean(one)
    for route in (COMMON, SAFEST):
        x, y = line(ax, route)
        walked = one.sel(route=route)
        # up to the first step that is not safe
        stop = int(walked["first_unsafe"])
        steps = slice(None) if stop < 0 else slice(stop + 1)
        np.testing.assert_array_equal(x, walked["route_t_high"][steps])
        np.testing.assert_array_equal(y, walked["route_p_high"][steps])
    np.testing.assert_array_equal(
        ax.collections[0].get_array().reshape(one["margin"].shape), one["margin"]
    )


def test_the_rules(results):
    one = results["rules"].isel(population=0)
    ax = plot_rules(one, along="t_low_in_time_constants")
    for model in ("linear", "tube"):
        np.testing.assert_array_equal(line(ax, f"sum, {model}")[1], one["sum"].sel(model=model))
        np.testing.assert_array_equal(
            line(ax, f"flow ratio, {model}")[1], one["flow_ratio"].sel(model=model)
        )


def test_every_lung_is_in_the_cloud_or_below_it(results):
    one = results["window"].sel(rule="flow_ratio")
    for name in one["population"].values:
        ax = plot_window_lungs(one, population=name)
        lower = one["lower"].sel(population=name).values
        lines = [
            segment
            for drawn in ax.collections
            if isinstance(drawn, LineCollection) and drawn.get_label() == name
            for segment in drawn.get_segments()
        ]
        assert len(lines) == np.isfinite(lower).sum()
        np.testing.assert_allclose(
            sorted(segment[0][1] for segment in lines), np.sort(lower[np.isfinite(lower)])
        )
        without, _ = line(ax, f"{name}, no safe T low")
        assert len(without) == np.isnan(lower).sum()


@pytest.mark.parametrize(
    "kind", ["compare", "startup", "inside", "adjust", "wean", "rules", "window"]
)
def test_all_text_of_a_page_can_be_read_from_the_last_row(results, kind):
    pages = list(pages_of(kind, results[kind]))
    assert pages
    for name, figure, text in pages:
        assert isinstance(figure, Figure)
        least = LEAST_TEXT * max(figure.get_figwidth() / SHOWN_WIDTH, 1.0)
        sizes = [t.get_fontsize() for ax in figure.axes for t in ax.texts if t.get_text()]
        sizes += [label.get_size() for ax in figure.axes for label in ax.get_yticklabels()]
        sizes += [t.get_fontsize() for t in figure.texts]
        assert min(sizes) >= least - 1e-9, name
        assert len(text) > 60 and "nan" not in text


def test_the_animation_grows_to_the_whole_figure(results, tmp_path):
    from PIL import Image

    ((name, moving, text),) = animations_of("startup", results["startup"])
    path = tmp_path / f"{name}.gif"
    save_animation(moving, path)
    with Image.open(path) as image:
        assert image.n_frames == 16  # four cycles, four pictures each
    assert path.stat().st_size < 1_500_000
    told = results["startup"]
    drawn = moving._fig.axes[1].lines[0]
    np.testing.assert_array_equal(
        drawn.get_ydata(), told["trapped_volume"].isel(population=0, course=0)
    )
    assert "gas stays behind" in text


def test_kinds_without_a_moving_picture_have_none(results):
    assert list(animations_of("wean", results["wean"])) == []


@pytest.mark.parametrize("kind", ["compare", "startup", "inside", "adjust", "wean", "window"])
def test_lungs_that_cannot_be_solved_are_drawn_without_a_warning(kind):
    impossible = {"p_high": 5.0, "p_low": 9.0, "t_high": 3.0}
    question = Question(lung="linear", fixed=impossible, populations=GROUPS, rules=RULES, lungs=5)
    paired = Question("paired", fixed=impossible, populations=GROUPS)
    result = {
        "compare": lambda: find_compare(question),
        "startup": lambda: find_startup(question, Startup(cycles=2)),
        "inside": lambda: find_inside(paired),
        "adjust": lambda: find_adjust(question),
        "wean": lambda: find_wean(question, Wean(p_high_end=2.0)),
        "window": lambda: find_window(question),
    }[kind]()
    for _, figure, _ in pages_of(kind, result):
        figure.canvas.draw()
