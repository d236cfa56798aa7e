"""The cells of a map: verdicts counted, for some of the cases at a time, and turned into shares."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from ebbmap.kernels.dropping import kept_probability
from ebbmap.kernels.judging import Judgement, cautions_clear, judge
from ebbmap.kernels.shares import shares_of_counts, verdict_counts
from ebbmap.registries.limits import LimitSet

#: What is counted behind every cell, besides the limits that are broken.
_COUNTS = ("safe", "caution", "undetermined", "unsteady")


def count_cells(solved: xr.Dataset, limits: LimitSet, options: Any) -> tuple[xr.Dataset, Judgement]:
    """Judge cases, and count the verdicts behind every cell.

    Parameters
    ----------
    solved : Dataset
        Outcomes, dims (y, x, ...).
    limits : LimitSet
        What judges.
    options : Options
        Those of a map: its two axes, and whether it averages over the limits' uncertainty.

    Returns
    -------
    Dataset
        Counts, dims (y, x) and (bound, y, x); `averaged` is a sum of probabilities.
    Judgement
        Of every case, shape (y, x, n).
    """
    x, y = options.x, options.y
    cells = (solved.sizes[y], solved.sizes[x])
    outcomes = {n: solved[n].values.reshape(*cells, -1) for n in limits.outcomes}
    judged = judge(limits, outcomes)
    bounds = bounds_of(limits)
    *counts, broken = verdict_counts(judged.verdict, judged.binding, bounds=len(bounds))
    counts.append(judged.unsteady.sum(axis=-1))
    counted = xr.Dataset(
        {name: ((y, x), count) for name, count in zip(_COUNTS, counts, strict=True)},
        {x: solved[x], y: solved[y], "bound": bounds},
    ).assign(broken=(("bound", y, x), broken))
    if options.over_limits is not None:
        spread = [bound.spread(options.over_limits) for bound in limits.hard]
        kept = kept_probability(judged.bound_margin, np.array(spread)).prod(axis=0)
        clear = cautions_clear(limits, outcomes)
        counted["averaged"] = ((y, x), (kept * clear).sum(axis=-1))
    return counted, judged


def bounds_of(limits: LimitSet) -> list[str]:
    """Return the names of the hard bounds."""
    return [bound.name for bound in limits.hard]


def cell_shares(counted: xr.Dataset, cases: int, options: Any) -> xr.Dataset:
    """Turn counts into shares.

    Parameters
    ----------
    counted : Dataset
        As `count_cells` gives it, of one rule, or added up over batches of cases.
    cases : int
        Cases behind every cell.
    options : Options
        Those of a map.
    """
    x, y = options.x, options.y
    safe, caution, unknown, unsteady = (counted[name].values for name in _COUNTS)
    broken = counted["broken"].values
    found = shares_of_counts(safe, caution, unknown, broken, cases=cases, level=options.level)
    named = np.array([*counted["bound"].values.tolist(), "none"])[found.commonest]
    rows = xr.Dataset(
        {
            "safe_share": ((y, x), found.safe),
            "safe_share_interval": (
                ("ci_bound", y, x),
                np.stack([found.safe_low, found.safe_high]),
            ),
            "caution_share": ((y, x), found.caution),
            "undetermined_share": ((y, x), found.undetermined),
            "unsteady_share": ((y, x), unsteady / cases),
            "broken_share": (("bound", y, x), found.broken),
            "commonest_bound": ((y, x), named),
        },
        {x: counted[x], y: counted[y], "bound": counted["bound"], "ci_bound": ["lower", "upper"]},
    )
    if "averaged" in counted:
        rows["averaged_share"] = ((y, x), counted["averaged"].values / cases)
    return rows
