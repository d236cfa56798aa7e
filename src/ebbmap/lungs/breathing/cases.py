"""From registry names to cases that breathe, and what such a lung remembers.

Sizes: n cases.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ebbmap.lungs.whole.cases import NAMES as PASSIVE_NAMES
from ebbmap.lungs.whole.cases import circuit, driven
from ebbmap.lungs.whole.mesh import Drive
from ebbmap.lungs.whole.network import Network

#: The patient's efforts, and what couples them to CO2 and to the stretch of the lung.
EFFORT = (
    "effort_pressure",
    "effort_rate",
    "effort_duration",
    "effort_gain",
    "effort_set_point",
    "effort_limit",
    "effort_inhibition",
)

#: What the CO2 that is cleared depends on, besides the gas that is moved.
CLEARANCE = (
    "airway_dead_space_per_kg",
    "predicted_body_weight",
    "apparatus_dead_space",
    "alveolar_dead_space_share",
    "co2_production",
)

#: All that this lung takes, by registry name.
NAMES = (*PASSIVE_NAMES, "chest_wall_share", *EFFORT, *CLEARANCE)


class State(NamedTuple):
    """What the lung remembers when a release ends; each shape (n,)."""

    fast: np.ndarray
    """Recoil pressure of the fast store [cmH2O]."""
    slow: np.ndarray
    """Recoil pressure of the slow store [cmH2O]."""
    airway: np.ndarray
    """Airway pressure, which a slow valve has not yet brought to P low [cmH2O]."""
    clock: np.ndarray
    """Time since the last effort began [s]."""
    fresh: np.ndarray
    """Fresh gas in the series dead space [mL]."""
    peak: np.ndarray
    """Peak muscle pressure of the efforts [cmH2O]."""


class Cases(NamedTuple):
    """Cases that breathe: circuit, what the valve does, and the values by registry name."""

    network: Network
    drive: Drive
    values: Mapping[str, np.ndarray]

    @property
    def dead_space(self) -> np.ndarray:
        """Series dead space, airways and apparatus [mL], shape (n,)."""
        own = self.values
        airways = own["airway_dead_space_per_kg"] * own["predicted_body_weight"]
        return airways + own["apparatus_dead_space"]

    @property
    def period(self) -> np.ndarray:
        """Time from release to release [s], shape (n,)."""
        return self.values["t_high"] + self.values["t_low"]

    @property
    def opening(self) -> np.ndarray:
        """Pressure of all gas by the spread of the stores, at equal volume [1], shape (n,)."""
        one = np.ones_like(self.network.compliance)
        return np.asarray(self.network.alveoli(0.0 * one, one))


def breathing_cases(values: Mapping[str, np.ndarray], airway: np.ndarray) -> Cases:
    """Return cases whose cycle begins at an airway pressure [cmH2O], from flat values."""
    return Cases(circuit(values), driven(values, airway), values)


def chosen(cases: Cases, index: np.ndarray, kind: npt.DTypeLike | None = None) -> Cases:
    """Return some of the cases, in a kind of float if one is named."""
    drive = cases.drive
    moved = Drive(*(picked(field, index, kind) for field in drive[:-1]))
    outside = None if drive.atmosphere is None else picked(drive.atmosphere, index, kind)
    return Cases(
        Network(*(picked(field, index, kind) for field in cases.network)),
        moved._replace(slow_valve=drive.slow_valve[index], atmosphere=outside),
        {name: picked(value, index, kind) for name, value in cases.values.items()},
    )


def picked(array: np.ndarray, index: np.ndarray, kind: npt.DTypeLike | None = None) -> np.ndarray:
    """Return some of the cases of an array (..., n), in a kind of float if one is named."""
    return np.asarray(np.take(array, index, axis=-1), dtype=kind)
