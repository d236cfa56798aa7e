"""Tables of how much of a verdict is each limit's doing."""

from __future__ import annotations

import xarray as xr

from ebbmap.tables.committee.common import groups_of
from ebbmap.tables.limits import dropped_table, excess_table, range_table
from ebbmap.tables.model import Table


def limits_tables(ds: xr.Dataset) -> list[Table]:
    """Return what each limit decides, how far it is passed, and what its uncertainty does."""
    found = [((name,), ds.sel(group=name)) for name in groups_of(ds)]
    return [make(("group",), found) for make in (dropped_table, excess_table, range_table)]
