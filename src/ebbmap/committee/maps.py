"""Maps of a protocol: share of safe lungs over two settings, and what fails elsewhere."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import xarray as xr

from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, single
from ebbmap.committee.base import Part
from ebbmap.committee.draft import Draft
from ebbmap.committee.lungs import MAPS, draw_lungs, solver
from ebbmap.committee.protocol import Protocol
from ebbmap.kernels.judging import judge
from ebbmap.kernels.shares import share_words, shares

#: Which settings a map shows, the first two that have a range.
PREFERRED = ("t_low", "t_low_in_time_constants", "p_high", "t_high", "p_low")

LUNGS = 512
PLACES = 41

VARIABLES: Mapping[str, Variable] = {
    "safe_share": Variable(share_words("safe_share")),
    "undetermined_share": Variable(share_words("undetermined_share")),
    "unsteady_share": Variable(share_words("unsteady_share")),
    "commonest_bound": Variable("limit broken most often", None),
}


def axes_of(draft: Draft) -> tuple[str, str] | None:
    """Return the two settings of the map, or None where fewer than two have a range.

    Examples
    --------
    >>> from ebbmap.committee.draft import Span
    >>> axes_of(Draft({"p_high": Span(20.0, 28.0), "t_low": Span(0.3, 0.6)}))
    ('t_low', 'p_high')
    """
    free = [name for name in PREFERRED if name in draft.free]
    return (free[0], free[1]) if len(free) > 1 else None


def map_draft(protocol: Protocol) -> xr.Dataset | None:
    """Map the safe share of every group over two settings, each over its usual range.

    Parameters
    ----------
    protocol : Protocol
        The protocol.

    Returns
    -------
    xarray.Dataset or None
        Dims (group, y, x): `safe_share`, `undetermined_share`, `unsteady_share`,
        `commonest_bound`; the other settings are half-way through the draft. None where fewer
        than two settings have a range.
    """
    pieces = map_pieces(protocol)
    return None if pieces is None else pieces.whole()


def map_pieces(protocol: Protocol) -> Pieces[xr.Dataset] | None:
    """Return the map as one piece, since it takes no second; see `map_draft`."""
    axes = axes_of(protocol.draft)
    return None if axes is None else single(lambda progress: _map(protocol, *axes))


def _map(protocol: Protocol, x: str, y: str) -> xr.Dataset:
    axes = (x, y)
    wide = protocol.draft.widened()
    middle = {
        name: type(span)(span.middle, span.middle)
        for name, span in protocol.draft.spans.items()
        if name not in axes
    }
    draft = wide.within(middle)
    many = protocol.size("map_places", PLACES)
    unit = np.linspace(0.0, 1.0, many)
    columns = {x: np.tile(unit, many), y: np.repeat(unit, many)}
    places = draft.places(np.stack([columns[name] for name in draft.free], axis=1))
    bounds = [bound.name for bound in protocol.limits.hard]
    rows = []
    for group in protocol.groups:
        drawn = draw_lungs(protocol, group, protocol.size("map_lungs", LUNGS), MAPS)
        shape = (many, many)
        if drawn.size < 2:
            blank = np.full(shape, np.nan)
            rows.append((blank, np.ones(shape), blank, np.full(shape, -1)))
            continue
        solve, m = solver(protocol, draft, drawn, places)
        judged = judge(protocol.limits, solve(slice(0, drawn.size)))
        full = (drawn.size, m)
        counted = shares(
            np.broadcast_to(judged.verdict, full).T.reshape(*shape, -1),
            np.broadcast_to(judged.binding, full).T.reshape(*shape, -1),
            bounds=len(bounds),
        )
        unsteady = np.broadcast_to(judged.unsteady, full).mean(axis=0).reshape(shape)
        rows.append((counted.safe, counted.undetermined, unsteady, counted.commonest))
    safe, unknown, lost, commonest = (np.array(part) for part in zip(*rows, strict=True))
    dims = ("group", y, x)
    data = {
        "safe_share": (dims, safe),
        "undetermined_share": (dims, unknown),
        "unsteady_share": (dims, lost),
        "commonest_bound": (dims, np.array([*bounds, "none"])[commonest]),
    }
    coords = {
        "group": [group.name for group in protocol.groups],
        x: draft.spans[x].at(unit),
        y: draft.spans[y].at(unit),
        "bound": bounds,
    }
    return label_variables(xr.Dataset(data, coords), VARIABLES, axes=axes)


def _cases(protocol: Protocol) -> int:
    places = protocol.size("map_places", PLACES) ** 2
    return len(protocol.groups) * places * protocol.size("map_lungs", LUNGS)


PART = Part(
    name="map",
    pieces=map_pieces,
    variables=VARIABLES,
    cases=_cases,
    lays_out=lambda draft: axes_of(draft) or (),
    at_middle=True,
)
