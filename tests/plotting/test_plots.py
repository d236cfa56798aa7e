"""What is drawn is what the dataset holds; no image is compared."""

import subprocess
import sys

import numpy as np
import pytest
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.contour import ContourSet
from matplotlib.figure import Figure

from ebbmap.analyses.map import Map, find_map
from ebbmap.analyses.profile import Profile, find_profile
from ebbmap.analyses.sobol import Sobol, find_sobol
from ebbmap.analyses.window import Window, find_window
from ebbmap.cases.question import Question
from ebbmap.plotting.intervals import NO_INTERVAL, without_interval
from ebbmap.plotting.map import (
    failing_bounds,
    legend_of_bounds,
    mark_middle,
    plot_map,
    plot_map_failures,
)
from ebbmap.plotting.pages.sobol import _least_sure
from ebbmap.plotting.profile import plot_profile, plot_profile_together
from ebbmap.plotting.sobol import plot_sobol
from ebbmap.plotting.sobol_convergence import MISSING, plot_sobol_convergence
from ebbmap.plotting.sobol_pairs import plot_sobol_pairs
from ebbmap.plotting.style import COLOURS, CYCLE, colour_of, short, spread_labels, words
from ebbmap.plotting.window import COMMON_RANGE, plot_window, plot_window_along
from ebbmap.registries.limits import LIMIT_SETS
from ebbmap.registries.populations import POPULATIONS

GROUPS = tuple(POPULATIONS[name] for name in ("normal", "obstructive"))
RULES = {rule: LIMIT_SETS[rule] for rule in ("flow_ratio", "exhaled_fraction")}
T_LOW = np.linspace(0.2, 1.4, 7)
RESISTANCE = np.array([8.0, 14.0, 30.0])


@pytest.fixture(scope="module")
def question():
    return Question(lung="linear", populations=GROUPS, rules=RULES, lungs=30, seed=0)


@pytest.fixture(scope="module")
def mapped(question):
    axes = {"t_low": T_LOW, "resistance_exp": RESISTANCE}
    found = find_map(question, Map(x="t_low", y="resistance_exp"), axes=axes)
    return found.sel(population="normal", rule="flow_ratio")


@pytest.fixture(scope="module")
def drivers(question):
    outcomes = ("auto_peep", "release_rate")
    found = find_sobol(
        question,
        Sobol(along="t_low", base_size=32, resamples=100, outcomes=outcomes),
        axes={"t_low": T_LOW},
    )
    return found.sel(population="normal")


@pytest.fixture(scope="module")
def known(drivers):
    """The drivers with an interval of its own width around every index."""
    half = xr.DataArray([-1.0, 1.0], {"ci_bound": ["lower", "upper"]}, "ci_bound")
    half = half * (0.1 + 0.05 * xr.DataArray(range(drivers.sizes["parameter"]), dims="parameter"))
    both = {f"{name}_interval": drivers[name] + half for name in ("first", "total", "second")}
    return drivers.assign(both)


@pytest.fixture(scope="module")
def windows(question):
    return find_window(question)


@pytest.fixture(scope="module")
def profile(question):
    names = ("flow_ratio", "exhaled_fraction")
    return find_profile(question, Profile(along="t_low", outcomes=names), axes={"t_low": T_LOW})


def lines(ax):
    """Drawn lines by their label."""
    return {line.get_label(): line for line in ax.lines}


def test_a_map_draws_the_safe_share(mapped):
    ax = plot_map(mapped, x="t_low", y="resistance_exp")
    drawn = ax.collections[0].get_array().reshape(3, 7)
    np.testing.assert_array_equal(drawn, mapped["safe_share"])
    assert ax.get_xlabel() == "T low [s]"
    assert ax.get_ylabel() == "expiratory resistance [cmH₂O·s/L]"
    assert ax.get_xlim() == pytest.approx((0.2, 1.4))
    assert ax.get_ylim() == pytest.approx((8.0, 30.0))


def test_a_map_can_be_turned(mapped):
    ax = plot_map(mapped, x="resistance_exp", y="t_low")
    drawn = ax.collections[0].get_array().reshape(7, 3)
    np.testing.assert_array_equal(drawn, mapped["safe_share"].T)


