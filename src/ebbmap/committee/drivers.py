"""What drives the verdict: Sobol indices of the margin, and what parts safe from unsafe lungs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import xarray as xr

from ebbmap.analyses.sobol import Sobol, sobol_pieces
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Found, Pieces, Progress
from ebbmap.committee.base import Part
from ebbmap.committee.counting import GroupCount
from ebbmap.committee.draft import T_LOW, Draft
from ebbmap.committee.lungs import question_of
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.rules import TAKEN
from ebbmap.errors import NonFiniteOutcomeError
from ebbmap.kernels.shares import largest_gap
from ebbmap.registries.parameters import PARAMETERS

#: Size of the design, and places along T low.
BASE_SIZE = 1024
PLACES = 5

#: A lung counts as served where at least this share of the range is safe for it.
SERVED = 0.5

#: Lungs on each side of a comparison, at least.
FEWEST = 10

_IN_UNITS = {"comment": "in registry units"}

VARIABLES: Mapping[str, Variable] = {
    "gap": Variable("distance between served and other lungs in this property"),
    "served_median": Variable("median of the lungs served", attrs=_IN_UNITS),
    "other_median": Variable("median of the other lungs", attrs=_IN_UNITS),
}


def drive_margin(protocol: Protocol) -> xr.Dataset | None:
    """Estimate total Sobol indices of the safety margin over the draft's ranges and the lungs.

    Parameters
    ----------
    protocol : Protocol
        The protocol.

    Returns
    -------
    xarray.Dataset or None
        As `find_sobol`, along T low (in time constants where the draft sets it so). None where
        P high, P low or T high is read from the lung, or margins could not be judged: the indices
        need independent factors, each with a number.
    """
    pieces = margin_pieces(protocol)
    return None if pieces is None else pieces.whole()


def margin_pieces(protocol: Protocol) -> Pieces[xr.Dataset | None] | None:
    """Cut the indices into one population at one place; see `drive_margin`."""
    draft = protocol.draft
    if draft.rules.keys() - {"t_low"}:
        return None
    along = along_of(draft)
    question = question_of(protocol)
    question = replace(
        question,
        fixed={name: value for name, value in question.fixed.items() if name not in T_LOW},
        samples={n: marginal for n, marginal in question.samples.items() if n not in T_LOW},
    )
    options = Sobol(
        along=along,
        base_size=protocol.size("driver_rows", BASE_SIZE),
        second_order=False,
        outcomes=["release_volume_per_kg"],
    )
    asked = sobol_pieces(question, options, {along: _places(draft, along)})

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


def along_of(draft: Draft) -> str:
    """Return the parameter whose values are the places: T low, in the form that the draft has."""
    by_multiple = "t_low_in_time_constants" in draft.spans and TAKEN not in draft.spans
    return "t_low_in_time_constants" if by_multiple else "t_low"


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
    data = {"gap": (dims, gap), "served_median": (dims, served), "other_median": (dims, other)}
    coords = {"group": [one.group.name for one in counted], "property": names}
    return label_variables(xr.Dataset(data, coords), VARIABLES)


def _cases(protocol: Protocol) -> int:
    factors = len(protocol.properties) + len(protocol.draft.free)
    return len(protocol.groups) * PLACES * protocol.size("driver_rows", BASE_SIZE) * (factors + 2)


PART = Part(
    name="drivers",
    pieces=margin_pieces,
    cases=_cases,
    lays_out=lambda draft: (along_of(draft),),
    factors=True,
)

PARTING = Part(
    name="parting",
    needs="verdict",
    result=lambda protocol, counted: part_lungs(counted),
    variables=VARIABLES,
)
