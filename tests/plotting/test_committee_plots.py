"""What the pictures of a committee's report draw, against the datasets that they draw from."""

import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from committee_case import PLAIN, RULED, check_of
from ebbmap.plotting import committee as pictures
from ebbmap.plotting.style import COLOURS, INK
from plotting.drawn import layout_problems

# whole checks are drawn
pytestmark = pytest.mark.slow

GROUPS = ["normal", "obstructive"]
VERDICTS = ("safe", "caution", "unsafe", "undetermined")
drafts = pytest.mark.parametrize("text", [RULED, PLAIN], ids=["ruled", "plain"])


def axes_of(figure):
    return [ax for ax in figure.axes if ax.get_label() != "<colorbar>"]


@drafts
def test_bars_are_the_shares_of_the_verdicts(text):
    ds = check_of(text).results["verdict"]
    (ax,) = pictures.verdict_figure(ds).axes
    names = [*GROUPS, "all"]
    assert [t.get_text() for t in ax.get_yticklabels()] == names
    bars = {c.get_label(): c.patches for c in ax.containers}
    assert tuple(bars) == VERDICTS
    written = {t.get_position(): t.get_text() for t in ax.texts}
    for row, name in enumerate(names):
        left = 0.0
        for verdict in VERDICTS:
            share = float(ds["verdict_share"].sel(group=name, verdict=verdict))
            bar = bars[verdict][row]
            assert (bar.get_x(), bar.get_width()) == pytest.approx((left, share), abs=1e-12)
            assert bar.get_y() + bar.get_height() / 2 == pytest.approx(row)
            places = [p for p in written if p == pytest.approx((left + share / 2, row), abs=1e-9)]
            assert [written[p] for p in places] == (
                [f"{100 * share:.0f} %"] if share >= 0.07 else []
            )
            left += share
        assert left == pytest.approx(1.0)
    ticks = [line.get_xdata()[0] for line in ax.lines]
    assert ticks == ds["wanted_share"].values.tolist()
    assert [line.get_ydata().mean() for line in ax.lines] == pytest.approx([0, 1, 2])
    # the first group on top, and a legend that names every verdict once
    assert ax.get_ylim()[0] > ax.get_ylim()[1]
    assert ax.get_xlim() == (0.0, 1.0)
    legend = [t.get_text() for t in ax.get_legend().get_texts()]
    assert sorted(legend) == sorted([*VERDICTS, "wanted"])
    assert "combinations" in ax.get_xlabel()


def test_green_is_safe_and_red_is_not():
    ds = check_of(PLAIN).results["verdict"]
    (ax,) = pictures.verdict_figure(ds).axes
    colours = {c.get_label(): c.patches[0].get_facecolor() for c in ax.containers}
    (red, green, _, _), (other_red, other_green, _, _) = colours["safe"], colours["unsafe"]
    assert green > red and other_red > other_green
    assert len({tuple(c) for c in colours.values()}) == 4


@drafts
def test_trade_off_of_each_scope_and_group(text):
    ds = check_of(text).results["boxes"]
    axes = axes_of(pictures.trade_off_figure(ds))
    assert [ax.get_title(loc="left") for ax in axes] == ["inside the draft", "usual ranges"]
    for ax, scope in zip(axes, ds["scope"].values, strict=True):
        lines = {line.get_label(): line for line in ax.lines}
        assert list(lines) == [*GROUPS, "all"]
        for name, line in lines.items():
            np.testing.assert_array_equal(line.get_xdata(), ds["served"])
            expected = ds["trade_off"].sel(scope=scope, group=name)
            np.testing.assert_array_equal(line.get_ydata(), expected)
            colour = COLOURS.get(name, INK)
            assert to_hex(line.get_color()) == to_hex(colour)
        assert len({line.get_marker() for line in ax.lines}) == 3
        assert ax.get_xlabel() == "share of lungs served"
        assert ax.get_ylabel() == "largest box, share of the ranges"
    legend = [t.get_text() for t in axes[0].get_legend().get_texts()]
    assert legend == [*GROUPS, "all"]


