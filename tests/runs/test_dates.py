"""Dates that reports and results state."""

import datetime

import pytest

from ebbmap.errors import EbbmapError
from ebbmap.runs.dates import stated_date


def test_dates_are_days():
    assert stated_date(datetime.date(2026, 2, 3)) == "2026-02-03"
    assert datetime.date.fromisoformat(stated_date(None))
    with pytest.raises(EbbmapError, match="date must be YYYY-MM-DD; got '2026-13-01'"):
        stated_date("2026-13-01")
    with pytest.raises(EbbmapError, match=r"^--date must be"):
        stated_date("today", name="--date")
