"""What drives the verdict: Sobol indices of the margin, and what parts safe from unsafe lungs."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from ebbmap.analysis.committee.verdict import GroupCount
from ebbmap.analysis.drivers import driver_pieces
from ebbmap.analysis.kernels.shares import largest_gap
from ebbmap.cases import Question
from ebbmap.draft import Draft
from ebbmap.errors import NonFiniteOutcomeError
from ebbmap.labelling import describe
from ebbmap.parameters import PARAMETERS
from ebbmap.pieces import Found, Pieces, Progress
from ebbmap.populations import Marginal
from ebbmap.protocol import Protocol

#: Size of the design, and places along T low.
BASE_SIZE = 1024
PLACES = 5

#: A lung counts as served where at least this share of the range is safe for it.
SERVED = 0.5


def drive_margin(protocol: Protocol) -> xr.Dataset | None:
    """Estimate total Sobol indices of the safety margin over the draft's ranges and the lungs.

    Parameters
    ----------
    protocol : Protocol
        The protocol.

    Returns
    -------
    xarray.Dataset or None
        As `find_drivers`, along T low (in time constants where the draft sets it so). None where
        P high comes from a rule or margins could not be judged: the indices need independent
        factors, each with a number.
    """
    pieces = margin_pieces(protocol)
    return None if pieces is None else pieces.whole()


def margin_pieces(protocol: Protocol) -> Pieces[xr.Dataset | None] | None:
    """Cut the indices into one population at one place; see `drive_margin`."""
    draft = protocol.draft
    if "p_high" in draft.rules:
        return None
    along = "t_low_in_time_constants" if "t_low_in_time_constants" in draft.spans else "t_low"
    samples = {name: Marginal("uniform", draft.spans[name].low, draft.spans[name].high, "draft")
               for name in draft.free if name != along}  # fmt: skip
    held = {name: draft.spans[name].low for name in draft.spans
            if name not in draft.free and name != along}  # fmt: skip
    question = Question(
        protocol.file.lung,
        {**held, **{name: float(value) for name, value in protocol.file.fixed.items()}},
        samples,
        tuple(group.population for group in protocol.groups),
        {"limits": protocol.limits},
        protocol.file.lungs,
        protocol.file.seed,
    )
    asked = driver_pieces(
        question, along=along, grid=_places(draft, along), base_size=BASE_SIZE,
        second_order=False, outcomes=("release_volume_per_kg",),
    )  # fmt: skip

    def solve(name: str, found: Found, progress: Progress) -> xr.Dataset:
        try:
            return asked.solve(name, found, progress)
        except NonFiniteOutcomeError:
            return xr.Dataset()

    def join(found: Found) -> xr.Dataset | None:
        if not all(found[name].data_vars for name in asked.wanted(found)):
            return None
        return asked.join(found).sel(outcome=["margin_limits"])

    return Pieces(asked.wanted, solve, join)


def _places(draft: Draft, along: str) -> np.ndarray:
    span = draft.spans.get(along)
    if span is not None and not span.fixed:
        return np.linspace(span.low, span.high, PLACES)
    entry = PARAMETERS[along]
    return np.geomspace(entry.usual_low, entry.usual_high, PLACES)


def part_lungs(counted: list[GroupCount]) -> xr.Dataset:
    """Compare the properties of lungs that the draft serves with those of lungs it does not.

    Parameters
    ----------
    counted : list of GroupCount
        As `count_groups` gives them.

    Returns
    -------
    xarray.Dataset
        Dims (group, property): `gap`, the largest distance of the two distributions (0: alike,
        1: apart), and the medians of both; NaN where fewer than ten lungs are on a side.

    References
    ----------
    Hornberger GM, Spear RC, J Environ Manage 1981;12:7 (from memory): mapping of factors by the
    two-sample distance of Kolmogorov and Smirnov.
    """
    names = list(dict.fromkeys(n for one in counted for n in one.drawn.values))
    shape = (len(counted), len(names))
    gap, served, other = (np.full(shape, np.nan) for _ in range(3))
    for row, one in enumerate(counted):
        if one.inside is None:
            continue
        yes = one.inside.safe_share >= SERVED
        values: Mapping[str, np.ndarray] = one.drawn.values
        for column, name in enumerate(names):
            if name in values and min(yes.sum(), (~yes).sum()) >= FEWEST:
                inside, outside = values[name][yes], values[name][~yes]
                gap[row, column] = largest_gap(inside, outside)
                served[row, column] = np.median(inside)
                other[row, column] = np.median(outside)
    dims = ("group", "property")
    data = xr.Dataset(coords={"group": [one.group.name for one in counted], "property": names})
    data["gap"] = describe(
        xr.DataArray(gap, dims=dims), "distance between served and other lungs in this property"
    )
    for key, table, text in (
        ("served_median", served, "median of the lungs served"),
        ("other_median", other, "median of the other lungs"),
    ):
        data[key] = describe(xr.DataArray(table, dims=dims), text, comment="in registry units")
    return data


#: Lungs on each side of a comparison, at least.
FEWEST = 10