@drafts
def test_ways_with_their_intervals(text):
    ds = check_of(text).results["ways"]
    figure = pictures.ways_figure(ds)
    axes = axes_of(figure)
    assert [ax.get_title() for ax in axes] == GROUPS
    for ax, name in zip(axes, GROUPS, strict=True):
        assert len(ax.containers) == ds.sizes["way"]
        for drawn in ax.containers:
            one = ds.sel(group=name, way=drawn.get_label())
            line, _, (bars,) = drawn
            np.testing.assert_allclose(line.get_ydata(), one["served_share"], atol=1e-12)
            # lines are drawn side by side, at most a hundredth from their error
            assert np.abs(line.get_xdata() - ds["error"].values).max() < 0.011
            ends = np.array([segment[:, 1] for segment in bars.get_segments()])
            np.testing.assert_allclose(
                ends, one["served_share_interval"].transpose("error", "ci_bound"), atol=1e-12
            )
        assert [t.get_text() for t in ax.get_xticklabels()] == ["0 %", "10 %", "20 %", "30 %"]
        assert ax.get_xticks().tolist() == [0.0, 0.1, 0.2, 0.3]
        assert ax.get_xlabel() == "error of the time constant"
    assert axes[0].get_ylabel() == "share of lungs served"
    legend = [t.get_text() for t in figure.legends[0].get_texts()]
    assert legend == ds["way"].values.tolist()


@drafts
def test_served_shares_and_the_best_t_low(text):
    ds = check_of(text).results["windows"]
    (ax,) = pictures.served_figure(ds).axes
    curves = {line.get_label(): line for line in ax.lines if len(line.get_xdata()) > 1}
    assert list(curves) == [*GROUPS, "all"]
    marks = [line for line in ax.lines if len(line.get_xdata()) == 1]
    for name, mark, band in zip(curves, marks, ax.collections, strict=True):
        one = ds.sel(group=name)
        np.testing.assert_array_equal(curves[name].get_ydata(), one["served_share"])
        np.testing.assert_array_equal(curves[name].get_xdata(), ds["t_low"])
        (place,), (height,) = mark.get_data()
        assert place == float(one["best_t_low"])
        at = int(np.abs(ds["t_low"].values - place).argmin())
        assert height == pytest.approx(float(one["served_share"][at]), abs=1e-12)
        assert mark.get_color() == curves[name].get_color()
        edges = band.get_paths()[0].get_extents()
        low, high = one["served_share_interval"].transpose("ci_bound", "t_low").values
        assert (edges.y0, edges.y1) == pytest.approx((low.min(), high.max()))
    assert [curves[n].get_linestyle() for n in curves] == ["-", "-", "--"]
    assert ax.get_xscale() == "log"
    assert ax.get_xlabel() == "T low [s]"
    assert [float(t.get_text()) for t in ax.get_xticklabels()] == ax.get_xticks().tolist()
    assert [t.get_text() for t in ax.get_legend().get_texts()] == [*GROUPS, "all"]


