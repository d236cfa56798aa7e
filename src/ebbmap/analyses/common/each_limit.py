"""What each limit does to a share of safe cases, and how far it is passed, under names.

Sizes: n lungs, m settings of each, k hard bounds, p distances beyond a bound.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable
from ebbmap.kernels.dropping import Dropped, Shifted, drop_each, shift_each
from ebbmap.kernels.excess import TAIL, excess_of
from ebbmap.kernels.judging import bound_margins, cautions_clear
from ebbmap.kernels.shares import share_words
from ebbmap.kernels.tally import clustered_interval
from ebbmap.registries.limits import LimitSet
from ebbmap.registries.outcomes import outcome
from ebbmap.units import display

#: Distances beyond a limit that are counted, in widths of it.
PAST = (0.10, 0.25)

#: How far a limit may lie either way where nobody says, in widths of it: an assumption.
UNSTATED = 0.1

#: What belongs to a limit, whichever lungs are judged by it.
OF_LIMITS = ("spread", "stated", "limit", "width", "unit")

_BY_LUNGS = {"ci_method": "Wilson score at the effective number of lungs"}
_RANGE = "with {what} as far {way} as its uncertainty allows"

VARIABLES: Mapping[str, Variable] = {
    "safe_share": Variable(share_words("safe_share", "{of}")),
    "safe_share_interval": Variable(share_words("safe_share_interval", "{of}"), attrs=_BY_LUNGS),
    "undetermined_share": Variable(share_words("undetermined_share", "{of}")),
    "without_share": Variable("share of all {of} that are safe where this limit does not count"),
    "gained_share": Variable("share of all {of} that only this limit keeps from being safe"),
    "gained_share_interval": Variable(
        "interval of the share of all {of} that only this limit keeps from being safe",
        attrs=_BY_LUNGS,
    ),
    "any_broken_share": Variable("share of all {of} that surely break this limit"),
    "broken_share": Variable(share_words("broken_share", "{of}")),
    "alone_share": Variable("share of all {of} that surely break this limit and no other"),
    "unknown_share": Variable("share of all {of} for which this limit cannot be judged"),
    "spread": Variable("how far this limit may lie either way, in widths of the limit"),
    "stated": Variable("whether the uncertainty of this limit is stated; else it is assumed"),
    "tight_share": Variable(
        f"share of all {{of}} that are safe {_RANGE.format(what='this limit', way='inward')}"
    ),
    "loose_share": Variable(
        f"share of all {{of}} that are safe {_RANGE.format(what='this limit', way='outward')}"
    ),
    "all_tight_share": Variable(
        f"share of all {{of}} that are safe {_RANGE.format(what='every limit', way='inward')}"
    ),
    "all_loose_share": Variable(
        f"share of all {{of}} that are safe {_RANGE.format(what='every limit', way='outward')}"
    ),
    "averaged_share": Variable(
        "share of all {of} that are safe, averaged over the uncertainty of every limit"
    ),
    "expected_excess": Variable(
        "mean distance beyond this limit over the {of} where it is known, in widths of the limit"
    ),
    "past_share": Variable("share of all {of} beyond this limit by more than this distance"),
    "runaway_share": Variable(
        "share of all {of} that break this limit without a number, for want of a steady state"
    ),
    "worst_excess": Variable(
        "mean distance beyond this limit of the worst one in twenty, in widths of the limit; "
        "negative within it, NaN where any has no steady state",
        attrs={"tail": TAIL},
    ),
    "past": Variable("distance beyond a limit, in widths of the limit"),
    "limit": Variable("what is wrong where this limit is broken", None),
    "width": Variable("width of this limit, in its unit", None),
    "unit": Variable("unit of this limit", None),
}


def each_limit(
    limits: LimitSet, outcomes: Mapping[str, np.ndarray], *, level: float, unstated: float
) -> xr.Dataset:
    """Count what each limit of a set does to lungs at some settings.

    Parameters
    ----------
    limits : LimitSet
        With at least one hard limit.
    outcomes : mapping of str to ndarray, shape (n, m)
        Every outcome that the set names.
    level : float
        Level of the intervals; lungs are the sampling unit.
    unstated : float
        How far a limit may lie either way where nobody says, in widths of it.

    Returns
    -------
    xarray.Dataset
        Dims (bound, past); see `VARIABLES`.
    """
    margins = bound_margins(limits.hard, outcomes)
    shape = margins.shape[1:]
    clear = np.broadcast_to(cautions_clear(limits, outcomes), shape).reshape(-1)
    margins = margins.reshape(len(limits.hard), -1)
    spread = np.array([bound.spread(unstated) for bound in limits.hard])
    dropped, shifted = drop_each(margins, clear), shift_each(margins, clear, spread)
    numbers = np.stack([np.broadcast_to(b.margin(outcomes[b.outcome]), shape) for b in limits.hard])
    numbers = numbers.reshape(margins.shape)
    # without a steady state a bound is broken, and nobody can say by how much
    runaway = np.isnan(numbers) & (margins < 0)
    beyond = excess_of(numbers, np.array(PAST), runaway=runaway)
    data = {
        **_shares(dropped, shape, level),
        **_ranges(shifted),
        "undetermined_share": ((), 1.0 - (dropped.safe | dropped.broken.any(axis=0)).mean()),
        "unknown_share": ("bound", np.isnan(margins).mean(axis=1)),
        "spread": ("bound", spread),
        "stated": ("bound", [float(bound.uncertainty is not None) for bound in limits.hard]),
        "expected_excess": ("bound", beyond.expected),
        "past_share": (("past", "bound"), beyond.past),
        "runaway_share": ("bound", runaway.mean(axis=1)),
        "worst_excess": ("bound", beyond.worst),
        "limit": ("bound", [bound.sentence for bound in limits.hard]),
        "width": ("bound", [bound.width for bound in limits.hard]),
        "unit": ("bound", [display(outcome(bound.outcome).units) for bound in limits.hard]),
    }
    names = [bound.name for bound in limits.hard]
    coords = {"bound": names, "past": list(PAST), "ci_bound": ["lower", "upper"]}
    return xr.Dataset(data, coords)


def nothing_known(limits: LimitSet) -> xr.Dataset:
    """Return what `each_limit` would, of lungs of which there are none: limits, and NaN."""
    unknown = {name: np.full((2, 1), np.nan) for name in limits.outcomes}
    found = each_limit(limits, unknown, level=0.95, unstated=UNSTATED)
    return found.assign({n: found[n] * np.nan for n in found.data_vars if n not in OF_LIMITS})


def same_everywhere(dataset: xr.Dataset, dim: str) -> xr.Dataset:
    """Return a result in which what belongs to limits alone does not repeat along a dimension."""
    return dataset.assign({name: dataset[name].isel({dim: 0}) for name in OF_LIMITS})


def _shares(dropped: Dropped, shape: tuple[int, ...], level: float) -> dict[str, Any]:
    """Return shares of what is dropped, and intervals of two of them over lungs."""
    gained = dropped.gained
    return {
        "safe_share": ((), dropped.safe.mean()),
        "safe_share_interval": ("ci_bound", _over_lungs(dropped.safe, shape, level)),
        "without_share": ("bound", dropped.without.mean(axis=1)),
        "gained_share": ("bound", gained.mean(axis=1)),
        "gained_share_interval": (
            ("ci_bound", "bound"),
            np.stack([_over_lungs(one, shape, level) for one in gained], axis=1),
        ),
        "any_broken_share": ("bound", dropped.broken.mean(axis=1)),
        "broken_share": ("bound", dropped.most.mean(axis=1)),
        "alone_share": ("bound", dropped.alone.mean(axis=1)),
    }


def _over_lungs(cases: np.ndarray, shape: tuple[int, ...], level: float) -> list[float]:
    """Return the ends of the interval of a share of cases, those of one lung taken together."""
    _, low, high = clustered_interval([cases.reshape(shape).mean(axis=1)], [1.0], level)
    return [low, high]


def _ranges(shifted: Shifted) -> dict[str, Any]:
    return {
        "tight_share": ("bound", shifted.tight.mean(axis=1)),
        "loose_share": ("bound", shifted.loose.mean(axis=1)),
        "all_tight_share": ((), shifted.all_tight.mean()),
        "all_loose_share": ((), shifted.all_loose.mean()),
        "averaged_share": ((), shifted.averaged.mean()),
    }