def test_a_map_draws_the_limit_broken_most_often(mapped):
    bounds = failing_bounds(mapped)
    ax = plot_map_failures(mapped, x="t_low", y="resistance_exp")
    drawn = ax.collections[0].get_array().reshape(3, 7).astype(int)
    named = np.array([*bounds, "none"])[drawn]
    np.testing.assert_array_equal(named, mapped["commonest_bound"].values.astype(str))
    assert [patch.get_label() for patch in legend_of_bounds(bounds)] == [words(b) for b in bounds]


def test_a_map_that_serves_too_few_says_how_many(mapped):
    few = mapped.assign(safe_share=mapped["safe_share"] * 0 + 0.2)
    ax = plot_map(few, x="t_low", y="resistance_exp")
    assert "at most 20 % anywhere" in [text.get_text() for text in ax.texts]


def test_cells_that_could_not_be_determined_are_hatched(mapped):
    plain = plot_map(mapped, x="t_low", y="resistance_exp")
    doubt = mapped.assign(undetermined_share=mapped["undetermined_share"] + 0.1)
    ax = plot_map(doubt, x="t_low", y="resistance_exp")
    assert len(ax.collections) == len(plain.collections) + 1
    assert ax.collections[-1].hatches == ["////"]


def test_cells_without_a_steady_state_are_dotted(mapped):
    plain = plot_map(mapped, x="t_low", y="resistance_exp")
    lost = mapped["unsteady_share"] * 0.0
    ax = plot_map(mapped.assign(unsteady_share=lost + 0.4), x="t_low", y="resistance_exp")
    assert len(ax.collections) == len(plain.collections)
    ax = plot_map(mapped.assign(unsteady_share=lost + 0.6), x="t_low", y="resistance_exp")
    assert len(ax.collections) == len(plain.collections) + 1
    assert ax.collections[-1].hatches == [".."]


@pytest.mark.parametrize(
    ("middle", "drawn"),
    [
        ({"resistance_exp": 14.0}, [[14.0, 14.0]]),
        ({"resistance_exp": 40.0}, []),
        ({"compliance": 14.0}, []),
        ({}, []),
    ],
)
def test_the_middle_lung_is_marked_where_it_lies_on_the_map(mapped, middle, drawn):
    ax = plot_map(mapped, x="t_low", y="resistance_exp")
    before = len(ax.lines)
    assert mark_middle(ax, middle, "t_low", "resistance_exp", "red") == bool(drawn)
    assert [line.get_ydata() for line in ax.lines[before:]] == drawn


def test_the_boundary_is_where_half_are_safe(mapped):
    # a share that rises evenly from 0 to 1 along T low crosses one half in the middle
    even = mapped["safe_share"] * 0 + (mapped["t_low"] - 0.2) / 1.2
    ax = plot_map(mapped.assign(safe_share=even), x="t_low", y="resistance_exp")
    (line,) = [one for one in ax.collections if isinstance(one, ContourSet)]
    # linear interpolation of an even share is exact to rounding
    np.testing.assert_allclose(line.get_paths()[0].vertices[:, 0], 0.8, rtol=1e-12)


@pytest.mark.parametrize("index", ["total", "first"])
def test_drivers_are_drawn_one_line_each_with_their_intervals(known, index):
    ax = plot_sobol(known, outcome="auto_peep", along="t_low", index=index)
    drawn = lines(ax)
    bands = ax.collections
    for number, name in enumerate(known["parameter"].values):
        one = known.sel(outcome="auto_peep", parameter=name)
        np.testing.assert_array_equal(drawn[short(name)].get_ydata(), one[index])
        np.testing.assert_array_equal(drawn[short(name)].get_xdata(), T_LOW)
        corners = bands[number].get_paths()[0].vertices[:, 1]
        ends = one[f"{index}_interval"]
        assert corners.max() == pytest.approx(float(ends.max()))
        assert corners.min() == pytest.approx(float(ends.min()))
    assert ax.get_ylabel() == f"{index} index"


def bare_marks(ax):
    """Places of the marks without an interval, by the colour of their line."""
    marks = [line for line in ax.lines if line.get_label() == NO_INTERVAL]
    assert all(line.get_markerfacecolor() == "white" for line in marks)
    return {line.get_markeredgecolor(): line.get_xydata() for line in marks}


