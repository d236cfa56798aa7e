"""Phenotypes as joint distributions of lung properties.

Nothing here describes a patient: centre and spread are starting points for sweeps, each with its
source and how far that source was confirmed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from ebbmap.lungs.tracheal_tube import MEASURED_FLOW, tracheal_tube
from ebbmap.registries.copula import Conditional, Population
from ebbmap.registries.distributions import (
    EDGE,
    Confirmed,
    Marginal,
    expiratory_resistance,
    lognormal_of_moments,
)
from ebbmap.registry import Registry

__all__ = [
    "EDGE",
    "POPULATIONS",
    "Conditional",
    "Confirmed",
    "Marginal",
    "Population",
    "expiratory_resistance",
    "lognormal_of_moments",
    "population",
    "with_tube",
]

_ARNAL = "Arnal et al., Respir Care 2018;63:158 (from memory, uncertain)"
_CHELUCCI = "Chelucci et al., Eur Respir J 1993;6:785"
_RATIO = "ratio to the inspiratory one: direction from Jonson et al., J Appl Physiol 1993;75:132, "
_MODES = (
    "modes 20 and 5 in lung injury: Crotti et al., Am J Respir Crit Care Med 2001;164:131; "
    "spread, and other lungs, our choice"
)
_TIMES = "events at 0.6 to 4 s: Neumann et al., J Appl Physiol 1998;85:1533; spread our choice"
_ADMIXTURE = "Intensive Care Med 1983;9:307, n = 11"
_FITTED_COLLAPSE = (
    f"fitted to admixture 0.37 and 0.27 for 10 cmH2O of PEEP ({_ADMIXTURE}) and PaO2/FiO2 +26 for "
    "+3.1 cmH2O (Ibarra-Estrada et al., Crit Care Med 2022;50:586)"
)
_CLAIM = (
    "Invented lungs around published centres; correlations with body size and chest wall are "
    "assumptions of direction and size. Not a description of patients."
)


def _normal(
    *,
    mean: float,
    sd: float,
    source: str,
    low: float,
    high: float,
    confirmed: Confirmed = "assumption",
) -> Marginal:
    return Marginal("normal", mean, sd, source, confirmed, low=low, high=high)


def _lognormal(
    *, median: float, log_sd: float, source: str, confirmed: Confirmed = "assumption"
) -> Marginal:
    return Marginal("lognormal", median, log_sd, source, confirmed)


def _resistances(
    *, median: float, log_sd: float, ratio: tuple[float, float]
) -> tuple[dict[str, Marginal], float]:
    """Return both resistances, and the correlation of their normal scores."""
    median_exp, log_sd_exp, correlation = expiratory_resistance(median, log_sd, *ratio)
    insp = _lognormal(
        median=median,
        log_sd=log_sd,
        source=f"{_ARNAL}; tracheal tube included",
        confirmed="memory, uncertain",
    )
    exp = _lognormal(
        median=median_exp,
        log_sd=log_sd_exp,
        source=f"{_RATIO}size {ratio[0]:g} to {ratio[1]:g} our choice",
    )
    return {"resistance_insp": insp, "resistance_exp": exp}, correlation


def _population(
    name: str,
    long_name: str,
    *,
    compliance: Marginal,
    resistances: tuple[dict[str, Marginal], float],
    chest_wall: Marginal,
    slow: tuple[Marginal, Marginal],
    dead_space: Marginal,
    shunt: Marginal,
    closing: Mapping[str, Marginal],
    co2: Marginal,
    collapse: Mapping[str, Marginal] = MappingProxyType({}),
) -> Population:
    marginals, correlation = resistances
    slow_share, slow_time = slow
    weight = _normal(
        mean=64.0,
        sd=10.3,
        low=40.0,
        high=90.0,
        source="equal mixture of women (56 +/- 6) and men (72 +/- 7); assumption",
    )
    return Population(
        name,
        long_name,
        _CLAIM,
        MappingProxyType(
            {
                "compliance": compliance,
                **marginals,
                "chest_wall_share": chest_wall,
                "slow_volume_share": slow_share,
                "time_constant_slow": slow_time,
                "predicted_body_weight": weight,
                "alveolar_dead_space_share": dead_space,
                "shunt_baseline": shunt,
                **closing,
                "co2_production": co2,
                **collapse,
            }
        ),
        # compliance grows with body size; the other pairs follow from the ratio above
        MappingProxyType(
            {
                ("resistance_insp", "resistance_exp"): correlation,
                ("compliance", "predicted_body_weight"): 0.4,
                ("compliance", "chest_wall_share"): 0.2,
            }
        ),
    )


def _slow(
    *, share: float, share_sd: float, time: float, log_sd: float, source: str
) -> tuple[Marginal, Marginal]:
    """Return the slow compartment's share, and its time constant of median `time` [s]."""
    read = f"{_CHELUCCI}; {source}"
    return (
        _normal(mean=share, sd=share_sd, low=0.05, high=0.6, source=read),
        _lognormal(median=time, log_sd=log_sd, source=read),
    )


