"""Pictures of policies: what is drawn is what was found."""

import numpy as np
import pytest
import xarray as xr
from matplotlib.figure import Figure

from ebbmap.plotting.mended import plot_front
from ebbmap.plotting.path import path_figure, plot_path, shown_names
from ebbmap.registries.limits import Limit


@pytest.fixture
def path():
    minute = np.arange(120)
    read = np.where(minute < 30, np.nan, 61.0)
    data = {
        "p_high": 24.0 + (minute >= 60),
        "p_low": 0.0 * minute,
        "t_high": 5.0 + 0.0 * minute,
        "t_low": 0.5 + 0.0 * minute,
        "fio2": 0.5 + 0.0 * minute,
        "paco2": 60.0 + 0.1 * minute,
        "paco2_read": read,
        "ph": 7.3 - 0.002 * minute,
        "driving_pressure": 15.0 + 0.0 * minute,
        "in_mode": minute < 100,
        "safe": minute < 50,
    }
    return xr.Dataset(
        {name: ("minute", values) for name, values in data.items()}, {"minute": minute}
    )


BOUNDS = (
    *Limit("ph", "invented", low=7.2).bounds,
    *Limit("driving_pressure", "invented", high=18.0).bounds,
)


def test_a_path_shows_what_moves_what_is_read_and_what_breaks(path):
    assert shown_names(path, BOUNDS) == ["p_high", "paco2", "ph"]
    figure = path_figure(path, BOUNDS)
    assert len(figure.axes) == 3
    assert figure.axes[-1].get_xlim()[0] == 0.0


def test_a_paths_lines_are_truth_readings_and_limits(path):
    ax = plot_path(path, "ph", BOUNDS, ax=Figure().subplots())
    truth, limit = ax.lines
    np.testing.assert_array_equal(truth.get_ydata(), path["ph"])
    np.testing.assert_allclose(truth.get_xdata()[-1], 119.0 / 60.0)
    assert set(limit.get_ydata()) == {7.2}
    read = plot_path(path, "paco2", BOUNDS, ax=Figure().subplots()).lines[1]
    np.testing.assert_array_equal(read.get_ydata(), path["paco2_read"])


def test_the_front_rises_with_the_changes():
    mended = xr.Dataset(
        {
            "changes": ("candidate", [4.0, 2.0, 6.0, 5.0]),
            "share": ("candidate", [0.8, 0.6, 0.9, 0.7]),
            "front": ("candidate", [True, True, True, False]),
            "fresh_share": ("candidate", [0.75, np.nan, np.nan, np.nan]),
            "fresh_changes": ("candidate", [4.2, np.nan, np.nan, np.nan]),
        }
    )
    tried, front, own, fresh = plot_front(mended).lines
    assert tried.get_xdata().tolist() == [4.0, 2.0, 6.0, 5.0]
    assert front.get_ydata().tolist() == pytest.approx([60.0, 80.0, 90.0])
    assert own.get_xdata().tolist() == [4.0]
    assert fresh.get_ydata()[0] == pytest.approx(75.0)
