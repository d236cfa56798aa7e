"""Tables and sentences of other numbers in a policy's rules: single changes, and the front."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from ebbmap.tables.model import SHARE, SIGNED_SHARE, TENTHS, Column, Table, table, triple

#: Single changes that are listed.
LISTED = 10

#: What no search of this kind says.
NO_CLAIM = (
    "This is what holds for invented patients in this model, not that it is right for patients."
)


def single_table(mended: xr.Dataset) -> Table:
    """Return the single changes that gain most, on the patients of the search."""
    single = mended.isel(candidate=np.flatnonzero(mended["changed"].values == 1))
    order = np.lexsort((single["changes"].values, -single["gain"].values))[:LISTED]
    base = mended.isel(candidate=0)
    columns = [
        "single change",
        Column("change of the safe share", SIGNED_SHARE, interval=True),
        Column("changes a day", TENTHS),
    ]
    rows = [
        (
            str(one["words"].values),
            triple(float(one["gain"]), one["gain_interval"].values),
            float(one["changes"]),
        )
        for one in (single.isel(candidate=int(place)) for place in order)
    ]
    title = (
        f"Single changes that gain most: {single.sizes['candidate']} of "
        f"{mended.attrs['singles']} were tried; {float(base['changes']):.1f} changes a day as it is"
    )
    return table(title, columns, rows, name="mended")


def front_table(mended: xr.Dataset) -> Table:
    """Return the front of safe share against changes, with its trial on fresh patients."""
    kept = mended["front"].values | np.isfinite(mended["fresh_share"].values)
    front = mended.isel(candidate=np.flatnonzero(kept))
    columns = [
        "what is changed",
        Column("safe in the search", SHARE),
        Column("changes a day", TENTHS),
        Column("safe, fresh patients", SHARE),
        Column("change of the safe share, fresh patients", SIGNED_SHARE, interval=True),
        Column("changes a day, fresh patients", TENTHS),
    ]
    rows = [
        (
            str(one["words"].values),
            float(one["share"]),
            float(one["changes"]),
            float(one["fresh_share"]),
            triple(float(one["fresh_gain"]), one["fresh_gain_interval"].values),
            float(one["fresh_changes"]),
        )
        for one in (
            front.isel(candidate=int(place))
            for place in np.argsort(front["changes"].values, kind="stable")
        )
    ]
    title = "Safe for most against fewest changes: no other that was tried betters these in both"
    return table(title, columns, rows, name="front", notes=[NO_CLAIM])


def mended_sentence(mended: xr.Dataset) -> str:
    """Return which single change gains most, how it does on fresh patients, and the budget."""
    certified = np.isfinite(mended["fresh_share"].values) & (mended["changed"].values == 1)
    single = mended.isel(candidate=np.flatnonzero(certified))
    budget = (
        f"{mended.sizes['candidate']} of at most {mended.attrs['budget']} policies were tried on "
        f"the same {mended.attrs['patients']:,} patients, the best on "
        f"{mended.attrs['fresh_patients']:,} fresh ones. {NO_CLAIM}"
    )
    if not single.sizes["candidate"]:
        return budget
    best = single.isel(candidate=int(np.argmax(single["gain"].values)))
    gain, low, high = (
        100.0 * value for value in (float(best["fresh_gain"]), *best["fresh_gain_interval"].values)
    )
    known = f" ({low:+.1f} to {high:+.1f})" if np.isfinite(low + high) else ""
    return (
        f"The single change that gains most in the search is {best['words'].item()}: "
        f"{100.0 * float(best['gain']):+.1f} points of the safe share there, {gain:+.1f}{known} on "
        f"fresh patients. {budget}"
    )


def mended_document(mended: xr.Dataset) -> list[dict[str, Any]]:
    """Return every candidate that was tried as plain data, the policy as it is first."""
    return [
        {
            "changes": str(one["words"].values),
            "safe": float(one["share"]),
            "gain": float(one["gain"]),
            "interval": one["gain_interval"].values,
            "changes_a_day": float(one["changes"]),
            "front": bool(one["front"]),
            "fresh_safe": float(one["fresh_share"]),
            "fresh_gain": float(one["fresh_gain"]),
            "fresh_interval": one["fresh_gain_interval"].values,
        }
        for one in (mended.isel(candidate=n) for n in range(mended.sizes["candidate"]))
    ]
