"""What a picture marks, names and lays beside its curves is where its numbers are."""

import numpy as np
import pytest
import xarray as xr
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from ebbmap.analyses.collapse import Collapse, find_collapse
from ebbmap.analyses.inside import find_inside
from ebbmap.analyses.map import Map, find_map
from ebbmap.analyses.startup import Startup, find_startup
from ebbmap.analyses.window import find_window
from ebbmap.cases.question import Question
from ebbmap.plotting.boxes import plot_boxes
from ebbmap.plotting.collapse import plot_collapse_open
from ebbmap.plotting.inside import plot_inside
from ebbmap.plotting.intervals import (
    NO_INTERVAL,
    WITHOUT_INTERVAL,
    draw_interval,
    without_interval,
)
from ebbmap.plotting.map import failing_bounds, plot_map_failures
from ebbmap.plotting.pages import pages_of
from ebbmap.plotting.pages.sobol import _missing_text
from ebbmap.plotting.sobol_convergence import MISSING, plot_sobol_by_size, plot_sobol_convergence
from ebbmap.plotting.startup import plot_startup_waves
from ebbmap.plotting.style import colour_of, words
from ebbmap.plotting.window import plot_window_lungs
from ebbmap.registries.limits import combine, limit_set
from ebbmap.registries.populations import POPULATIONS

GROUPS = (POPULATIONS["restrictive"], POPULATIONS["obstructive"])
SET = {"p_high": 24.0, "p_low": 0.0, "t_high": 3.0, "t_low": 0.5}
RULES = {"flow_ratio": combine("flow_ratio", limit_set("pressure"), limit_set("flow_ratio"))}

#: A lung of which a part closes.
CLOSING = {"p_high": 24.0, "p_low": 0.0, "t_high": 4.0, "recruitable_share": 0.3}


@pytest.fixture(scope="module")
def collapsed():
    question = Question("stepped", fixed=CLOSING, populations=GROUPS[:1])
    return find_collapse(
        question, Collapse(t_low=(0.3, 1.2)), axes={"t_low": np.array([0.1, 0.3, 0.5, 0.7, 1.2])}
    )


def test_the_axis_of_open_units_bears_their_name(collapsed):
    one = collapsed.isel(population=0).sel(release=1.2)
    assert plot_collapse_open(one).get_ylabel() == one["open_fraction"].attrs["long_name"]


def test_the_curves_along_t_low_are_the_datasets_and_the_legend_names_their_strokes(collapsed):
    one = collapsed.isel(population=0)
    *_, (_, figure, _) = pages_of("collapse", collapsed)
    drawn = {line.get_label(): line for ax in figure.axes for line in ax.lines}
    for label, of in (
        ("if units closed at once", "closed_by_pressure"),
        ("closes", "closed_per_release"),
        ("before", "open_fraction_end_high"),
        ("after", "open_fraction_end_release"),
    ):
        np.testing.assert_array_equal(drawn[label].get_ydata(), one[of], err_msg=label)
    (legend,) = figure.legends
    named = {
        text.get_text(): line for text, line in zip(legend.texts, legend.get_lines(), strict=False)
    }
    for name, label in (
        ("if units closed at once", "if units closed at once"),
        ("open before the release", "before"),
    ):
        assert to_rgb(named[name].get_color()) == to_rgb(drawn[label].get_color()), name
        assert named[name].get_linestyle() == drawn[label].get_linestyle(), name


def test_the_end_of_the_release_is_marked_with_what_is_left():
    one = find_inside(Question("paired", fixed=SET, populations=GROUPS)).isel(population=0)
    ax = plot_inside(one)
    end = float(one["t_low"])
    said = {t.get_text(): t.xy for t in ax.texts if t.get_text().endswith("%")}
    for name in ("flow_share", "fast_left", "slow_left"):
        left = float(np.interp(end, one["time"], one[name]))
        assert said[f"{100 * left:.0f} %"] == pytest.approx((end, left)), name


