"""Windows of the linear lung against T low = -tau ln(1 - f)."""

import numpy as np
import pytest

from ebbmap.analyses.common.windows import SEARCHED
from ebbmap.analyses.window import SERVED_AT
from ebbmap.committee.lungs import WINDOWS, draw_lungs
from ebbmap.committee.windows import LUNGS, find_group_windows
from ebbmap.files.protocol import parse_protocol

FILE = """
title = "windows"
lung = "linear"
seed = 4
[settings]
p_high = 24.0
p_low = 0.0
t_high = 5.0
t_low = 0.5
[[groups]]
population = "normal"
[[groups]]
population = "obstructive"
[limits]
sets = []
rules = ["{rule}"]
"""


@pytest.fixture(scope="module", params=["exhaled_fraction", "flow_ratio"])
def found(request):
    protocol = parse_protocol(FILE.format(rule=request.param))
    windows = find_group_windows(protocol)
    taus = []
    for group in protocol.groups:
        values = draw_lungs(protocol, group, LUNGS, WINDOWS).values
        taus.append(values["compliance"] * values["resistance_exp"] / 1000.0)
    return request.param, windows, np.array(taus)


def edges(rule, tau):
    """Let out 50 to 75 % of a full exhalation, or stop at 75 to 50 % of peak flow."""
    first, last = (0.5, 0.75) if rule == "exhaled_fraction" else (0.25, 0.5)
    lower, upper = -tau * np.log(1.0 - first), -tau * np.log(1.0 - last)
    # a few very slow lungs outlast the range that is searched, or come too late for it; a very
    # fast one is there before it begins
    late = lower > SEARCHED[1]
    return np.where(late, np.nan, np.maximum(lower, SEARCHED[0])), np.where(
        late, np.nan, np.minimum(upper, SEARCHED[1])
    )


def test_edges_meet_the_closed_form(found):
    rule, windows, tau = found
    lower, upper = edges(rule, tau)
    # what was asked for; the root-finder goes to rounding
    assert windows.sizes["piece"] == 1
    np.testing.assert_allclose(windows["lower"][..., 0], lower, rtol=1e-9)
    np.testing.assert_allclose(windows["upper"][..., 0], upper, rtol=1e-9)


def test_width_and_served_share_follow_from_the_closed_form(found):
    rule, windows, tau = found
    lower, upper = edges(rule, tau)
    width = np.nanquantile(upper - lower, windows["quantile"].values, axis=1).T
    np.testing.assert_allclose(windows["width"], width, rtol=1e-9)
    inside = (lower[:, :, None] <= SERVED_AT) & (SERVED_AT <= upper[:, :, None])
    # no lung's edge falls on a place of the curve by chance, so the counts are equal
    np.testing.assert_allclose(windows["served_share"][:2], inside.mean(axis=1), atol=1e-12)


def test_best_t_low_serves_what_a_search_over_the_closed_form_finds(found):
    rule, windows, tau = found
    lower, upper = edges(rule, tau)
    half = LUNGS // 2
    for row in range(2):
        served = (
            (lower[row, :half, None] <= SERVED_AT) & (SERVED_AT <= upper[row, :half, None])
        ).sum(axis=0)
        best = SERVED_AT[served.argmax()]
        assert float(windows["best_t_low"][row]) == best
        low, high = windows["best_t_low_interval"][row].values
        assert low <= best <= high
        other = (lower[row, half:] <= best) & (best <= upper[row, half:])
        assert float(windows["best_served_share"][row]) == pytest.approx(other.mean(), abs=1e-12)
