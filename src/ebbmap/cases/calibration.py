"""Populations measured as patients were: readings of many lungs, and the numbers papers print.

Sizes: n lungs, t published numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.special import logit, ndtri
from scipy.stats import qmc
from scipy.stats.mstats import hdquantiles

from ebbmap.cases.measurement import Breath, measure
from ebbmap.lungs import lung_model
from ebbmap.registries.copula import Population
from ebbmap.registries.derivations import all_inputs
from ebbmap.registries.fitted.published import FOLLOWS, QUARTILES_APART, Target
from ebbmap.units import L_PER_ML

#: What the lung `whole` takes of a population, where it has it.
LUNG = (
    "compliance",
    "resistance_insp",
    "resistance_exp",
    "resistance_quadratic",
    "slow_volume_share",
    "time_constant_slow",
    "upstream_resistance",
)

#: A lung's flow is limited if at least this share of an expired breath leaves at limited flow.
LIMITED = 0.05

#: Share of the expired volume that is left where time constants are read.
LEFT = 0.75

#: Rates at which plateaus of severe asthma were published [min-1].
RATES = (18.0, 12.0, 6.0)


def even_lungs(group: Population, n: int, *, seed: int) -> dict[str, np.ndarray]:
    """Draw lungs that fill a population evenly.

    Parameters
    ----------
    group : Population
        From which.
    n : int
        How many; a power of two.
    seed : int
        Of the scrambling. Two populations with the same properties get the same scores.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        Every property, in registry units.

    Notes
    -----
    Scrambled points of Sobol's sequence as normal scores: a quartile of 1,024 lungs is then far
    less noisy than one of random lungs, and moves smoothly with the population.
    """
    sampler = qmc.Sobol(len(group.properties), scramble=True, rng=np.random.default_rng(seed))
    unit = np.clip(sampler.random(n), 2.0**-40, 1.0 - 2.0**-40)
    scores = ndtri(unit) @ np.linalg.cholesky(group.correlation_matrix).T
    return {name: one.at(scores[:, i]) for i, (name, one) in enumerate(group.marginals.items())}


def breath_for(lungs: Mapping[str, np.ndarray], breath: Mapping[str, float]) -> Breath:
    """Return the conventional breath of some lungs; its parts as `readings` takes them."""
    return Breath(
        tidal_volume=breath["volume_per_kg"] * lungs["predicted_body_weight"],
        flow=breath["flow"],
        rate=breath["rate"],
        valve_time=breath["valve_time"],
    )


def readings(
    lungs: Mapping[str, np.ndarray],
    breath: Mapping[str, float],
    *,
    plateaus: bool = False,
    lung: str = "whole",
) -> dict[str, np.ndarray]:
    """Measure lungs with a conventional breath that grows with body size.

    Parameters
    ----------
    lungs : mapping of str to ndarray, shape (n,)
        Of a lung model, with `predicted_body_weight`.
    breath : mapping of str to float
        `volume_per_kg` [mL kg-1], `flow` [L s-1], `rate` [min-1], `valve_time` [s].
    plateaus : bool
        Whether to measure only the plateau above atmosphere at each of `RATES`, without PEEP.
    lung : str
        The lung model: linear, tube, paired or whole.

    Returns
    -------
    dict of str to ndarray
        As `measure` returns, and where flow can be limited `flow_limited`, 1 where it is without
        PEEP; or `plateau_18`, `plateau_12` and `plateau_6` [cmH2O].
    """
    taken = all_inputs(lung_model(lung).parameters)
    own = {name: lungs[name] for name in LUNG if name in lungs and name in taken}
    usual = breath_for(lungs, breath)
    if not plateaus:
        read = measure(lung, own, usual, left=LEFT)
        if "upstream_resistance" in own:
            read["flow_limited"] = _limited_without_peep(own, usual)
        return read
    found = {}
    for rate in RATES:
        read = measure(lung, own, replace(usual, rate=rate, peep=0.0))
        found[f"plateau_{rate:.0f}"] = (
            read["auto_peep"] + usual.tidal_volume / read["static_compliance"]
        )
    return found


def _limited_without_peep(own: Mapping[str, np.ndarray], usual: Breath) -> np.ndarray:
    """Return 1 where flow is limited without PEEP, 0 where not, NaN where the breath is unknown.

    Only lungs whose upstream resistance is the larger can have limited flow then.
    """
    limited = np.zeros_like(own["compliance"])
    can = np.flatnonzero(own["upstream_resistance"] > own["resistance_exp"])
    if can.size:
        volume = np.broadcast_to(usual.tidal_volume, limited.shape)[can]
        some = {name: value[can] for name, value in own.items()}
        share = measure("whole", some, replace(usual, tidal_volume=volume, peep=0.0))[
            "flow_limited_share"
        ]
        limited[can] = np.where(np.isfinite(share), share >= LIMITED, np.nan)
    return limited


def statistics(read: Mapping[str, np.ndarray], asked: Sequence[Target]) -> np.ndarray:
    """Return the numbers that a paper would print of some readings, in the scales of the targets.

    Parameters
    ----------
    read : mapping of str to ndarray, shape (n,)
        Readings; a lung that could not be measured is NaN and left out.
    asked : sequence of Target
        Which numbers.

    Returns
    -------
    ndarray, shape (t,)
    """
    return np.array(
        [_statistic(target.statistic, [read[n] for n in target.of]) for target in asked]
    )


def _statistic(name: str, read: Sequence[np.ndarray]) -> float:
    kept = [one[np.all(np.isfinite(read), axis=0)] for one in read]
    if name == "mean":
        return float(kept[0].mean())
    if name == "share":
        return float(logit(kept[0].mean()))
    if name == "fall":
        return float(kept[0].mean() - kept[1].mean())
    logs = np.log(kept)
    if name == "correlation":
        return float(np.arctanh(np.corrcoef(logs)[0, 1]))
    # means of order statistics (Harrell and Davis), which move smoothly where one of them jumps
    low, middle, high = np.asarray(hdquantiles(logs[0], prob=(0.25, 0.5, 0.75)))
    return {
        "median": middle,
        "width": (high - low) / QUARTILES_APART,
        "asymmetry": 0.5 * (low + high) - FOLLOWS * middle,
    }[name]


def compliance_slope(read: Mapping[str, np.ndarray]) -> float:
    """Return how steeply the resistance of expiration falls as compliance rises.

    Parameters
    ----------
    read : mapping of str to ndarray, shape (n,)
        Readings; a lung that could not be measured is left out.

    Returns
    -------
    float
        Slope of log(time_constant_exp / static_compliance) on log static_compliance [1].

    Examples
    --------
    Time constants that are all alike:

    >>> some = {"static_compliance": np.array([30.0, 60.0]), "time_constant_exp": np.ones(2)}
    >>> round(compliance_slope(some), 9)
    -1.0
    """
    known = np.isfinite(read["static_compliance"]) & np.isfinite(read["time_constant_exp"])
    compliance = np.log(read["static_compliance"][known])
    effective = np.log(read["time_constant_exp"][known]) - compliance
    return float(np.polyfit(compliance, effective, 1)[0])


class TubePart(NamedTuple):
    """What makes the resistance of expiration fall as compliance rises; slopes of logarithms."""

    fitted: float
    """In the fitted lungs."""
    apart: float
    """With compliance drawn apart from resistances and slow part: what the tube leaves."""
    straight: float
    """The same with a resistance in the tube's place that does not change with flow."""

    @property
    def share(self) -> float:
        """Part of the whole slope that the tube makes [1]."""
        return (self.apart - self.straight) / self.fitted


