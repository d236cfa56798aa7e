"""Where start-up cycles matter: how near a lung is to its settled cycle a minute after the start.

The simulation takes the cycle as settled from the first minute on; this says for whom that is so.
Sizes: n patients.
"""

from __future__ import annotations

import math

import numpy as np
import xarray as xr

from ebbmap.cases.evaluate import evaluate, start_up
from ebbmap.cases.pieces import Pieces, Progress, listed
from ebbmap.committee.verdict import ALL
from ebbmap.policies.cohort import draw_cohort
from ebbmap.policies.language import Policy, release_rate

#: Patients of each group that are looked at, and the pressure before the mode begins [cmH2O].
PATIENTS, BEFORE = 64, 5.0

#: Settled: the released volume is this near to that of the settled cycle (our choice).
NEAR = 0.01

#: What is looked at.
LOOKED_AT = "release_volume"


def settled_share(policy: Policy, group: int) -> float:
    """Return the share of a group whose cycle is settled one minute after the mode begins.

    Parameters
    ----------
    policy : Policy
        The policy.
    group : int
        Number of the group.

    Returns
    -------
    float
        NaN where nobody gets the mode.
    """
    count = min(PATIENTS, policy.protocol.lungs)
    cohort = draw_cohort(policy, policy.protocol.groups[group], count)
    if not cohort.size:
        return math.nan
    values = {**cohort.values, **cohort.settings}
    lung, done = policy.protocol.lung, np.floor(release_rate(cohort.settings)).astype(int)
    first = start_up(
        lung, values, start_pressure=BEFORE, cycles=int(done.max()), names=(LOOKED_AT,)
    )[LOOKED_AT]
    last = first[np.arange(cohort.size), done - 1]
    settled = evaluate(lung, values, (LOOKED_AT,)).outcomes[LOOKED_AT]
    return float(np.mean(np.abs(last - settled) <= NEAR * np.abs(settled)))


def settling_pieces(policy: Policy) -> Pieces[xr.DataArray]:
    """Cut the look at start-up cycles into groups."""
    groups = policy.protocol.groups

    def solve(number: int, progress: Progress) -> xr.Dataset:
        return xr.Dataset({"settled_share": settled_share(policy, number)})

    def join(found: list[xr.Dataset]) -> xr.DataArray:
        shares = np.array([float(one["settled_share"]) for one in found])
        weights = np.array([one.weight for one in groups])
        known = np.isfinite(shares)
        whole = float(weights[known] @ shares[known] / weights[known].sum())
        names = [*(group.name for group in groups), ALL]
        return xr.DataArray([*shares, whole], {"group": names}, name="settled_share")

    return listed(len(groups), solve, join)