def test_lungs_without_a_window_lie_on_the_floor_of_a_cloud_with_names():
    question = Question(
        lung="linear",
        fixed={"p_high": 34.0, "p_low": 0.0, "t_high": 3.0},
        populations=GROUPS,
        rules=RULES,
        lungs=30,
        seed=3,
    )
    one = find_window(question).sel(rule="flow_ratio")
    ax = plot_window_lungs(one, population="obstructive")
    assert ax.get_xlabel() == "expiratory time constant [s]"
    assert ax.get_ylabel() == "T low [s]"
    (lost,) = [line for line in ax.lines if "no safe T low" in str(line.get_label())]
    own = one.sel(population="obstructive")
    none = own["time_constant_exp"].values[own["state"].values == 1]
    assert none.size
    np.testing.assert_array_equal(np.sort(lost.get_xdata()), np.sort(none))
    assert ax.get_ylim()[0] < lost.get_ydata().min() < float(np.nanmin(one["lower"]))
    assert lost.get_ydata().min() == lost.get_ydata().max()
    left, right = ax.get_xlim()
    every = one["time_constant_exp"].values
    assert left < every.min() and every.max() < right


def test_the_first_waves_of_one_population_are_drawn_too():
    told = find_startup(
        Question(lung="linear", fixed=SET, populations=GROUPS[1:]), Startup(cycles=3)
    )
    ax = plot_startup_waves(told, course=0)
    lines = {line.get_label(): line for line in ax.lines}
    one = told.isel(population=0, course=0)
    for label, name in (("airway", "airway_pressure"), ("obstructive", "alveolar_pressure")):
        np.testing.assert_array_equal(lines[label].get_xdata(), one["time"])
        np.testing.assert_array_equal(lines[label].get_ydata(), one[name])


def test_every_cell_of_a_map_has_the_colour_of_its_limit():
    question = Question("linear", {"p_high": 28.0}, {}, GROUPS[:1], RULES, 12, 1)
    axes = {"t_low": np.array([0.1, 0.4, 1.0]), "resistance_exp": np.array([5.0, 14.0, 40.0])}
    found = find_map(question, Map(x="t_low", y="resistance_exp"), axes=axes)
    one = found.isel(population=0, rule=0)
    bounds = failing_bounds(one)
    assert len(bounds) > 1
    ax = plot_map_failures(one, x="t_low", y="resistance_exp")
    (mesh,) = [c for c in ax.collections if type(c).__name__ == "QuadMesh"]
    drawn = mesh.to_rgba(mesh.get_array()).reshape(3, 3, 4)[..., :3]
    named = one["commonest_bound"].transpose("resistance_exp", "t_low").values.astype(str)
    colours = {name: colour_of(name, number) for number, name in enumerate(bounds)}
    colours["none"] = "white"
    for i in range(3):
        for j in range(3):
            assert drawn[i, j] == pytest.approx(to_rgb(colours[named[i, j]])), named[i, j]


def test_a_bar_beside_an_index_is_its_interval():
    sizes = [16, 32, 64]
    half = {"a": [0.4, 0.2, 0.1], "b": [0.5, 0.3, 0.15]}
    value = {"a": [0.6, 0.55, 0.52], "b": [0.3, 0.35, 0.38]}
    dims = ("parameter", "size")
    coords = {"parameter": ["compliance", "resistance_exp"], "size": sizes}
    ds = xr.Dataset(
        {
            "total_by_size": (dims, list(value.values())),
            "total_width_by_size": (dims, 2 * np.array(list(half.values()))),
        },
        coords,
    )
    ds["total_by_size"].attrs = {"long_name": "total Sobol index", "units": "1"}
    ax = plot_sobol_by_size(ds, index="total")
    bands = [
        c
        for c in ax.collections
        if type(c).__name__ in ("PolyCollection", "FillBetweenPolyCollection")
    ]
    lines = [line for line in ax.lines if len(line.get_xdata()) == len(sizes)]
    assert len(bands) == len(lines) == 2
    for band, line, centre, spread in zip(bands, lines, value.values(), half.values(), strict=True):
        np.testing.assert_array_equal(line.get_ydata(), centre)
        corners = np.concatenate([path.vertices for path in band.get_paths()])
        for size, low, high in zip(
            sizes, np.subtract(centre, spread), np.add(centre, spread), strict=True
        ):
            here = corners[corners[:, 0] == size, 1]
            assert (here.min(), here.max()) == pytest.approx((low, high))


