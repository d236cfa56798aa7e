"""Sobol indices on a design that grows: convergence curve, and rows kept for its next size."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable

#: Without a stopping width the convergence curve starts at this share of the base rows.
FIRST_SHARE = 8

#: Base rows that the rows kept in a piece come after.
KEPT_AFTER = "kept_after"

#: What a piece says by base rows.
BY_SIZE: Mapping[str, Variable] = {
    "first_by_size": Variable("first-order Sobol index by base rows"),
    "first_width_by_size": Variable(
        "width of the interval of the first-order Sobol index by base rows"
    ),
    "total_by_size": Variable("total Sobol index by base rows"),
    "total_width_by_size": Variable("width of the interval of the total Sobol index by base rows"),
    "widest_by_size": Variable("width of the widest interval by base rows"),
}


def kept_rows(rows: xr.Dataset, size_before: int) -> dict[str, Any]:
    """Return the solved rows of a piece, by names that no index has.

    Parameters
    ----------
    rows : Dataset
        The rows that no smaller design has.
    size_before : int
        Base rows of the largest smaller design whose rows come before them; 0 if none.
    """
    return {
        KEPT_AFTER: size_before,
        **{
            f"kept_{name}": (("kept_row", *values.dims[1:]), values.values)
            for name, values in rows.data_vars.items()
        },
    }


def smaller_sizes(size: int, least: int, kept_after: Callable[[int], int | None]) -> list[int]:
    """Return the sizes of smaller designs whose kept rows, one behind the other, lead up to a size.

    Parameters
    ----------
    size : int
        Base rows of the design.
    least : int
        The smallest design that may be.
    kept_after : callable
        ``kept_after(size)``: the base rows that the rows kept at a size come after, or None if
        nothing is kept there.

    Examples
    --------
    >>> smaller_sizes(512, 16, {64: 0, 128: 64, 256: 64}.get)
    [64, 256]
    >>> smaller_sizes(512, 16, {64: 0, 256: 128}.get)
    [64]
    """
    top = size // 2
    while top >= least:
        found, at = [], top
        while at and (before := kept_after(at)) is not None:
            found.append(at)
            at = before
        if found and not at:
            return found[::-1]
        top //= 2
    return []


def rows_after(parts: Sequence[xr.Dataset], new: xr.Dataset) -> xr.Dataset:
    """Put new rows after those that pieces of smaller designs kept."""
    return xr.Dataset(
        {
            name: (
                values.dims,
                np.concatenate([*(part[f"kept_{name}"].values for part in parts), values.values]),
                values.attrs,
            )
            for name, values in new.data_vars.items()
        },
        {name: coord for name, coord in new.coords.items() if "sample" not in coord.dims},
    )


def without_rows(piece: xr.Dataset) -> xr.Dataset:
    """Return a piece without the rows that it keeps for others."""
    whole = piece.drop_dims(["failed_row", "flagged_row", "kept_row"], errors="ignore")
    return whole.drop_vars(KEPT_AFTER, errors="ignore")


def widest_of(places: Sequence[xr.Dataset]) -> list[float]:
    """Return the width of the widest interval at any place, by base rows."""
    widths = np.stack([place["widest_by_size"].values for place in places])
    return [float(width) for width in widths.max(axis=0)]


def prefixes(size: int, replicates: int) -> Iterator[int]:
    """Yield the sizes of the convergence curve, short of the whole design."""
    rows = max(size // FIRST_SHARE, 2 * replicates, 2)
    while rows < size:
        yield rows
        rows *= 2


def _widths(indices: xr.Dataset, name: str) -> xr.DataArray:
    interval = indices[f"{name}_interval"]
    return interval.sel(ci_bound="upper") - interval.sel(ci_bound="lower")


def widest(indices: xr.Dataset, outcomes: Sequence[str] | None) -> float:
    """Return the width of the widest interval; an outcome that does not vary does not count.

    An index without an interval, because too few rows carry it, is as wide as can be.
    """
    known = indices["outcome"].values.astype(str)
    graded = [name for name in known if not name.startswith("safe_")]
    chosen = indices.sel(outcome=graded if outcomes is None else list(outcomes))
    names = [name for name in ("first", "total", "second") if name in chosen]
    widths = [_widths(chosen, name).fillna(np.inf).where(chosen[name].notnull()) for name in names]
    found = [float(width.max()) for width in widths]
    return max((width for width in found if not np.isnan(width)), default=0.0)


def rows_needed(width: float, rows: int, until: float) -> int:
    """Return the base rows, a power of two, at which the widest interval should be narrow enough.

    Parameters
    ----------
    width : float
        Of the widest interval on so many base rows.
    rows : int
        Base rows.
    until : float
        The width wanted.

    Notes
    -----
    Widths of replicates fall with the square root of the rows, or faster; this takes the root.

    Examples
    --------
    >>> rows_needed(0.08, 1024, 0.02), rows_needed(0.01, 1024, 0.02)
    (16384, 1024)
    """
    needed = rows * max((width / until) ** 2, 1.0)
    return int(2 ** np.ceil(np.log2(needed) - 1e-9))


def curve_of(curve: Sequence[xr.Dataset], widths: Sequence[float]) -> dict[str, xr.DataArray]:
    """Return indices and widths by base rows, from results on designs of growing size."""
    sizes = [int(one.attrs["base_size"]) for one in curve]
    dim = xr.Variable("size", sizes, {"units": "1", "long_name": "base rows"})
    found = {}
    for name in ("first", "total"):
        found[f"{name}_by_size"] = xr.concat([one[name] for one in curve], dim)
        found[f"{name}_width_by_size"] = xr.concat([_widths(one, name) for one in curve], dim)
    found["widest_by_size"] = xr.DataArray(widths, {"size": dim}, "size")
    for name, variable in BY_SIZE.items():
        found[name].attrs = variable.attributes()
    return found
