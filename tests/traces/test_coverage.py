"""What fits say of their own intervals is what was measured."""

import tomllib
from pathlib import Path

import pytest

from ebbmap.traces.doubts import COVERED

MEASURED = tomllib.loads(
    (Path(__file__).parents[1] / "external" / "trace_coverage.toml").read_text(encoding="utf-8")
)


@pytest.mark.parametrize("lung", COVERED)
def test_a_fit_says_how_often_its_intervals_held(lung):
    # two digits, for a share of so few patients has no more
    assert COVERED[lung] == pytest.approx(MEASURED[lung]["all"], abs=0.0051)
    assert MEASURED[lung]["patients"] >= 30