def _dead_space(*, mean: float, sd: float, ratio: str) -> Marginal:
    """Alveolar dead space share that gives a measured VD/VT with 30 % of the gas in series."""
    source = f"so that VD/VT is {ratio}, with 30 % of the gas in series (derived)"
    return _normal(mean=mean, sd=sd, low=0.0, high=0.8, source=source)


def _shunt(*, mean: float, sd: float) -> Marginal:
    source = "4 to 5 % in health (question book), others our choice"
    return _normal(mean=mean, sd=sd, low=0.0, high=0.6, source=source)


def _co2(*, mean: float, sd: float) -> Marginal:
    source = "200 is usual (textbooks), rest our choice"
    return _normal(mean=mean, sd=sd, low=100.0, high=400.0, source=source)


# how lung units open and close; `recruitable_share` in a study switches it on
_CLOSING = {
    "opening_pressure": _normal(mean=10.0, sd=4.0, low=0.0, high=60.0, source=_MODES),
    "closing_pressure": _normal(mean=3.0, sd=2.0, low=0.0, high=25.0, source=_MODES),
    "closing_time_constant": _lognormal(median=3.0, log_sd=0.6, source=_TIMES),
}
_CLOSING_IN_INJURY = {
    "opening_pressure": _normal(mean=20.0, sd=6.0, low=0.0, high=60.0, source=_MODES),
    "closing_pressure": _normal(mean=5.0, sd=3.0, low=0.0, high=25.0, source=_MODES),
    "closing_time_constant": _lognormal(median=1.0, log_sd=0.7, source=_TIMES),
}
# What `tests/external/fit_collapse.py` found. Baseline admixture is blood that meets no gas, or too
# little, in a lung that is all open; closed lung comes on top, once.
_COLLAPSE_IN_INJURY = {
    "collapsible_share": _normal(mean=0.475, sd=0.159, low=0.0, high=0.95, source=_FITTED_COLLAPSE),
    "half_closed_pressure": _normal(
        mean=22.667, sd=3.0, low=5.0, high=50.0, source=f"{_FITTED_COLLAPSE}; spread our choice"
    ),
    "closing_width": _lognormal(
        median=2.334, log_sd=0.25, source=f"{_FITTED_COLLAPSE}; spread our choice"
    ),
}
_LIMITED = {
    "flow_limitation": _normal(
        mean=2.0,
        sd=1.0,
        low=0.0,
        high=5.0,
        source="direction after Barbini et al., Ann Biomed Eng 2003;31:908; size our choice",
    )
}
_HALF_OF_THE_ELASTANCE = _normal(
    mean=0.5,
    sd=0.1,
    low=0.1,
    high=0.9,
    source="half of the elastance in health (from memory)",
)

