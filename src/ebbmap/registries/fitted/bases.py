"""Families and bounds of fitted properties, and the properties that no published number moves.

The latter are starting points for sweeps, each with its source and how far it was confirmed.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from ebbmap.lungs.tracheal_tube import tracheal_tube
from ebbmap.registries.distributions import Confirmed, Family, Marginal

WALL = "Anesthesiology 1999;91:1221, n = 9"
ADMIXTURE = "Intensive Care Med 1983;9:307, n = 11"

_MODES = (
    "modes 20 and 5 in lung injury: Crotti et al., Am J Respir Crit Care Med 2001;164:131; "
    "spread, and other lungs, our choice"
)
_TIMES = "events at 0.6 to 4 s: Neumann et al., J Appl Physiol 1998;85:1533; spread our choice"
_FITTED_COLLAPSE = (
    f"fitted to admixture 0.37 and 0.27 for 10 cmH2O of PEEP ({ADMIXTURE}) and PaO2/FiO2 +26 for "
    "+3.1 cmH2O (Ibarra-Estrada et al., Crit Care Med 2022;50:586)"
)

#: Inner diameter [mm] of the tube around which tubes are drawn.
TUBE = 7.5

_TUBE_QUADRATIC = float(tracheal_tube(TUBE)[1])

#: Family of fitted properties, with bounds; a lognormal's are those of the parameter.
_FAMILIES: Mapping[str, tuple[Family, float, float]] = MappingProxyType(
    {
        "compliance": ("lognormal", -np.inf, np.inf),
        "resistance_insp": ("lognormal", -np.inf, np.inf),
        "resistance_exp": ("lognormal", -np.inf, np.inf),
        "slow_volume_share": ("normal", 0.05, 0.6),
        "time_constant_slow": ("lognormal", -np.inf, np.inf),
        "predicted_body_weight": ("normal", 40.0, 90.0),
        "resistance_quadratic": ("normal", 0.4 * _TUBE_QUADRATIC, 2.0 * _TUBE_QUADRATIC),
    }
)


#: Phenotypes in which expiratory flow can be limited.
LIMITED = ("obstructive",)


def families(phenotype: str) -> dict[str, tuple[Family, float, float]]:
    """Return the family of each fitted property of a phenotype, with its bounds."""
    limit: tuple[Family, float, float] = ("lognormal", -np.inf, np.inf)
    return {**_FAMILIES, **({"upstream_resistance": limit} if phenotype in LIMITED else {})}


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


def _lognormal(*, median: float, log_sd: float, source: str) -> Marginal:
    return Marginal("lognormal", median, log_sd, source)


def _dead_space(*, mean: float, sd: float, ratio: str) -> Marginal:
    """Return the alveolar share that gives a measured VD/VT with 30 % of the gas in series."""
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
    "collapsible_share": _normal(mean=0.478, sd=0.163, low=0.0, high=0.95, source=_FITTED_COLLAPSE),
    "half_closed_pressure": _normal(
        mean=22.879, sd=3.0, low=5.0, high=50.0, source=f"{_FITTED_COLLAPSE}; spread our choice"
    ),
    "closing_width": _lognormal(
        median=2.686, log_sd=0.25, source=f"{_FITTED_COLLAPSE}; spread our choice"
    ),
}


_OBSTRUCTIVE: Mapping[str, Marginal] = MappingProxyType(
    {
        "chest_wall_share": _normal(
            mean=0.37, sd=0.10, low=0.1, high=0.9, source=f"as in normal lungs, {WALL}"
        ),
        "alveolar_dead_space_share": _dead_space(mean=0.28, sd=0.14, ratio="0.5, our choice"),
        "shunt_baseline": _shunt(mean=0.12, sd=0.05),
        **_CLOSING,
        "co2_production": _co2(mean=210.0, sd=35.0),
    }
)

#: What no published number of a fit moves, by phenotype.
REST: Mapping[str, Mapping[str, Marginal]] = MappingProxyType(
    {
        "normal": {
            "chest_wall_share": _normal(
                mean=0.37, sd=0.10, low=0.1, high=0.9, source=WALL, confirmed="derived"
            ),
            "alveolar_dead_space_share": _dead_space(mean=0.03, sd=0.03, ratio="0.3 in health"),
            "shunt_baseline": _shunt(mean=0.05, sd=0.02),
            **_CLOSING,
            "co2_production": _co2(mean=200.0, sd=25.0),
        },
        "restrictive": {
            "chest_wall_share": _normal(
                mean=0.30,
                sd=0.12,
                low=0.1,
                high=0.7,
                source="0.20 and 0.47: Gattinoni et al., Am J Respir Crit Care Med 1998;158:3; "
                "between",
                confirmed="derived",
            ),
            "alveolar_dead_space_share": _dead_space(
                mean=0.40,
                sd=0.13,
                ratio="0.58 +/- 0.09: Nuckton et al., N Engl J Med 2002;346:1281",
            ),
            "shunt_baseline": _normal(
                mean=0.074,
                sd=0.045,
                low=0.0,
                high=0.6,
                source=f"0.074 +/- 0.045, venous admixture less shunt: {ADMIXTURE}",
                confirmed="read",
            ),
            **_CLOSING_IN_INJURY,
            "co2_production": _co2(mean=230.0, sd=40.0),
            **_COLLAPSE_IN_INJURY,
        },
        "obstructive": _OBSTRUCTIVE,
        "severe_asthma": _OBSTRUCTIVE,
    }
)

#: Every phenotype, in the order in which results name them.
PHENOTYPES = tuple(REST)