def test_an_index_without_an_interval_has_a_hollow_mark_and_a_lone_interval_a_bar(known):
    one = known.sel(outcome=["auto_peep"]).copy(deep=True)
    name = str(one["parameter"].values[0])
    # known at the second place alone
    here = {"parameter": name, "t_low": np.delete(T_LOW, 1)}
    one["total_interval"].loc[here] = np.nan
    ax = plot_sobol(one, outcome="auto_peep", along="t_low")
    value = one["total"].sel(outcome="auto_peep", parameter=name).values
    ((colour, marks),) = bare_marks(ax).items()
    assert colour == lines(ax)[short(name)].get_color()
    np.testing.assert_array_equal(marks, np.column_stack([T_LOW, value])[np.arange(7) != 1])
    (bar,) = [found for found in ax.collections if isinstance(found, LineCollection)]
    ends = one["total_interval"].sel(outcome="auto_peep", parameter=name).isel(t_low=1)
    np.testing.assert_allclose(bar.get_segments()[0], [[T_LOW[1], end] for end in ends.values])
    assert without_interval([ax])
    assert not without_interval([plot_sobol(known, outcome="auto_peep", along="t_low")])


def test_widths_that_are_not_known_are_marked_at_the_edge_and_not_drawn(drivers):
    sizes = drivers.sizes["size"]
    widths = np.full((2, sizes), 0.5)
    widths[0, 0], widths[1] = np.inf, np.inf
    two = drivers.drop_vars("widest_by_size").expand_dims(population=["normal", "obstructive"])
    two = two.assign(widest_by_size=(("population", "size"), widths))
    ax = plot_sobol_convergence(two.assign_attrs(stopping_width=0.1))
    ax.figure.draw_without_rendering()
    drawn = lines(ax)
    assert np.isnan(drawn["normal"].get_ydata()).tolist() == [True] + [False] * (sizes - 1)
    assert np.isnan(drawn["obstructive"].get_ydata()).all()
    marks = {line.get_color(): line for line in ax.lines if line.get_label() == MISSING}
    wanted = {COLOURS["normal"]: two["size"].values[:1], COLOURS["obstructive"]: two["size"].values}
    assert set(marks) == set(wanted)
    for colour, place in wanted.items():
        np.testing.assert_array_equal(marks[colour].get_xdata(), place)
        # shares of the height of the axes: the upper edge
        assert set(marks[colour].get_ydata()) == {1.0}


def test_convergence_without_any_interval_says_so(drivers):
    one = drivers.expand_dims("population")
    for width in (np.inf, np.nan, 0.0):
        none = one.assign(widest_by_size=xr.full_like(one["widest_by_size"], width))
        ax = plot_sobol_convergence(none.assign_attrs(stopping_width=np.nan))
        ax.figure.draw_without_rendering()
        assert "no interval to draw" in [text.get_text() for text in ax.texts]


def test_the_least_sure_population_is_the_one_without_an_interval(drivers):
    two = xr.concat([drivers] * 2, xr.Variable("population", ["sure", "unsure"]))
    for worst in (np.inf, 3.0):
        widths = np.repeat([[0.5], [worst]], two.sizes["size"], axis=1)
        one = two.assign(widest_by_size=(("population", "size"), widths))
        assert _least_sure(one) == "unsure"


def test_pairs_without_an_interval_show_a_question_mark(known):
    one = known.sel(outcome="auto_peep").isel(t_low=0).copy(deep=True)
    one["second_interval"][:] = np.nan
    ax = plot_sobol_pairs(one)
    d = one.sizes["parameter"]
    shown = [text.get_text().split("\n") for text in ax.texts]
    assert sum(half == "± ?" for _, half in shown) == d * (d - 1) // 2
    assert not any("nan" in half for _, half in shown)


def test_drivers_of_what_never_varies_are_a_sentence(drivers):
    ax = plot_sobol(drivers, outcome="release_rate", along="t_low")
    assert "does not vary" in [text.get_text() for text in ax.texts]


def test_the_share_served_is_drawn_for_each_population(windows):
    one = windows.sel(rule="flow_ratio")
    ax = plot_window(one)
    for group in GROUPS:
        drawn = lines(ax)[group.name]
        np.testing.assert_array_equal(
            drawn.get_ydata(), one["served_share"].sel(population=group.name)
        )
    assert ax.get_xscale() == "log"
    assert ax.get_xlabel() == "T low [s]"