_ALL = (
    _population(
        "normal",
        "normal lungs",
        compliance=_lognormal(
            median=54.0, log_sd=0.28, source=_ARNAL, confirmed="memory, uncertain"
        ),
        resistances=_resistances(median=12.0, log_sd=0.28, ratio=(1.0, 1.4)),
        chest_wall=_HALF_OF_THE_ELASTANCE,
        dead_space=_dead_space(mean=0.03, sd=0.03, ratio="0.3 in health"),
        shunt=_shunt(mean=0.05, sd=0.02),
        co2=_co2(mean=200.0, sd=25.0),
        slow=_slow(
            share=0.16,
            share_sd=0.07,
            time=3.3,
            log_sd=0.45,
            source="share 0.16 +/- 0.07 read, log-SD of 3.27 +/- 1.54 derived",
        ),
        closing=_CLOSING,
    ),
    _population(
        "restrictive",
        "restrictive lungs (ARDS)",
        compliance=Marginal(
            "lognormal",
            *lognormal_of_moments(37.6, 13.0),
            "37.6 +/- 13, n = 372: Vandenbunder et al., Crit Care 2021, "
            "doi 10.1186/s13054-020-03433-0",
            "read",
        ),
        resistances=_resistances(median=12.0, log_sd=0.30, ratio=(1.0, 1.4)),
        chest_wall=_normal(
            mean=0.30,
            sd=0.12,
            low=0.1,
            high=0.7,
            source="between 0.20 (pulmonary) and 0.47 (extrapulmonary): Gattinoni et al., Am J "
            "Respir Crit Care Med 1998;158:3 (derived); spread our choice",
        ),
        dead_space=_dead_space(
            mean=0.40, sd=0.13, ratio="0.58 +/- 0.09: Nuckton et al., N Engl J Med 2002;346:1281"
        ),
        shunt=_normal(
            mean=0.074,
            sd=0.045,
            low=0.0,
            high=0.6,
            source=f"0.074 +/- 0.045, venous admixture less shunt: {_ADMIXTURE}",
            confirmed="read",
        ),
        co2=_co2(mean=230.0, sd=40.0),
        slow=_slow(
            share=0.19,
            share_sd=0.06,
            time=4.7,
            log_sd=0.45,
            source="share 0.19 +/- 0.06 read, log-SD of 4.67 +/- 2.38 derived",
        ),
        closing=_CLOSING_IN_INJURY,
        collapse=_COLLAPSE_IN_INJURY,
    ),
    _population(
        "obstructive",
        "obstructive lungs (COPD)",
        compliance=_lognormal(
            median=60.0, log_sd=0.40, source=_ARNAL, confirmed="memory, uncertain"
        ),
        resistances=_resistances(median=20.0, log_sd=0.45, ratio=(1.2, 2.5)),
        chest_wall=_HALF_OF_THE_ELASTANCE,
        dead_space=_dead_space(mean=0.28, sd=0.14, ratio="0.5, our choice"),
        shunt=_shunt(mean=0.12, sd=0.05),
        co2=_co2(mean=210.0, sd=35.0),
        slow=_slow(
            share=0.25, share_sd=0.08, time=4.0, log_sd=0.5, source="obstructive: our choice"
        ),
        closing=_CLOSING | _LIMITED,
    ),
)


def with_tube(group: Population, *, diameter: float = 7.5) -> Population:
    """Take the tracheal tube out of a population's resistances and put it back as a tube.

    Parameters
    ----------
    group : Population
        With resistances that include the tube.
    diameter : float
        Inner diameter of the tube [mm], 6 to 8.

    Returns
    -------
    Population
        For a lung with a quadratic resistance: K of tubes around this size, and resistances less
        what K gave at the flow at which resistance is usually measured, 0.5 L/s.

    Examples
    --------
    >>> with_tube(population("normal")).name
    'normal_with_tube'
    """
    quadratic = float(tracheal_tube(diameter)[1])
    turbulent = quadratic * MEASURED_FLOW
    marginals = dict(group.marginals)
    for name in ("resistance_insp", "resistance_exp"):
        whole = marginals[name]
        marginals[name] = replace(
            whole,
            centre=whole.centre - turbulent,
            source=f"{whole.source}; less the turbulent part of a {diameter:g} mm tube",
        )
    marginals["resistance_quadratic"] = Marginal(
        "normal",
        quadratic,
        0.25 * quadratic,
        "fit to Futagawa et al., BMC Anesthesiology 2017; spread: half a size up and down",
        low=0.4 * quadratic,
        high=2.0 * quadratic,
    )
    return Population(
        f"{group.name}_with_tube",
        f"{group.long_name}, tube apart",
        group.comment,
        MappingProxyType(marginals),
        group.correlations,
    )


POPULATIONS: Registry[Population] = Registry(
    "population", (*_ALL, *(with_tube(group) for group in _ALL))
)

population = POPULATIONS.named
