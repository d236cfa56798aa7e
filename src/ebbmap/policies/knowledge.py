"""A policy on populations as they may be: the interval of knowledge of what it yields.

The outer draws of a group are simulated side by side, with the same random numbers in each.
Sizes: m outer draws, g groups and one row for everybody, h hours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import xarray as xr

from ebbmap.analyses.common.knowledge import DRAW, add_intervals, with_intervals_of_knowledge
from ebbmap.cases.labelling import Variable
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.knowledge import asked_again
from ebbmap.committee.verdict import ALL, LEVEL
from ebbmap.kernels.knowledge import check_draws
from ebbmap.policies.bedside import STAYED
from ebbmap.policies.cohort import draw_cohort, side_by_side
from ebbmap.policies.language import Policy
from ebbmap.policies.simulate import Simulation
from ebbmap.policies.yields import VARIABLES, hours_of

#: Patients of each group in every outer draw, at most, and draws that are simulated together.
OUTER_PATIENTS, TOGETHER = 256, 10

#: The numbers whose intervals of knowledge are found.
KNOWN = ("safe_share", "arrived_share", "left_mode_share", "oscillating_share", "changes")

DECLARED: Mapping[str, Variable] = {
    name: variable
    for name, variable in with_intervals_of_knowledge(VARIABLES).items()
    if name in [f"{one}_knowledge" for one in KNOWN]
}


def knowledge_pieces(policy: Policy) -> Pieces[xr.Dataset]:
    """Cut the trials on populations as they may be into groups and batches of outer draws.

    Each draw takes the same patients but for what moved, no more than `OUTER_PATIENTS` of a group.

    Returns
    -------
    Pieces of Dataset
        Dims (draw, group, hour): by how much each of `KNOWN` differs from that of the populations
        as they are taken to be, for the same patients.
    """
    draws, groups = policy.protocol.knowledge, policy.protocol.groups
    check_draws(draws, LEVEL)
    batches = [
        range(start, min(start + TOGETHER, 1 + draws)) for start in range(0, 1 + draws, TOGETHER)
    ]
    places = [(group, batch) for group in range(len(groups)) for batch in batches]

    def solve(number: int, progress: Progress) -> xr.Dataset:
        return outer_shares(policy, *places[number])

    def join(found: list[xr.Dataset]) -> xr.Dataset:
        count = len(batches)
        rows = [
            xr.concat(found[start : start + count], dim=DRAW, join="exact")
            for start in range(0, len(found), count)
        ]
        names = [group.name for group in groups]
        table = xr.concat(rows, dim=xr.Variable("group", names), join="exact")
        weights = xr.DataArray([group.weight for group in groups], {"group": names})
        whole = (table * weights / weights.sum()).sum("group", skipna=False)
        table = xr.concat([table, whole.expand_dims(group=[ALL])], dim="group", join="exact")
        return table.isel({DRAW: slice(1, None)}) - table.isel({DRAW: 0}, drop=True)

    return listed(len(places), solve, join)


def outer_shares(policy: Policy, group: int, draws: range) -> xr.Dataset:
    """Return the shares of a group in some outer draws; 0 stands for no draw at all.

    Parameters
    ----------
    policy : Policy
        The policy.
    group : int
        Number of the group.
    draws : range
        Numbers of the draws, counted from 1.

    Returns
    -------
    xarray.Dataset
        Dims (draw, hour); NaN where nobody gets the mode.
    """
    protocol = policy.protocol
    few = replace(protocol, lungs=min(protocol.lungs, OUTER_PATIENTS))
    cohorts = []
    for draw in draws:
        asked = asked_again(few, draw - 1) if draw else few
        own = replace(policy, protocol=asked)
        cohorts.append(draw_cohort(own, asked.groups[group], asked.lungs))
    sizes = [one.size for one in cohorts]
    hours = hours_of(policy.hours)
    safe = np.full((len(sizes), len(hours)), np.nan)
    single = {name: np.full(len(sizes), np.nan) for name in KNOWN[1:]}
    if sum(sizes):
        where = np.concatenate([np.arange(size) for size in sizes])
        course = Simulation(policy, side_by_side(cohorts), where).run(60 * policy.hours)
        ends = np.cumsum(sizes)
        for row, (size, end) in enumerate(zip(sizes, ends, strict=True)):
            here = slice(end - size, end)
            if size:
                safe[row] = course.safe_at[hours, here].mean(axis=1)
                single["arrived_share"][row] = np.isfinite(course.first_safe[here]).mean()
                single["left_mode_share"][row] = (course.left[here] != STAYED).mean()
                single["oscillating_share"][row] = (course.reversals[here] > 0).mean()
                single["changes"][row] = course.changes[here].mean() / (policy.hours / 24.0)
    data = {name: (DRAW, values) for name, values in single.items()}
    return xr.Dataset({"safe_share": ((DRAW, "hour"), safe), **data}, {"hour": hours})


def add_knowledge(yields: xr.Dataset, moved: xr.Dataset) -> None:
    """Add to what a policy yields the intervals of knowledge.

    Parameters
    ----------
    yields : Dataset
        As `find_yields` gives it.
    moved : Dataset
        As the pieces of `knowledge_pieces` come to.
    """
    moved = moved.sel(group=yields["group"].values)
    drawn = (yields[list(KNOWN)].drop_attrs() + moved).clip(0.0)
    shares = [name for name in KNOWN if name.endswith("share")]
    drawn = drawn.assign(drawn[shares].clip(max=1.0))
    add_intervals(yields, drawn, DECLARED, LEVEL)
