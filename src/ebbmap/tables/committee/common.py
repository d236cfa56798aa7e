"""What the committee's tables share: groups, and values with their intervals."""

from __future__ import annotations

import xarray as xr

from ebbmap.tables.model import triple

#: The group that stands for all lungs together.
WHOLE = "all"


def groups_of(ds: xr.Dataset) -> list[str]:
    """Return the names of the groups."""
    return [str(name) for name in ds["group"].values]


def text_of(ds: xr.Dataset, key: str) -> str:
    """Return a variable that is one text."""
    return str(ds[key].values)


def with_interval(ds: xr.Dataset, key: str) -> tuple[float, float, float]:
    """Return a variable that is one number, with the ends of its interval."""
    return triple(float(ds[key]), ds[f"{key}_interval"].values)
