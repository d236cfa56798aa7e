"""What `foretell` counts of its releases, under names.

Sizes: n lungs, k thresholds, w weightings of the lungs, of which the first is all of them once.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable
from ebbmap.kernels.foretelling import Foretold, best_rule
from ebbmap.kernels.judging import judge
from ebbmap.kernels.shares import wilson
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.parameters import SPONTANEOUS

_CHOSEN = "share of all lungs that {what} with T low chosen at this threshold"
_BY_LUNGS = {"ci_method": "bootstrap of lungs, percentile"}
_OF_RELEASES = {
    "kept_share": "share of all releases within this threshold",
    "kept_unharmed_share": "share unharmed of the releases within this threshold",
    "broken_unharmed_share": "share unharmed of the releases beyond this threshold",
    "sensitivity": "share of harmed releases that are beyond this threshold",
    "specificity": "share of unharmed releases that are within this threshold",
    "youden": "sensitivity plus specificity less one; below 0 harm lies within the threshold",
}
_BAND = {
    "best_first": "threshold from which a release keeps the best rule; NaN: open",
    "best_last": "threshold up to which a release keeps the best rule; NaN: open",
    "best_youden": "sensitivity plus specificity less one of the best rule",
    "best_kept_unharmed_share": "share unharmed of the releases that keep the best rule",
    "best_broken_unharmed_share": "share unharmed of the releases that break the best rule",
    "best_sensitivity": "share of harmed releases that break the best rule",
    "best_specificity": "share of unharmed releases that keep the best rule",
}

VARIABLES: Mapping[str, Variable] = {
    "threshold": Variable("threshold of the way of choosing T low, in the way's unit", None),
    "chosen_t_low": Variable("T low chosen at this threshold, median over lungs", "s"),
    "unharmed_share": Variable(_CHOSEN.format(what="surely break no hard limit")),
    "unharmed_share_interval": Variable(
        f"interval of the {_CHOSEN.format(what='surely break no hard limit')}",
        attrs={"ci_method": "Wilson score"},
    ),
    "undetermined_share": Variable(_CHOSEN.format(what="could not be determined")),
    "unreached_share": Variable(_CHOSEN.format(what="have no such T low in what is searched")),
    "harm_share": Variable(_CHOSEN.format(what="surely break this limit")),
    "unharmed_releases": Variable("share of all releases that surely break no hard limit"),
    "undetermined_releases": Variable("share of all releases that could not be determined"),
    **{name: Variable(text) for name, text in {**_OF_RELEASES, **_BAND}.items()},
    **{
        f"{name}_interval": Variable(f"interval of the {text}", attrs=_BY_LUNGS)
        for name, text in {**_OF_RELEASES, **_BAND}.items()
    },
}


def after_choosing(
    limits: LimitSet, outcomes: Mapping[str, np.ndarray], level: float
) -> xr.Dataset:
    """Count the lungs that are harmed where T low is chosen at each threshold."""
    judged = judge(limits, outcomes)
    n = judged.verdict.shape[1]
    unharmed = judged.safe.sum(axis=1)
    dims = (SPONTANEOUS, "step")
    return xr.Dataset(
        {
            "unharmed_share": (dims, unharmed / n),
            "unharmed_share_interval": (("ci_bound", *dims), np.stack(wilson(unharmed, n, level))),
            "undetermined_share": (dims, (~judged.determined).mean(axis=1)),
            "harm_share": (("bound", *dims), judged.bound_broken.mean(axis=2)),
        },
        {"bound": [bound.name for bound in limits.hard], "ci_bound": ["lower", "upper"]},
    )


def scores_of(told: Foretold, thresholds: np.ndarray, level: float) -> xr.Dataset:
    """Return every score with its interval, from those of all lungs and of resamples."""
    by_step = {
        "kept_share": told.kept_share,
        "kept_unharmed_share": told.kept_unharmed,
        "broken_unharmed_share": told.broken_unharmed,
        "sensitivity": told.sensitivity,
        "specificity": told.specificity,
        "youden": told.youden,
    }
    data: dict[str, Any] = {}
    for name, values in by_step.items():
        data[name] = ("step", values[0])
        data[f"{name}_interval"] = (("ci_bound", "step"), _percentiles(values[1:], level))
    for name, values in best_rule(told, thresholds).items():
        data[name] = ((), values[0])
        data[f"{name}_interval"] = ("ci_bound", _percentiles(values[1:], level))
    return xr.Dataset(data)


def _percentiles(values: np.ndarray, level: float) -> np.ndarray:
    """Return the ends of the interval of resampled values, shape (m, ...) to (2, ...).

    NaN where any resample has none, since an end that is open has no place.
    """
    return np.quantile(values, [0.5 - level / 2.0, 0.5 + level / 2.0], axis=0)