@pytest.mark.parametrize(
    ("text", "x", "y", "ranges"),
    [
        (PLAIN, "t_low", "p_high", {"t_low": (0.35, 0.45), "p_high": (16.0, 20.0)}),
        (
            RULED,
            "t_low_in_time_constants",
            "p_low",
            {"t_low_in_time_constants": (0.3, 0.9), "p_low": (0.0, 10.0)},
        ),
    ],
    ids=["plain", "ruled"],
)
def test_maps_show_the_shares_and_the_range_of_the_draft(text, x, y, ranges):
    ds = check_of(text).results["map"]
    figure = pictures.map_figure(ds, ranges)
    assert isinstance(figure, Figure)
    axes = axes_of(figure)
    assert len(axes) == 4
    for column, name in enumerate(GROUPS):
        upper, lower = axes[column], axes[2 + column]
        assert upper.get_title() == name
        drawn = np.ma.filled(upper.collections[0].get_array(), np.nan)
        share = ds["safe_share"].sel(group=name).transpose(y, x).values
        np.testing.assert_array_equal(drawn.reshape(share.shape), share)
        for ax in (upper, lower):
            (box,) = [p for p in ax.patches if isinstance(p, Rectangle) and not p.get_fill()]
            assert (box.get_x(), box.get_x() + box.get_width()) == pytest.approx(ranges[x])
            assert (box.get_y(), box.get_y() + box.get_height()) == pytest.approx(ranges[y])
            assert box.get_linestyle() == "--"
    assert "P" in axes[0].get_ylabel() and axes[1].get_ylabel() == ""
    assert axes[2].get_xlabel().startswith("T low")
    bounds = {str(b) for b in np.unique(ds["commonest_bound"]) if b != "none"}
    assert len(figure.legends[0].get_texts()) == len(bounds)
    assert figure.legends[0].get_title().get_text() == "limit broken most often"


def test_drivers_of_each_group():
    ds = check_of(PLAIN).results["drivers"]
    axes = axes_of(pictures.drivers_figure(ds))
    assert [ax.get_title() for ax in axes] == GROUPS
    assert [ax.get_ylabel() for ax in axes] == ["total index", ""]
    for ax, name in zip(axes, GROUPS, strict=True):
        one = ds["total"].sel(population=name).isel(outcome=0)
        curves = [line for line in ax.lines if len(line.get_xdata()) == one.sizes["t_low"]]
        drawn = {tuple(np.round(line.get_ydata(), 12)) for line in curves}
        known = {
            tuple(np.round(one.sel(parameter=p).values, 12))
            for p in one["parameter"].values
            if np.isfinite(one.sel(parameter=p)).all()
        }
        assert drawn and drawn <= known


def test_a_group_without_lungs_leaves_its_panel_empty():
    ds = check_of(PLAIN).results["map"].copy(deep=True)
    ds["safe_share"].loc[{"group": "obstructive"}] = np.nan
    axes = axes_of(pictures.map_figure(ds, {"t_low": (0.35, 0.45), "p_high": (16.0, 20.0)}))
    assert axes[0].collections and not axes[1].collections
    windows = check_of(PLAIN).results["windows"].copy(deep=True)
    windows["best_t_low"].loc[{"group": "normal"}] = np.nan
    (ax,) = pictures.served_figure(windows).axes
    assert len([line for line in ax.lines if len(line.get_xdata()) == 1]) == 2


def renamed(ds):
    """Give the groups names longer than those of bundled populations."""
    longest = ["severe_asthma_of_children", "restrictive_and_obstructive"]
    dims = [dim for dim in ("group", "population") if dim in ds.dims]
    return ds.assign_coords({dim: [*longest, *ds[dim].values[2:]] for dim in dims})


@pytest.mark.parametrize("name_of", [lambda ds: ds, renamed], ids=["short", "long names"])
@drafts
def test_texts_of_every_picture_have_room(text, name_of):
    found = {key: name_of(ds) for key, ds in check_of(text).results.items() if hasattr(ds, "dims")}
    y, x = (str(dim) for dim in found["map"]["safe_share"].dims[1:])
    figures = {
        "verdict": pictures.verdict_figure(found["verdict"]),
        "boxes": pictures.trade_off_figure(found["boxes"]),
        "ways": pictures.ways_figure(found["ways"]),
        "windows": pictures.served_figure(found["windows"]),
        "map": pictures.map_figure(
            found["map"],
            {
                name: (float(found["map"][name].min()), float(found["map"][name].mean()))
                for name in (x, y)
            },
        ),
    }
    if "drivers" in found:
        figures["drivers"] = pictures.drivers_figure(found["drivers"])
    problems = {name: layout_problems(figure) for name, figure in figures.items()}
    assert not any(problems.values()), problems