def tube_part(
    group: Population, breath: Mapping[str, float], *, n: int = 1024, seed: int = 0
) -> TubePart:
    """Take apart why time constants are more alike than compliances.

    Parameters
    ----------
    group : Population
        Fitted, for the lung `whole`.
    breath : mapping of str to float
        As in `readings`.
    n, seed : int
        Lungs and their scrambling, the same for all three.

    Returns
    -------
    TubePart

    Notes
    -----
    A stiff lung drives more flow through the tube, where resistance rises with flow. The straight
    resistance is K times the median flow at which time constants are read.
    """
    lungs = even_lungs(group, n, seed=seed)
    own = ("resistance_insp", "resistance_exp", "slow_volume_share")
    kept = {
        pair: value
        for pair, value in group.correlations.items()
        if not ("compliance" in pair and any(name in pair for name in own))
    }
    apart = even_lungs(replace(group, correlations=kept), n, seed=seed)
    read = readings(apart, breath)
    volume = breath["volume_per_kg"] * apart["predicted_body_weight"] * L_PER_ML
    flow = np.nanmedian(LEFT * volume / read["time_constant_exp"])
    straight = {
        **apart,
        "resistance_exp": apart["resistance_exp"] + flow * apart["resistance_quadratic"],
        "resistance_quadratic": np.zeros(n),
    }
    return TubePart(
        compliance_slope(readings(lungs, breath)),
        compliance_slope(read),
        compliance_slope(readings(straight, breath)),
    )