def test_peels_are_drawn_for_each_population_with_its_name():
    rng = np.random.default_rng(0)
    steps = np.sort(rng.random((2, 5)), axis=1)
    ds = xr.Dataset(
        {
            "path_coverage": (("population", "step"), steps[:, ::-1]),
            "path_density": (("population", "step"), steps),
            "coverage": ("population", [0.4, 0.6]),
            "density": ("population", [0.7, 0.8]),
            "coverage_interval": (("population", "ci_bound"), [[0.3, 0.5], [0.5, 0.7]]),
            "density_interval": (("population", "ci_bound"), [[0.6, 0.75], [0.7, 0.85]]),
        },
        {"population": ["normal", "obstructive"]},
    )
    ax = plot_boxes(ds)
    lines = {line.get_label(): line for line in ax.lines}
    for name in ("normal", "obstructive"):
        one = ds.sel(population=name)
        np.testing.assert_array_equal(lines[words(name)].get_xdata(), one["path_coverage"])
        np.testing.assert_array_equal(lines[words(name)].get_ydata(), one["path_density"])
    plain = [(list(x.get_xdata()), list(x.get_ydata())) for x in ax.lines]
    for across, up, at in (
        ((0.3, 0.5), (0.6, 0.75), (0.4, 0.7)),
        ((0.5, 0.7), (0.7, 0.85), (0.6, 0.8)),
    ):
        assert ([*across], [at[1]] * 2) in plain
        assert ([at[0]] * 2, [*up]) in plain
        assert ([at[0]], [at[1]]) in plain


def test_only_values_without_an_interval_have_a_hollow_mark():
    value, low = np.array([0.5, 0.6, np.nan, 0.7, 0.8]), np.array([0.4, 0.5, np.nan, np.nan, 0.6])
    ax = Figure().subplots()
    draw_interval(ax, np.arange(5.0), value, low, low + 0.2, colour="red", mark="o")
    (hollow,) = [line for line in ax.lines if line.get_label() == NO_INTERVAL]
    assert (list(hollow.get_xdata()), list(hollow.get_ydata())) == ([3.0], [0.7])
    assert hollow.get_markerfacecolor() == "white"
    assert WITHOUT_INTERVAL in without_interval([Figure().subplots(), ax])
    whole = Figure().subplots()
    draw_interval(whole, np.arange(2.0), value[:2], low[:2], low[:2] + 0.2, colour="red", mark="o")
    assert not whole.lines
    assert without_interval([whole]) == ""


def test_a_run_that_settled_is_marked_at_its_size_and_missing_widths_at_the_edge():
    sizes = [16, 32, 64]
    ds = xr.Dataset(
        {
            "widest_by_size": (("population", "size"), [[0.4, 0.2, 0.1], [np.inf, 0.5, 0.3]]),
            "verdict": ("population", ["settled", "gave up"]),
            "rows": ("population", [32, 64]),
        },
        {"population": ["normal", "obstructive"], "size": sizes},
        {"stopping_width": 0.25},
    )
    ax = plot_sobol_convergence(ds)
    ax.figure.draw_without_rendering()
    plain = [line for line in ax.lines if len(line.get_xdata()) == 1]
    (settled,) = [line for line in plain if line.get_label() != MISSING]
    assert (settled.get_xdata()[0], settled.get_ydata()[0]) == (32, 0.2)
    (missing,) = [line for line in plain if line.get_label() == MISSING]
    x, y = missing.get_transform().transform((missing.get_xdata()[0], missing.get_ydata()[0]))
    assert missing.get_xdata()[0] == 16
    assert y == pytest.approx(ax.bbox.y1)
    # moved aside by a few points at most
    assert x == pytest.approx(ax.transData.transform((16, 0.3))[0], abs=10 * ax.figure.dpi / 72)
    assert "wanted" in [text.get_text() for text in ax.texts]
    said = _missing_text(np.array([ax, Figure().subplots()]))
    assert "Hollow triangle" in said and WITHOUT_INTERVAL not in said
    beside = Figure().subplots()
    draw_interval(beside, [1.0], [0.5], [np.nan], [np.nan], colour="red", mark="o")
    assert WITHOUT_INTERVAL in _missing_text(np.array([Figure().subplots(), beside]))
