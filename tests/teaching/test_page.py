"""The page to explore: what it holds, what it interpolates, and that a browser runs it."""

import json
import re

import numpy as np
import pytest
import xarray as xr

from browser import PHONE, opened
from ebbmap.cases.simulate import simulate
from ebbmap.cases.waveforms import waveforms
from ebbmap.caution import CAUTION
from ebbmap.errors import EbbmapError
from ebbmap.kernels.judging import bound_margins
from ebbmap.registries.limits import limit_set
from ebbmap.registries.parameters import SPONTANEOUS
from ebbmap.teaching import build_page, teaching_grid
from ebbmap.teaching.grid import CURVES, JUDGED_BY, SHOWN, TUBE
from ebbmap.teaching.page import AXES, FORMS

#: What the page holds besides its sliders.
HELD = {"p_high": 20.0, "fio2": 0.6, "resistance_quadratic": TUBE}
HARM = limit_set(JUDGED_BY)


@pytest.fixture(scope="module")
def grid():
    return teaching_grid(p_high=HELD["p_high"])


@pytest.fixture(scope="module")
def page(grid, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(build_page(grid), encoding="utf-8")
    return path


def interpolated(grid, name, points):
    """Interpolate between grid points as the page does, on logarithmic axes."""
    form = FORMS.get(name)
    values = grid[name].assign_coords({axis: np.log(grid[axis].values) for axis in AXES})
    at = {
        axis: xr.DataArray(np.log(np.asarray(values)), dims="case")
        for axis, values in points.items()
    }
    if form == "logarithm":
        return np.exp(np.log(values).interp(at))
    if form == "reciprocal":
        balance = grid["co2_balance"].assign_coords(values.coords)
        return 200.0 / (balance + 1.0).interp(at)
    return values.interp(at)


@pytest.fixture(scope="module")
def scattered(grid):
    """Points between the grid's, and the exact answer there."""
    rng = np.random.default_rng(7)
    points = {axis: np.exp(rng.uniform(*np.log(grid[axis].values[[0, -1]]), 1500)) for axis in AXES}
    wanted = tuple(dict.fromkeys((*SHOWN, *HARM.outcomes)))
    own = xr.DataArray(grid[SPONTANEOUS].values, dims=SPONTANEOUS)
    points = {axis: xr.DataArray(values, dims="case") for axis, values in points.items()}
    exact = simulate(
        **HELD,
        **points,
        resistance_insp=points["resistance_exp"],
        outcomes=wanted,
        **{SPONTANEOUS: own},
    )
    return points, exact


# second-order error of the grid: measured 5.5 and 13 mL of up to 2,000 mL, 0.08 cmH2O, 0.9 and
# 0.4 points of share, 7 ms and 0.003; the bounds leave a quarter more for points that this draw
# does not hit
@pytest.mark.parametrize(
    ("name", "tolerance"),
    [
        ("release_volume", 15.0),
        ("trapped_volume", 19.0),
        ("auto_peep", 0.12),
        ("flow_ratio", 0.011),
        ("exhaled_fraction", 0.005),
        ("time_constant_exp", 0.0085),
        ("release_in_time_constants", 0.004),
    ],
)
def test_the_page_is_close_to_the_lung_between_grid_points(grid, scattered, name, tolerance):
    points, exact = scattered
    true = exact[name].isel({SPONTANEOUS: 0}).values
    wrong = np.abs(interpolated(grid, name, points).values - true)
    assert wrong.max() < tolerance


def test_carbon_dioxide_is_close_where_anybody_would_read_it(grid, scattered):
    points, exact = scattered
    near = interpolated(grid, "paco2", points).transpose("case", SPONTANEOUS).values
    true = exact["paco2"].transpose("case", SPONTANEOUS).values
    read = true < 150.0
    assert read.sum() > 500
    # relative; measured 2.3 %, where releases only just clear the dead space, 0.9 % in 99 of 100
    assert np.max(np.abs(near / true - 1)[read]) < 0.03


@pytest.mark.parametrize("level", range(3))
def test_verdicts_differ_only_at_the_very_edge(grid, scattered, level):
    points, exact = scattered
    near = interpolated(grid, "margin", points).isel({SPONTANEOUS: level})
    near = near.transpose("bound", "case").values.min(axis=0)
    solved = exact.isel({SPONTANEOUS: level})
    margins = np.broadcast_arrays(
        *bound_margins(HARM.hard, {n: solved[n].values for n in HARM.outcomes})
    )
    true = np.min(np.nan_to_num(margins, nan=-1.0), axis=0)
    assert (true >= 0).sum() > 20
    differ = (near >= 0) != (true >= 0)
    # measured: 2 cases in 1,500, all with a true margin within 0.002 of zero
    assert differ.mean() < 0.005
    assert np.all(np.abs(true[differ]) < 0.005)


def test_curves_are_the_lungs_own_on_grid_points(grid):
    at = {"resistance_exp": 4, "compliance": 6, "t_low": 9}
    one = grid.isel(at)
    t_high, t_low = grid.attrs["t_high"], float(one["t_low"])
    half = one.sizes["point"] // 2
    place = one["place"].values
    times = np.concatenate([place[:half] * t_high, t_high + place[half:] * t_low])
    times[half - 1] -= 1e-7
    times[half:] += np.linspace(1e-7, -1e-7, half)
    drawn = waveforms(
        **HELD,
        times=times,
        t_low=t_low,
        compliance=float(one["compliance"]),
        resistance_exp=float(one["resistance_exp"]),
        resistance_insp=float(one["resistance_exp"]),
    )
    for name in CURVES:
        # times differ by 1e-7 s near the jumps
        np.testing.assert_allclose(one[name], drawn[name], rtol=1e-5, atol=1e-5)


def test_nothing_is_fetched_and_the_caution_stands(page):
    text = page.read_text(encoding="utf-8")
    assert CAUTION in text
    assert not re.search(r"https?://|<link|<img|src=|@import|fetch\(|XMLHttp", text)
    assert "__" + "PAGE" not in text
    assert text.count("</script>") == 2
    assert page.stat().st_size < 3_000_000


def test_every_slider_is_native_and_labelled(page):
    text = page.read_text(encoding="utf-8")
    for name in AXES:
        assert f'<label for="{name}">' in text
        assert re.search(rf'<input type="range" id="{name}"', text)


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"t_low": 0.5}, "set by a slider"),
        ({"p_high": 5.0, "p_low": 6.0}, "p_high must be above p_low"),
        ({"spontaneous_alveolar_ventilation": 1.0}, "set by a slider or button"),
        ({"lung": "paired"}, "needs a lung that takes resistance_exp"),
    ],
    ids=str,
)
def test_what_cannot_be_a_page_is_said(values, told):
    with pytest.raises(EbbmapError, match=told):
        teaching_grid(**values)


