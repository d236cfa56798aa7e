"""How injured lungs collapse: what `tests/external/fit_collapse.py` found, as marginals.

Fields of `Marginal`, by name, for the restrictive population. Baseline admixture has one meaning:
blood that meets no gas, or too little, in a lung that is all open. Closed lung comes on top, once.
The fitted lungs have the published admixture at two pressures 10 cmH2O apart, its spread between
patients, and the published gain of PaO2/FiO2 with mean airway pressure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_ADMIXTURE = "Intensive Care Med 1983;9:307, n = 11"
_FITTED = (
    f"fitted to admixture 0.37 and 0.27 for 10 cmH2O of PEEP ({_ADMIXTURE}) and PaO2/FiO2 +26 for "
    "+3.1 cmH2O (Ibarra-Estrada et al., Crit Care Med 2022;50:586)"
)

INJURED: Mapping[str, Mapping[str, Any]] = {
    "shunt_baseline": dict(
        family="normal",
        centre=0.074,
        spread=0.045,
        low=0.0,
        high=0.6,
        source=f"0.074 +/- 0.045, venous admixture less shunt: {_ADMIXTURE}",
        confirmed="read",
    ),
    "collapsible_share": dict(
        family="normal",
        centre=0.475,
        spread=0.159,
        low=0.0,
        high=0.95,
        source=_FITTED,
        confirmed="assumption",
    ),
    "half_closed_pressure": dict(
        family="normal",
        centre=22.667,
        spread=3.0,
        low=5.0,
        high=50.0,
        source=f"{_FITTED}; spread our choice",
        confirmed="assumption",
    ),
    "closing_width": dict(
        family="lognormal",
        centre=2.334,
        spread=0.25,
        source=f"{_FITTED}; spread our choice",
        confirmed="assumption",
    ),
}