def test_each_piece_of_a_window_has_a_band_of_its_own():
    tau = np.array([0.2, 0.4, 0.6])
    lower = [[0.1, 0.5], [0.2, 0.7], [0.95, np.nan]]
    upper = [[0.3, 0.6], [0.4, 0.9], [1.2, np.nan]]
    dims = ("rule", "sample")
    one = xr.Dataset(
        {
            "lower": ((*dims, "piece"), [lower]),
            "upper": ((*dims, "piece"), [upper]),
            "time_constant_exp": (dims, [tau], {"units": "s", "long_name": "tau"}),
        },
        {"rule": ["flow_ratio"]},
    )
    drawn = plot_window_along(one).lines
    rising = [(line.get_xdata().tolist(), line.get_ydata().tolist()) for line in drawn[:-2]]
    # two pieces over two lungs; the third lung's piece meets neither and stands by itself
    assert rising == [
        ([0.2, 0.4], [0.1, 0.2]),
        ([0.2, 0.4], [0.3, 0.4]),
        ([0.2, 0.4], [0.5, 0.7]),
        ([0.2, 0.4], [0.6, 0.9]),
        ([0.6], [0.95]),
        ([0.6], [1.2]),
    ]


def test_windows_are_drawn_against_the_time_constant(question):
    found = find_window(
        question, Window(along="resistance_exp"), axes={"resistance_exp": RESISTANCE}
    )
    one = found.isel(population=0)
    ax = plot_window_along(one)
    for rule in RULES:
        drawn = lines(ax)[f"{words(rule)} rule"]
        np.testing.assert_array_equal(drawn.get_ydata(), one["lower"].sel(rule=rule)[:, 0])
        np.testing.assert_array_equal(drawn.get_xdata(), one["time_constant_exp"].sel(rule=rule))
    level = {line.get_ydata()[0] for line in ax.lines if len(set(line.get_ydata())) == 1}
    assert set(COMMON_RANGE) <= level
    assert ax.get_xlabel() == "expiratory time constant [s]"


def test_a_profile_has_one_line_per_population(profile):
    ax = plot_profile(profile, outcome="flow_ratio", along="t_low")
    for group in GROUPS:
        np.testing.assert_array_equal(
            lines(ax)[group.name].get_ydata(), profile["flow_ratio"].sel(population=group.name)
        )
    assert ax.get_ylabel() == "flow ratio"


def test_outcomes_together_are_thick_where_they_keep_their_rule(profile):
    one = profile.isel(population=0)
    ax = plot_profile_together(one, outcomes=["flow_ratio", "exhaled_fraction"], along="t_low")
    thick = [line for line in ax.lines if line.get_linewidth() == 5]
    for line, name in zip(thick, RULES, strict=True):
        inside = (one[name] >= 0.5) & (one[name] <= 0.75)
        np.testing.assert_array_equal(np.isfinite(line.get_ydata()), inside)


def test_a_plot_draws_on_the_axes_that_it_is_given(mapped, drivers, windows, profile):
    place = {"x": "t_low", "y": "resistance_exp"}
    draws = [
        lambda ax: plot_map(mapped, **place, ax=ax),
        lambda ax: plot_map_failures(mapped, **place, ax=ax),
        lambda ax: plot_sobol(drivers, outcome="auto_peep", along="t_low", ax=ax),
        lambda ax: plot_window(windows.sel(rule="flow_ratio"), ax=ax),
        lambda ax: plot_profile(profile, outcome="flow_ratio", along="t_low", ax=ax),
        lambda ax: plot_profile_together(
            profile.isel(population=0), outcomes=["flow_ratio"], along="t_low", ax=ax
        ),
    ]
    for draw in draws:
        own = Figure().add_subplot()
        assert draw(own) is own
        assert isinstance(draw(None), Axes)


def test_plots_leave_pyplot_alone():
    code = "import sys, ebbmap.plotting.pages; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout.strip() == "False", done.stderr


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("t_low", "T low"),
        ("auto_peep", "auto-PEEP"),
        ("flow_ratio_low", "flow ratio too low"),
        ("end_high_pressure_high", "alveolar pressure at end of T high too high"),
        ("some_rule", "some rule"),
    ],
)
def test_names_become_words(name, text):
    assert words(name) == text


def test_a_named_thing_keeps_its_colour():
    assert colour_of("normal", 5) == COLOURS["normal"]
    assert colour_of("some_rule", 9) == CYCLE[1]


def test_labels_keep_their_distance_and_order():
    rng = np.random.default_rng(0)
    for _ in range(50):
        at = rng.random(6)
        placed = np.array(spread_labels(at, 0.1))
        order = np.argsort(at)
        # rounding of the gap
        assert (np.diff(placed[order]) >= 0.1 - 1e-12).all()
