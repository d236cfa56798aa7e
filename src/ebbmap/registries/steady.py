"""What has no value where CO2 or oxygen finds no steady state, and on which side it is lost."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np

Side = Literal["low", "high"]

#: Outcome that is negative without a steady state -> what happens then, in words.
BALANCES: Mapping[str, str] = MappingProxyType(
    {
        "co2_balance": "no steady state: CO₂ keeps rising",
        "oxygen_balance": "no steady state: oxygen runs out",
    }
)

_CO2, _BOTH = ("co2_balance",), tuple(BALANCES)

#: Outcome that rests on a steady state -> the side to which it runs away without one, and the
#: balances that tell. Bounds on that side are broken, although there is no number.
RUNS_AWAY: Mapping[str, tuple[Side, tuple[str, ...]]] = MappingProxyType(
    {
        "paco2": ("high", _CO2),
        "ventilatory_ratio": ("high", _CO2),
        "arterial_bicarbonate": ("high", _CO2),
        "ph": ("low", _CO2),
        "alveolar_po2": ("low", _CO2),
        "arterial_oxygen_content": ("low", _BOTH),
        "pao2": ("low", _BOTH),
        "spo2": ("low", _BOTH),
    }
)

#: Margin of a bound that is broken because there is no steady state, at a balance of 0; it falls
#: by what the balance lacks.
RUNAWAY_MARGIN = -1.0


def balances_of(outcome: str) -> tuple[str, ...]:
    """Return the balances that must be known to judge an outcome.

    Examples
    --------
    >>> balances_of("ph"), balances_of("flow_ratio")
    (('co2_balance',), ())
    """
    return RUNS_AWAY[outcome][1] if outcome in RUNS_AWAY else ()


def no_steady_state(outcomes: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return which cases have no steady state, as far as their balances are among the outcomes.

    Parameters
    ----------
    outcomes : mapping of str to ndarray, shape (n,)
        Outcomes by name.

    Returns
    -------
    ndarray of bool, shape (n,), or of shape () where no balance is known

    Examples
    --------
    >>> no_steady_state({"co2_balance": np.array([3.0, -0.4])}).tolist()
    [False, True]
    """
    short = [outcomes[name] < 0.0 for name in BALANCES if name in outcomes]
    if not short:
        return np.zeros((), bool)
    return short[0] if len(short) == 1 else short[0] | short[1]


def steady_words(outcomes: Mapping[str, np.ndarray]) -> str:
    """Return why one case has no steady state; empty where it has one.

    Examples
    --------
    >>> steady_words({"co2_balance": np.array(-0.4), "oxygen_balance": np.array(np.nan)})
    'no steady state: CO₂ keeps rising'
    """
    said = [text for name, text in BALANCES.items() if float(outcomes.get(name, np.nan)) < 0]
    return said[0] if said else ""
