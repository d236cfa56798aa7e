"""The best setting for everybody that nobody changes: searched on lungs of its own.

Sizes: m settings, n patients.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import qmc

from ebbmap.committee.lungs import SEARCH, streams
from ebbmap.kernels.judging import bound_margins
from ebbmap.policies.bedside import LEAST_DROP
from ebbmap.policies.body import Bodies
from ebbmap.policies.cohort import draw_cohort, on_other_patients
from ebbmap.policies.language import MOVABLE, Policy
from ebbmap.policies.on_lungs import settle
from ebbmap.registries.parameters import PARAMETERS

#: Settings that are looked at, and patients of each group on whom.
LOOKED_AT, PATIENTS = 256, 64

#: Patients at a setting that are solved at once.
AT_ONCE = 4096

#: Settings that are looked at again, on so many more patients.
AGAIN, MORE = 16, 4


def settings_looked_at(policy: Policy) -> dict[str, np.ndarray]:
    """Lay settings evenly over usual practice, on the policy's dial, shape (m,) each."""
    rng = np.random.default_rng(streams(policy.protocol, "fixed setting", SEARCH)[0])
    unit = qmc.Sobol(len(MOVABLE), rng=rng).random(LOOKED_AT)
    found = {}
    for name, place in zip(MOVABLE, unit.T, strict=True):
        entry = PARAMETERS[name]
        span = entry.usual_high - entry.usual_low
        found[name] = policy.on_dial(name, entry.usual_low + span * place)
    found["p_low"] = np.minimum(found["p_low"], found["p_high"] - LEAST_DROP)
    return found


def safe_shares(policy: Policy, group: int, tried: Sequence[int], patients: int) -> np.ndarray:
    """Return the share of a group's patients who settle safely at each setting.

    Parameters
    ----------
    policy : Policy
        The policy.
    group : int
        Number of the group.
    tried : sequence of int, length m
        Numbers of the settings among those looked at.
    patients : int
        Drawn for this alone.

    Returns
    -------
    ndarray, shape (m,)
        0 where nobody gets the mode.
    """
    apart = on_other_patients(policy, "fixed setting")
    cohort = draw_cohort(apart, policy.protocol.groups[group], patients)
    bodies, settings = Bodies(policy), settings_looked_at(policy)
    if not cohort.size:
        return np.zeros(len(tried))
    shares: list[float] = []
    for start in range(0, len(tried), most := max(1, AT_ONCE // cohort.size)):
        numbers = np.array(tried[start : start + most])
        here = cohort.part(np.tile(np.arange(cohort.size), numbers.size))
        tables = {
            name: np.repeat(values[numbers], cohort.size) for name, values in settings.items()
        }
        now = settle(bodies, here, tables).now
        with np.errstate(invalid="ignore"):
            safe = np.all(bound_margins(policy.protocol.limits.hard, now) >= 0.0, axis=0)
        shares += safe.reshape(numbers.size, cohort.size).mean(axis=1).tolist()
    return np.array(shares)


def best_first(shares: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return the numbers of settings, the one safe for most of all patients first.

    Parameters
    ----------
    shares : ndarray, shape (g, m)
        Of each group.
    weights : ndarray, shape (g,)
        Shares of all patients.
    """
    return np.argsort(-(weights @ shares), kind="stable")