@pytest.mark.slow
def test_a_browser_shows_what_the_lung_does(page, chromium):
    set_to = {"t_low": 0.43, "resistance_exp": 17.3, "compliance": 47.0}
    fragment = "&".join(f"{name}={value}" for name, value in set_to.items())
    with opened(chromium, f"{page.as_uri()}#{fragment}&own=0") as shown:
        numbers = shown.evaluate(
            "[...document.querySelectorAll('#numbers dd')]"
            ".map(e => [e.dataset.name, e.dataset.value])"
        )
        verdict = shown.locator("#verdict")
        words, margin = verdict.inner_text(), float(verdict.get_attribute("data-margin"))
        assert shown.errors == []
        assert shown.requests == []
    told = {name: float(value) for name, value in numbers}
    assert set(told) == set(SHOWN)
    exact = simulate(
        **HELD, resistance_insp=17.3, outcomes=(*SHOWN, "ph"), **{SPONTANEOUS: 0.0}, **set_to
    )
    for name in SHOWN:
        # the grid's error as measured above, well below what the page prints
        assert told[name] == pytest.approx(float(exact[name]), rel=0.02), name
    assert "Limit on harm broken: arterial pH" in words
    # (pH - 7.2) / 0.4
    assert margin == pytest.approx((float(exact["ph"]) - 7.2) / 0.4, abs=0.02)


@pytest.mark.slow
def test_the_window_of_the_page_is_the_window_of_the_lung(page, chromium):
    from ebbmap.analyses.common.windows import search_windows

    lung = {"resistance_exp": 18.0, "compliance": 36.0}
    fragment = "&".join(f"{name}={value}" for name, value in lung.items())
    with opened(chromium, f"{page.as_uri()}#{fragment}", PHONE) as page_shown:
        (shown,) = json.loads(page_shown.get_attribute("#verdict", "data-windows"))
    held = {**HELD, SPONTANEOUS: 2.0, "resistance_insp": 18.0}
    found = search_windows("whole", {**lung, **held}, HARM)
    # the strip looks at 361 places from 0.2 to 2 s: 0.005 s apart
    assert shown == pytest.approx(
        [float(found["lower"][0, 0]), float(found["upper"][0, 0])], abs=0.008
    )
