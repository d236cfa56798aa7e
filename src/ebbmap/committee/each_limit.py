"""How much of a verdict is each limit's doing, and how far the limits are passed.

Sizes: n lungs, m settings.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from ebbmap.analyses.common.each_limit import (
    UNSTATED,
    each_limit,
    nothing_known,
    same_everywhere,
)
from ebbmap.analyses.common.each_limit import VARIABLES as OF_ANY
from ebbmap.cases.labelling import Variable, label_variables
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.base import Part
from ebbmap.committee.lungs import VERDICT, draw_lungs, solver, unit_settings
from ebbmap.committee.protocol import Protocol
from ebbmap.committee.verdict import COMBINATIONS, LEVEL

#: Combinations of each group that are looked at, at most: the first lungs of the verdict at all of
#: its settings.
CASES = 2**17

VARIABLES = {
    name: Variable(one.long_name.format(of=COMBINATIONS), one.units, one.attrs)
    for name, one in OF_ANY.items()
}


def find_each_limit(protocol: Protocol) -> xr.Dataset:
    """Find what each limit does to the verdict on every group.

    Parameters
    ----------
    protocol : Protocol
        The protocol.

    Returns
    -------
    xarray.Dataset
        Dims (group, bound): the share that is safe without each limit, shares over the limits'
        uncertainty, and how far limits are passed. NaN where fewer than two lungs get the mode.
    """
    return limit_pieces(protocol).whole()


def limit_pieces(protocol: Protocol) -> Pieces[xr.Dataset]:
    """Cut the work into groups; see `find_each_limit`."""

    def solve(number: int, progress: Progress) -> xr.Dataset:
        drawn = draw_lungs(protocol, protocol.groups[number], protocol.lungs, VERDICT)
        drawn = drawn.first(_lungs(protocol))
        if drawn.size < 2:
            return nothing_known(protocol.limits)
        draft = protocol.draft
        unit = unit_settings(protocol, draft, protocol.settings_drawn, "", VERDICT)
        solve_lungs, settings = solver(protocol, draft, drawn, draft.places(unit))
        solved = solve_lungs(slice(None))
        shape = (drawn.size, settings)
        outcomes = {n: np.broadcast_to(solved[n], shape) for n in protocol.limits.outcomes}
        if progress is not None:
            progress(drawn.size * settings)
        return each_limit(protocol.limits, outcomes, level=LEVEL, unstated=UNSTATED)

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        names = [group.name for group in protocol.groups]
        whole = same_everywhere(xr.concat(found, dim=xr.Variable("group", names)), "group")
        label_variables(whole, VARIABLES)
        for name in ("safe_share", "gained_share"):
            whole[f"{name}_interval"].attrs["ci_level"] = LEVEL
        return whole

    return listed(len(protocol.groups), solve, join)


def _settings(protocol: Protocol) -> int:
    return protocol.settings_drawn if protocol.draft.free else 1


def _lungs(protocol: Protocol) -> int:
    return min(protocol.lungs, max(2, CASES // _settings(protocol)))


PART = Part(
    name="limits",
    pieces=limit_pieces,
    variables=VARIABLES,
    cases=lambda protocol: len(protocol.groups) * _lungs(protocol) * _settings(protocol),
)
