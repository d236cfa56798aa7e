"""From registry names to the circuit and what drives it; where a cycle begins.

Sizes: n cases.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from ebbmap.array import some, stack, where, zeros_like
from ebbmap.lungs.whole.mesh import FASTEST_VALVE, Drive
from ebbmap.lungs.whole.network import Network, network

#: All that this lung takes, by registry name.
NAMES = (
    "p_high",
    "p_low",
    "t_high",
    "t_low",
    "valve_time",
    "compliance",
    "slow_volume_share",
    "time_constant_slow",
    "slow_tissue_share",
    "resistance_insp",
    "resistance_exp",
    "own_resistance_share",
    "resistance_quadratic",
    "upstream_resistance",
)


class State(NamedTuple):
    """What the lung remembers when a release ends; each shape (n,) [cmH2O]."""

    fast: np.ndarray
    """Pressure of the fast store."""
    slow: np.ndarray
    """Pressure of the slow store."""
    airway: np.ndarray
    """Airway pressure, which a slow valve has not yet brought to P low."""


def circuit(values: Mapping[str, np.ndarray]) -> Network:
    """Return the circuit of some cases, by registry name."""
    return network(
        **{name: values[name] for name in NAMES[5:]},
    )


def settled_drive(values: Mapping[str, np.ndarray]) -> Drive:
    """Return what drives the settled cycle: the valve's pressure repeats itself, whatever the lung.

    Examples
    --------
    >>> usual = dict(p_high=25.0, p_low=5.0, t_high=5.0, t_low=0.5)
    >>> one = settled_drive({n: np.array([v]) for n, v in {**usual, "valve_time": 0.1}.items()})
    >>> one.begun.ravel().round(3).tolist(), one.mean().round(3).tolist()
    ([0.135, 20.0], [18.182])
    """
    drive = driven(values, values["p_low"])
    high, low = drive.left(drive.duration)
    drop = drive.target[0]
    begun = drop * low * (1.0 - high) / (1.0 - high * low)
    return drive._replace(begun=stack([begun, drop + (begun - drop) * high]))


def driven(values: Mapping[str, np.ndarray], airway: np.ndarray) -> Drive:
    """Return what drives a cycle that begins at an airway pressure [cmH2O]."""
    p_low, valve_time = values["p_low"], values["valve_time"]
    slow = valve_time > FASTEST_VALVE
    drop = values["p_high"] - p_low
    begun = airway - p_low
    drive = Drive(
        duration=stack([values["t_high"], values["t_low"]]),
        target=stack([drop, zeros_like(drop)]),
        begun=stack([begun, begun]),
        valve_time=where(slow, valve_time, 1.0),
        slow_valve=slow,
        atmosphere=-p_low if some(values.get("upstream_resistance", 0.0)) else None,
    )
    return drive._replace(begun=stack([begun, drive.ends()[0]]))


def begun(
    lung: Network, values: Mapping[str, np.ndarray], state: State
) -> tuple[np.ndarray, np.ndarray]:
    """Return volume above that at P low [L] and spread [cmH2O] of a state."""
    fast, slow = state.fast - values["p_low"], state.slow - values["p_low"]
    return lung.compliance_fast * fast + lung.compliance_slow * slow, fast - slow


def ended(
    lung: Network,
    values: Mapping[str, np.ndarray],
    volume: np.ndarray,
    spread: np.ndarray,
    airway: np.ndarray,
) -> State:
    """Return the state with a volume [L], a spread and an airway pressure above P low [cmH2O]."""
    low = values["p_low"]
    return State(
        low + lung.fast_pressure(volume, spread),
        low + lung.slow_pressure(volume, spread),
        low + airway,
    )
